"""
How often nominal 95 % intervals hold the truth: coefficients, and means at settings fixed beforehand.

Run it as ``python -m tests.studies.interval_coverage [studies] [seed]``. Plans of 24 prints in 4 loads, 30 in 6 and 36 in 9 (the
plan that ``doe plan`` searches for, and the face-centred central composite one), full quadratic in four factors, one of
them fixed in the load; load to print variance ratios from 0 to 3. The largest Monte Carlo standard error is printed.
"""

import sys

import numpy as np

from doe.design import check
from doe.design.plan import plan_runs
from doe.design.request import PlanRequest
from doe.numerics.batched import fit_batch, share_plan
from doe.numerics.intervals import mean_interval
from doe.numerics.precision import batch_contrasts
from doe.numerics.terms import model_matrix
from doe.study import scale
from tests.conftest import make_study

SIZES = ((24, 4), (30, 6), (36, 9))
RATIOS = (0.0, 0.1, 1.0, 3.0)
SETTINGS = np.array([[0.0, 0.0, 0.0, 0.0], [0.5, -0.5, 0.5, 0.5], [1.0, 1.0, -1.0, 1.0]])
COLUMNS = ("load linear", "load square", "print linear", "other print", "centre", "halfway", "corner")


def shared(study, kind, prints, loads):
    """Return what the fits of one plan share."""
    if kind == "compound":
        request = PlanRequest(kind="compound", prints=prints, loads=loads, one_round=True, seed=1)
    else:
        request = PlanRequest(kind="central-composite", centre=prints - 24, loads=loads, seed=1)
    X, load = check.matrix(study, plan_runs(study, request).runs)
    return share_plan(X, load)


def coverage(plan, rows, ratio, studies, generator):
    """Return the share of the intervals that hold the truth, which is zero, and their median half-widths, per row."""
    n, loads = len(plan.model), int(plan.load.max()) + 1
    values = generator.normal(size=(studies, n))
    values += np.sqrt(ratio) * generator.normal(size=(studies, loads))[:, plan.load]
    found = batch_contrasts(fit_batch(plan, values), rows)
    limits = mean_interval(found.estimates, found.se, found.dof)
    holds = (limits[..., 0] <= 0) & (limits[..., 1] >= 0)
    return holds.mean(axis=0), np.median(limits[..., 1] - limits[..., 0], axis=0) / 2


def grouped(values, model):
    """Return the figures of ``COLUMNS``: averages over coefficients of a kind, then the means one by one."""
    linear, square = model.index((3,)), model.index((3, 3))
    mains = [model.index((factor,)) for factor in range(3)]
    others = [place for place, term in enumerate(model) if len(term) == 2 and place != square]
    return [values[linear], values[square], values[mains].mean(), values[others].mean(), *values[len(model) :]]


def main(studies=10_000, seed=1):
    """Print coverage in percent and median half-widths in print standard deviations."""
    generator = np.random.default_rng(seed)
    study = make_study(printers=[], budget={})
    model, levels = scale.model_terms(study), scale.level_counts(study)
    rows = np.vstack([np.eye(len(model)), model_matrix(SETTINGS, model, levels)])
    print(
        f"{studies} studies a line, seed {seed}; Monte Carlo standard error {100 * np.sqrt(0.0475 / studies):.2f} at 95 %"
    )
    print(" " * 32 + "".join(f"{name:>14}" for name in COLUMNS) + "   (coverage %, half-width)")
    for kind in ("compound", "central-composite"):
        for prints, loads in SIZES:
            plan = shared(study, kind, prints, loads)
            for ratio in RATIOS:
                found = [grouped(part, model) for part in coverage(plan, rows, ratio, studies, generator)]
                shown = "".join(f"{100 * share:8.1f} {half:5.2f}" for share, half in zip(*found, strict=True))
                print(f"{kind:18} {prints:3}/{loads} ratio {ratio:3g} {shown}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
