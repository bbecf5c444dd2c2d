"""
How often the true conformance of the recommended setting reaches the stated bound.

Run it as ``python -m tests.studies.conformance_bound [studies] [seed]``. Every study has a random quadratic truth in four
factors, one to three responses, a load-to-print variance ratio from 0 to 3 for each response, 30 prints in 8 loads
(face-centred central composite), two coupons a print, and goes through plan, fit and recommendation as a user's would.
"""

import sys
from dataclasses import replace

import numpy as np
from scipy import stats

from doe.design.plan import plan_runs
from doe.design.request import PlanRequest
from doe.model.fit import fit_model
from doe.model.request import FitRequest
from doe.numerics import terms
from doe.recommend.choose import recommend_settings
from doe.study import scale
from tests.conftest import make_study, numeric
from tests.records import simulated

LEVELS = (0, 0, 0, 0)
TERMS = terms.standard_terms("quadratic", LEVELS)
PRINT_SD, COUPON_SD = 1.0, 0.7


def make_truth(generator):
    """Return coefficients with a maximum inside the region, response units."""
    peak = generator.uniform(-0.6, 0.6, 4)
    bend = generator.uniform(0.6, 2.5, 4)
    coefficients = dict.fromkeys(TERMS, 0.0)
    coefficients[()] = -float(bend @ peak**2)
    for i in range(4):
        coefficients[(i,)], coefficients[(i, i)] = 2 * bend[i] * peak[i], -bend[i]
    for pair in [term for term in TERMS if len(set(term)) == 2]:
        coefficients[pair] = generator.normal(0, 0.3)
    return np.array([coefficients[term] for term in TERMS])


def one_study(generator):
    """Return the stated estimate and bound, and the true conformance at the recommended setting."""
    count = int(generator.integers(1, 4))
    truths = [make_truth(generator) for _ in range(count)]
    ratios = generator.choice([0.0, 0.5, 1.0, 3.0], count)
    factors = [numeric(f"factor_{i}", -1, 1, 0.1, unit="1", change="load" if i == 3 else "print") for i in range(4)]
    responses = [
        {"name": f"response_{r}", "unit": "1", "coupons": 2, "at_least": float(-generator.uniform(2.5, 5.0))}
        for r in range(count)
    ]
    study = make_study(factors=factors, responses=responses, printers=[])
    design = plan_runs(study, PlanRequest(kind="central-composite", centre=6, seed=int(generator.integers(1, 10**6))))
    record = None
    for r, (truth, ratio) in enumerate(zip(truths, ratios, strict=True)):
        mean = lambda x, truth=truth: float(terms.model_matrix(x[None], TERMS, LEVELS)[0] @ truth)  # noqa: E731
        seed = int(generator.integers(1, 10**9))
        made = simulated(study, design, seed, PRINT_SD * np.sqrt(ratio), PRINT_SD, COUPON_SD, mean)
        column = made.coupons[f"response_{r}"]
        record = made if record is None else replace(record, coupons=record.coupons.assign(**{f"response_{r}": column}))
    fit, fitted = fit_model(study, design, record, FitRequest(examine=False))
    advice = recommend_settings(study, design, fit, fitted, 1)
    x = scale.coded(study, {one.factor: [one.value] for one in advice.settings})
    share = 1.0
    for response, truth, ratio in zip(study.responses, truths, ratios, strict=True):
        sd = np.sqrt(PRINT_SD**2 * (1 + ratio) + COUPON_SD**2)
        share *= stats.norm.sf(response.at_least, float(terms.model_matrix(x, TERMS, LEVELS)[0] @ truth), sd)
    return advice.conformance.estimate, advice.conformance.lower, share


def main(studies=200, seed=1):
    """Print coverage of the bound, how often the truth reaches the estimate, and median figures."""
    generator = np.random.default_rng(seed)
    found = np.array([one_study(generator) for _ in range(studies)])
    estimate, lower, truth = found.T
    covered = truth >= lower
    print(f"{studies} studies, seed {seed}")
    print(f"true conformance at or above the bound: {covered.mean():.1%} ({covered.sum()} of {studies})")
    print(f"at or above the estimate: {(truth >= estimate).mean():.1%}")
    print(f"medians: truth {np.median(truth):.3f}, estimate {np.median(estimate):.3f}, bound {np.median(lower):.3f}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
