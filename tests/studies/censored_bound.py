"""
How often the bound of conformance, and intervals with few loads, hold the truth where some values are only limits.

Run it as ``python -m tests.studies.censored_bound [studies] [seed]``; a study takes about half a second. Values and limits are
those of ``tests.studies.censored_coverage``, one response, taken through the package itself: ``doe.model.limits`` says which
prints count and as what, ``doe.model.inference`` which intervals they have, ``doe.recommend.outlook`` draws for the bound.

- *bound*: 30 prints in 6 loads. The setting of a grid with the highest posterior mean of conformance is chosen, and its bound is
  the posterior quantile that a recommendation takes. The requirement is met by nine of ten coupons at the best setting. Beside
  it the same with every value measured, and with limits left out.
- *few loads*: 24 prints in 4 loads and 30 in 5, which leave one and two load error degrees of freedom, so that intervals of what
  changes from load to load come from the posterior of print means.
"""

import sys
from dataclasses import replace
from itertools import product

import numpy as np
from scipy import special

from doe.errors import InputRefused
from doe.model import inference
from doe.model.data import ResponseData, without
from doe.model.limits import fit_limited
from doe.model.structure import mixed_or_trouble, strata
from doe.numerics import conformance
from doe.numerics.limits import Limits
from doe.recommend.outlook import drawn_from
from doe.study import scale
from tests.conftest import make_study
from tests.studies.censored_coverage import COUPONS, PATTERNS, RATIOS, SHARES, experiment, limited
from tests.studies.coverage import GRID, ROWS, TERMS, planned

CAN_MEET = special.ndtri(0.9)
WAYS = ("limits", "left out", "all measured")


def arranged(lower, upper, X, printed, load, at_least):
    """Return the data of one response as a record would give them."""
    study = make_study(
        printers=[], budget={}, responses=[{"name": "strength", "unit": "MPa", "coupons": COUPONS, "at_least": at_least}]
    )
    n, m = len(X), len(printed)
    measured = lower == upper
    return ResponseData(
        response=study.responses[0], model=scale.model_terms(study), levels=scale.level_counts(study),
        values=np.where(np.isfinite(lower), lower, upper), of_print=printed, names=tuple(map(str, range(n))),
        coded=X[:, [TERMS.index((factor,)) for factor in range(4)]], X=X, labels=tuple(map(str, TERMS)), load=load,
        cell=np.arange(n), printers=(), printer=np.zeros(n, dtype=np.int64), rounds=(), order=np.arange(n), excluded=(),
        load_names=tuple(map(str, range(load.max() + 1))), items=tuple(map(str, range(m))),
        limits=None if measured.all() else Limits(lower, upper, measured),
    )  # fmt: skip


def fitted(data, way):
    """Return the data that a fit rests on with its model; None where it is refused."""
    seen = data if data.limits is None else without(data, ~data.limits.measured)
    if seen is None or np.linalg.matrix_rank(seen.X) < seen.X.shape[1]:
        return None
    found = strata(seen)
    if way != "limits" or data.limits is None:
        seen = replace(seen, limits=None)
        mixed = mixed_or_trouble(seen, found).fit
        return None if mixed is None else (seen, mixed, found)
    made = fit_limited(data, found)
    return None if isinstance(made, str) else (made.data, made.mixed, found)


def bound(made, means, at_least, sd):
    """Return bound, estimate and truth of the conformance at the chosen setting; ``means`` are the true ones of the grid."""
    drawn = drawn_from(made[0], np.random.default_rng(20))
    margin = conformance.margins(drawn, conformance.future_sd(drawn, 1), at_least, None)
    shares = conformance.conformance([GRID[None]], [margin]).astype(float)
    best = int(shares.mean(axis=1).argmax())
    level = conformance.bound_level([1 - shares[best].mean()])
    low = np.quantile(shares[best], level, method="inverted_cdf")
    return low, np.median(shares[best]), special.ndtr((means[best] - at_least) / sd)


def holds(made, truth):
    """Return whether 95 % intervals hold: the coefficients of ROWS, the mean at one setting; and their half-widths."""
    data, mixed, found = made
    one = inference.infer(data, mixed, found.random, found.load_dof)
    limits = inference.means(one, ROWS[[0, 2]], 0.95)
    aim = ROWS[[0, 2]] @ truth
    return np.column_stack([(limits.low <= aim) & (aim <= limits.high), (limits.high - limits.low) / 2])


def drawn(loads, pattern, share, ratio, studies, seed):
    """Yield studies: data with limits, the same all measured, the true coefficients, requirement, spread of a coupon."""
    X, load = planned(loads)
    truth = np.array([(0.7 if len(term) == 1 else -0.5 * (term[0] == term[1])) if term else 0.0 for term in TERMS])
    generator = np.random.default_rng([seed, loads, PATTERNS.index(pattern), int(100 * share), int(ratio)])
    means, sd = X @ truth, np.sqrt(ratio + 2)
    at_least = float((GRID @ truth).max() - CAN_MEET * sd)
    for _ in range(studies):
        values, _, _, printed = experiment(X, load, truth, ratio, generator)
        lower, upper = limited(values, means.mean(), np.hypot(means.std(), sd), pattern, share, generator)
        yield [arranged(*pair, X, printed, load, at_least) for pair in ((lower, upper), (values, values))], truth, at_least, sd


def of_bound(cell, studies, seed):
    """Print how often the bound holds, and how far bound and estimate lie from the truth."""
    results = {way: [] for way in WAYS}
    for (data, whole), truth, at_least, sd in drawn(6, *cell, studies, seed):
        for way in WAYS:
            made = fitted(whole if way == "all measured" else data, way)
            try:
                results[way].append(None if made is None else bound(made, GRID @ truth, at_least, sd))
            except InputRefused:
                results[way].append(None)
    for way, all_of_them in results.items():
        low, estimate, true = np.array([one for one in all_of_them if one is not None]).T
        print(
            f"{'{} {:.0%} ratio {:g}'.format(*cell):>26} {way:>13}: bound holds {100 * np.mean(low <= true):5.1f} %, bound"
            f" {low.mean():.3f}, estimate {estimate.mean():.3f}, true {true.mean():.3f}; refused {studies - len(low)}",
            flush=True,
        )


def of_few_loads(loads, cell, studies, seed):
    """Print how often intervals from the posterior hold, with their median half-widths."""
    results = {way: [] for way in WAYS}
    for (data, whole), truth, *_ in drawn(loads, *cell, studies, seed):
        for way in WAYS:
            made = fitted(whole if way == "all measured" else data, way)
            results[way].append(None if made is None or made[2].load_dof < 1 else holds(made, truth))
    for way, all_of_them in results.items():
        kept = np.array([one for one in all_of_them if one is not None])
        (load, wide), (mean, wide_mean) = [(100 * kept[:, k, 0].mean(), np.median(kept[:, k, 1])) for k in (0, 1)]
        print(
            f"{loads} loads {'{} {:.0%} ratio {:g}'.format(*cell):>26} {way:>13}: load linear {load:5.1f} % ({wide:.2f}), mean"
            f" {mean:5.1f} % ({wide_mean:.2f}); refused {studies - len(kept)}",
            flush=True,
        )


def main(studies=100, seed=1):
    """Print every cell."""
    print(f"{studies} studies a line, seed {seed}; Monte Carlo standard error {100 * np.sqrt(0.0475 / studies):.1f} at 95 %")
    for cell in product(PATTERNS, SHARES[::2], RATIOS[:2]):
        of_bound(cell, studies, seed)
    for loads, cell in product((4, 5), product(PATTERNS, SHARES[::2], RATIOS[1:2])):
        of_few_loads(loads, cell, studies, seed)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
