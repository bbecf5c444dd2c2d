"""
How often nominal 95 % intervals hold the true P(grade >= 4) and the true chance of passing, with loads that differ.

Run it as ``python -m tests.studies.graded_coverage [studies] [seed]``. Plans of 30 prints in 4, 6 and 8 loads in four
factors, one of them fixed in the load; main effects (5 columns) and full quadratic (15 columns). Slopes are drawn anew in
every study: main effects normal about zero with the stated standard deviation, second-order terms with half of it. The
truth is the chance on a load taken at random. Each line gives coverage in percent at four settings (centre, halfway,
corner, best drying) and the median width. Methods: "no loads", loads left out; "CR1" and "CR3", cluster-robust covariance
by load with Student's t of loads - 1 degrees of freedom, uncorrected but for L / (L - 1), and as the jackknife does;
"ours", ``doe.numerics.load_allowance``.
"""

import sys

import numpy as np
from scipy import special, stats

from doe.design import check
from doe.design.plan import plan_runs
from doe.design.request import PlanRequest
from doe.numerics import binary, cumulative, graded
from doe.numerics.load_allowance import half_widths
from doe.numerics.terms import model_matrix
from doe.study import scale
from tests.conftest import make_study

SETTINGS = np.array([[0.0, 0, 0, 0], [0.5, -0.5, 0.5, 0.5], [1.0, 1, -1, 1], [0.5, 0.5, 0.5, -1.0]])
LOADS = (4, 6, 8)
LOAD_SD = (0.0, 0.9, 1.8)  # logits; a print's own is 1.8
THRESHOLDS = np.array([-4.0, -2.5, -1.2, 0.0, 1.5])
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(40)
WEIGHTS = WEIGHTS / WEIGHTS.sum()


def planned(loads, order):
    """Return model matrix, load codes, rows of the settings and terms, up to an order."""
    study = make_study(printers=[], budget={})
    request = PlanRequest(kind="compound", prints=30, loads=loads, one_round=True, seed=1)
    X, load = check.matrix(study, plan_runs(study, request).runs)
    model = scale.model_terms(study)
    rows = model_matrix(SETTINGS, model, scale.level_counts(study))
    kept = [place for place, term in enumerate(model) if len(term) <= order]
    return X[:, kept], load, rows[:, kept], [model[place] for place in kept]


def slopes(model, size, generator):
    """Draw coefficients; the intercept's is zero."""
    sizes = np.array([0.0 if not term else size / len(term) for term in model])
    return sizes * generator.normal(size=len(model))


def mean_logit(logits, sd):
    """Return the logit of the chance on a load taken at random."""
    return special.logit(special.expit(logits[:, None] + sd * NODES) @ WEIGHTS)


def cluster_robust(fit, grades, X, load, directions):
    """Return half-widths by the scores of the loads."""
    starts = np.array([members[0] for members in fit.groups])
    group = np.searchsorted(starts, grades, side="right") - 1
    at, cuts, L = np.concatenate([fit.thresholds, fit.slopes]), len(fit.thresholds), load.max() + 1
    whole = np.linalg.inv(fit.covariance)
    robust, jackknife = [], []
    for one in range(L):
        mine = load == one
        data = cumulative.bounds(group[mine], X[mine, 1:], cuts, np.ones(mine.sum()))
        here = cumulative.evaluate(data, np.zeros(len(at)), at)
        robust.append(directions @ np.linalg.solve(whole, here.gradient))
        jackknife.append(directions @ np.linalg.lstsq(whole - here.information, here.gradient, rcond=1e-9)[0])
    t = stats.t.ppf(0.975, L - 1)
    cr1 = t * np.sqrt(np.sum(np.square(robust), axis=0) * L / (L - 1))
    return {"CR1": cr1, "CR3": t * np.sqrt(np.sum(np.square(jackknife), axis=0) * (L - 1) / L)}


def graded_study(plan, size, load_sd, generator):
    """Return, per method, which intervals hold the truth, and their widths."""
    X, load, rows, model = plan
    beta, thresholds = slopes(model, size, generator), THRESHOLDS + 0.7 * generator.normal()
    shift = load_sd * generator.normal(size=load.max() + 1)
    grades = ((X @ beta + shift[load] + generator.logistic(size=len(X)))[:, None] > thresholds).sum(axis=1)
    truth = mean_logit(rows @ beta - thresholds[3], load_sd)
    fit = graded.fit_graded(grades, X, 6, load)
    cut = fit.cuts[4]
    if not 0 <= cut < len(fit.thresholds):
        return {}
    directions = np.hstack([-np.eye(len(fit.thresholds))[[cut] * len(rows)], rows[:, 1:]])
    centre = special.logit(graded.at_least(fit, rows, 4).estimates)
    se = np.sqrt(np.einsum("mi,ij,mj->m", directions, fit.covariance, directions))
    halves = {"no loads": stats.norm.ppf(0.975) * se, **cluster_robust(fit, grades, X, load, directions)}
    halves["ours"] = half_widths(directions, fit.covariance, fit.loads, 0.95)
    return {
        name: (np.abs(centre - truth) <= half, special.expit(centre + half) - special.expit(centre - half))
        for name, half in halves.items()
    }


def binary_study(plan, size, load_sd, coupons, print_sd, generator):
    """Return the same for the chance that a coupon passes."""
    X, load, rows, model = plan
    beta = slopes(model, size, generator)
    beta[0] = 1.0
    shift = (load_sd * generator.normal(size=load.max() + 1))[load] + print_sd * generator.normal(size=len(X))
    passed = generator.binomial(coupons, special.expit(X @ beta + shift))
    truth = special.expit(mean_logit(rows @ beta, np.hypot(load_sd, print_sd)))
    found = {}
    for name, codes in (("no loads", None), ("ours", load)):
        limits = binary.pass_shares(binary.fit_binary(passed, np.full(len(X), coupons), X, codes), rows).limits
        found[name] = (limits[:, 0] <= truth) & (truth <= limits[:, 1]), limits[:, 1] - limits[:, 0]
    return found


def shown(results, head):
    """Print one block of lines."""
    print(head)
    for name in results[0]:
        holds, widths = (np.array([one[name][part] for one in results if one]) for part in (0, 1))
        figures = " ".join(f"{100 * share:6.1f}" for share in holds.mean(axis=0))
        print(f"    {name:10} {figures}   width {' '.join(f'{w:.2f}' for w in np.median(widths, axis=0))}", flush=True)


def main(studies=400, seed=1):
    """Print the tables."""
    print(f"{studies} studies a block, seed {seed}; standard error {100 * np.sqrt(0.0475 / studies):.1f} at 95 %")
    for order, loads in ((order, loads) for order in (1, 2) for loads in LOADS):
        plan = planned(loads, order)
        size = plan[0].shape[1]
        for load_sd in LOAD_SD:
            for spread in (0.4, 1.0, 2.0, 3.5):
                generator = np.random.default_rng(seed)
                results = [graded_study(plan, spread, load_sd, generator) for _ in range(studies)]
                shown(results, f"grades, {size} columns, {loads} loads, load sd {load_sd}, slope sd {spread}")
            for coupons, print_sd in ((1, 0.0), (5, 0.0), (5, 1.0)):
                generator = np.random.default_rng(seed)
                results = [binary_study(plan, 1.0, load_sd, coupons, print_sd, generator) for _ in range(studies)]
                shown(
                    results,
                    f"passing, {size} columns, {loads} loads, load sd {load_sd}, {coupons} coupons, print sd {print_sd}",
                )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
