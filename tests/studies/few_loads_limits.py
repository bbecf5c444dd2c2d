"""
How often intervals hold the truth where few loads are left to judge, and whole loads are limits that say almost nothing.

Run it as ``python -m tests.studies.few_loads_limits [studies] [seed]``; a study takes about a third of a second. 16 prints in 4
loads, 5 coupons each, three factors of which one changes from load to load; prints differ by 0.3 times as much as coupons, and on
average 85 of 100 coupons at one end of the first factor lie above the limit. Printed are the studies in which the prints that say
half of a measured one or more leave nothing to judge the loads by, so that others are added: how many, and for the slope of that
factor and the mean at its limited end the coverage of nominal 95 % intervals with their median half-width; beside it the same
studies with every value measured.
"""

import sys

import numpy as np
from scipy import stats

from doe.model import inference
from doe.model.data import ResponseData
from doe.numerics.limits import Limits
from tests.conftest import make_study
from tests.studies.censored_bound import fitted

LOADS, PRINTS, COUPONS = 4, 4, 5
TRUTH = np.array([0.0, 1.5, 0.5, -0.3])
ASKED = np.array([[0.0, 1.0, 0.0, 0.0], [1.0, 1.0, 0.0, 0.0]])
PRINT_SD, ABOVE = 0.3, 0.85
RATIOS = (0.3, 1.0)


def arranged(lower, upper):
    """Return the data of one response as a record would give them."""
    within = np.array([(a, b) for a in (-1, 1) for b in (-1, 1)], dtype=float)
    X = np.vstack([np.column_stack([np.ones(PRINTS), np.full(PRINTS, end), within]) for end in (-1.0, 1.0) * (LOADS // 2)])
    measured, names = lower == upper, tuple(map(str, range(len(X))))
    study = make_study(
        printers=[], budget={}, responses=[{"name": "strength", "unit": "MPa", "coupons": COUPONS, "at_least": 1}]
    )
    return ResponseData(
        response=study.responses[0], model=((), (0,), (1,), (2,)), levels=(0, 0, 0),
        values=np.where(np.isfinite(lower), lower, upper), of_print=np.repeat(np.arange(len(X)), COUPONS), names=names,
        coded=X[:, 1:], X=X, labels=("1", "a", "b", "c"), load=np.repeat(np.arange(LOADS), PRINTS), cell=np.arange(len(X)),
        printers=(), printer=np.zeros(len(X), dtype=np.int64), rounds=(), order=np.arange(len(X)), excluded=(),
        load_names=names[:LOADS], items=tuple(map(str, range(len(lower)))),
        limits=None if measured.all() else Limits(lower, upper, measured),
    )  # fmt: skip


def drawn(ratio, random):
    """Return a study's data with limits, and the same with every value measured."""
    plain = arranged(*(np.zeros(LOADS * PRINTS * COUPONS),) * 2)
    load = np.sqrt(ratio) * random.normal(size=LOADS)
    prints = plain.X @ TRUTH + load[plain.load] + PRINT_SD * random.normal(size=len(plain.X))
    y = prints[plain.of_print] + random.normal(size=len(plain.of_print))
    others = TRUTH[2:] @ TRUTH[2:]
    limit = TRUTH[:2].sum() - stats.norm.ppf(ABOVE) * np.sqrt(ratio + PRINT_SD**2 + 1 + others)
    return arranged(np.where(y > limit, limit, y), np.where(y > limit, np.inf, y)), arranged(y, y)


def judged(made):
    """Return, per asked row, whether its interval holds the truth, and its half-width."""
    data, mixed, found = made
    limits = inference.means(inference.infer(data, mixed, found.random, found.load_dof), ASKED, 0.95)
    aim = ASKED @ TRUTH
    return np.column_stack([(limits.low <= aim) & (aim <= limits.high), (limits.high - limits.low) / 2])


def are_added(made):
    """Whether prints that say less than half of a measured one count, since without them nothing judges the loads."""
    data, mixed, found = made
    if data.weights is None or "load" not in found.random or not found.load_dof:
        return False
    taken = inference._speaking_prints(data, mixed, found.random)
    said = inference.shares_said(data, mixed.variances, found.random)
    return len(taken.names) > int((said >= inference._HALF).sum())


def study(ratio, studies, random):
    """Return the studies in which prints are added: limits and all measured, each (m, 2, 2)."""
    kept = []
    for _ in range(studies):
        limited, measured = drawn(ratio, random)
        made, whole = fitted(limited, "limits"), fitted(measured, "all measured")
        if made is not None and whole is not None and are_added(made):
            kept.append((judged(made), judged(whole)))
    return [np.array(part) for part in zip(*kept, strict=True)]


def main(studies=260, seed=5):
    random = np.random.default_rng(seed)
    print(f"{studies} studies a ratio, seed {seed}; coverage % and median half-width")
    for ratio in RATIOS:
        found = study(ratio, studies, random)
        if not found:
            print(f"ratio {ratio:g}: no study of this kind")
            continue
        for way, part in zip(("limits", "all measured"), found, strict=True):
            told = [
                f"{what} {100 * part[:, at, 0].mean():.0f} ({np.median(part[:, at, 1]):.2f})"
                for at, what in enumerate(("load slope", "mean at the limited end"))
            ]
            print(f"ratio {ratio:g}, {len(part)} studies, {way}: {', '.join(told)}", flush=True)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
