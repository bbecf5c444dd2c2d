"""A pilot: a few corner prints before drying loads are spent, to see whether the edges of the region print at all."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.design import optimal, order, plan, region, setpoints
from doe.design.plan import Design
from doe.numerics import search
from doe.study import scale
from doe.study.spec import Study

Array = NDArray[np.float64]


def plan_pilot(study: Study, seed: int) -> Design:
    """
    Plan a pilot: round 0, one drying load, corners of what changes from print to print.

    The corners are those that estimate the main effects best (D-optimal), so that every factor stands at both ends; what is
    fixed in a load stands in its middle. Pilot prints are recorded and reported, and are not fitted.

    Parameters
    ----------
    study : Study
    seed : int

    Raises
    ------
    InputRefused
        Where the constraints leave no such settings, or a printer cannot reach them.
    """
    within = [index for index, factor in enumerate(study.factors) if factor.change == "print"]
    prints = 4 if len(within) <= 3 else 6 if len(within) <= 5 else 8
    dried = bool(study.load_factors) or study.budget.loads is not None
    grids = region.grids(study, two_levels=True)
    middle = [grid[np.argmin(np.abs(grid))] for grid in region.grids(study)]
    grids = tuple(grid if index in within else np.array([middle[index]]) for index, grid in enumerate(grids))
    task = search.Task(
        terms=((), *((index,) for index in within)),
        levels=scale.level_counts(study),
        runs=max(prints, 1 + sum(max(count - 1, 1) for count in np.array(scale.level_counts(study))[within])),
        grids=grids,
        limits=region.limits(study),
        criterion="d",
    )
    found = optimal.run(task, seed)
    targets, _ = setpoints.on_increments(study, found.settings)
    return Design(_rows(study, targets, dried=dried, seed=seed), facts={"kind": "pilot", "why": _why(study, len(targets))})


def _rows(study: Study, targets: pd.DataFrame, *, dried: bool, seed: int) -> pd.DataFrame:
    generator = np.random.default_rng(seed)
    printer = optimal.printers_in_turn(study, len(targets))
    load = np.full(len(targets), 0 if dried else -1, dtype=np.int64)
    sequence, _ = order.run_order(load, printer, generator)
    return plan.assemble(
        study,
        targets.iloc[sequence].reset_index(drop=True),
        load[sequence],
        printer[sequence],
        ["corner"] * len(targets),
        plan.Provenance("pilot", seed, round=plan.PILOT),
    )


def _why(study: Study, prints: int) -> tuple[str, ...]:
    held = ", ".join(factor.name.replace("_", " ") for factor in study.load_factors)
    return (
        f"{prints} corner prints show whether these corners of the region print at all, before the plan's drying loads are spent"
        + (f"; {held} stands in its middle, in one load of their own." if held else "."),
        "They come on top of the budget, are recorded and reported, and not fitted. Where a corner fails, narrow the range "
        "with 'doe amend'; then run 'doe plan'.",
    )
