"""A region for a further round: the box around an answer, in which prints to add are searched."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.design import check, optimal, order, region, setpoints
from doe.design.calibrated import line_of
from doe.design.optimal import Prints
from doe.errors import InputRefused, Problem
from doe.numerics import calibration, search, terms
from doe.study import scale
from doe.study.spec import Factor, Study
from doe.study.z_direction import limits_of
from doe.verdicts import Verdict

Array = NDArray[np.float64]
Codes = NDArray[np.int64]
Flags = NDArray[np.bool_]

HALF_WIDTH = 0.4
"""Of the box around the first answer, coded: the best of the widths that were simulated with two rounds."""
_SLACK = 1e-9


@dataclass(frozen=True)
class Box:
    """
    The part of the factors' ranges in which a round is printed.

    Parameters
    ----------
    bounds : ndarray of shape (k, 2)
        Lowest and highest coded value; the level indices' ends for a categorical factor, which keeps all its levels.
    clipped : tuple of str
        Factors whose side would lie beyond their range or a printer's limits, and ends there.
    """

    bounds: Array
    clipped: tuple[str, ...] = ()


def whole(study: Study) -> Box:
    """Return the whole region: every factor's range as far as every printer reaches it."""
    return around(study, np.zeros(len(study.factors)), 1.0)


def around(study: Study, centre: Array, half_width: float) -> Box:
    """
    Return the box around a setting, as far as ranges and printers allow.

    Parameters
    ----------
    study : Study
    centre : ndarray of shape (k,)
        Coded units; the entries of categorical factors do not matter.
    half_width : float
        Coded units, above 0.

    Raises
    ------
    InputRefused
        Where the width is not above 0, or nothing of the box can be set.
    """
    if not half_width > 0:
        raise InputRefused(
            Problem("--width", f"{half_width:g}", "half of the box's width, in half ranges, above 0", "give 0.2 to 1")
        )
    bounds, clipped = np.zeros((len(study.factors), 2)), []
    for place, factor in enumerate(study.factors):
        if factor.levels is not None:
            bounds[place] = 0, len(factor.levels) - 1
            continue
        wanted = centre[place] + half_width * np.array([-1.0, 1.0])
        ends = _reached(study, factor)
        bounds[place] = np.clip(wanted, *ends)
        if bounds[place, 0] >= bounds[place, 1] - _SLACK:
            raise _outside(factor, ends)
        if (np.abs(bounds[place] - wanted) > _SLACK).any():
            clipped.append(factor.name)
    return Box(bounds, tuple(clipped))


def grids(study: Study, box: Box) -> tuple[Array, ...]:
    """Return the coded values that each factor may take in a box, ascending; the nearest one where none lies in it."""
    found = []
    for factor, values, bounds in zip(study.factors, region.grids(study), box.bounds, strict=True):
        if factor.levels is not None:
            found.append(values)
            continue
        allowed = values[settable(study, factor, values)]
        inside = allowed[(allowed >= bounds[0] - _SLACK) & (allowed <= bounds[1] + _SLACK)]
        found.append(inside if len(inside) else allowed[[np.abs(allowed - bounds.mean()).argmin()]])
    return tuple(found)


def settable(study: Study, factor: Factor, coded: Array) -> Flags:
    """Return which values of a numeric factor, coded and of shape (m,), every printer of the study can be set to."""
    natural = setpoints.on_grid(factor, factor.coding.natural(coded))
    allowed = np.ones(len(natural), dtype=bool)
    for printer in study.printers:
        limits = limits_of(factor, printer)
        if limits is not None:
            low, high = limits
            line = line_of(printer, factor)
            to_set = natural if line is None else setpoints.on_grid(factor, calibration.to_set(line, natural))
            for values in (natural, to_set):
                allowed &= (values >= low - _SLACK) & (values <= high + _SLACK)
    return allowed


def added(
    study: Study, runs: pd.DataFrame, box: Box, load: Codes, model: tuple[terms.Term, ...], seed: int
) -> Prints:
    """
    Search for the prints that tell most about a box, together with those that were made before.

    The earlier prints stay as they are, printers and rounds are fixed effects, and prediction is averaged over the box.

    Parameters
    ----------
    study : Study
    runs : DataFrame
        Earlier prints, as of a Design: those that gave values.
    box : Box
    load : ndarray of shape (n,)
        Load code of each print to add, 0, 1, ... in run order; -1 throughout where there are no loads.
    model : tuple of Term
    seed : int

    Returns
    -------
    Prints
        The added prints alone, in run order.

    Raises
    ------
    InputRefused
        Where no such prints satisfy the constraints.
    """
    printer = optimal.printers_in_turn(study, len(load))
    task = _task(study, runs, box, load, printer, model)
    sequence, _ = order.run_order(load, printer, np.random.default_rng(seed))
    settings = _found(task, seed)[len(runs) :][sequence]
    kinds = [region.position(study, row) for row in settings]
    return Prints(settings, kinds, load[sequence], printer[sequence])


def _found(task: search.Task, seed: int) -> Array:
    try:
        return search.search(task, starts=optimal.STARTS, seed=seed).settings
    except ValueError as error:
        raise InputRefused(
            Problem(
                "the search for further prints",
                str(error),
                "prints that satisfy the constraints and, with the earlier ones, can estimate the model",
                "give more prints, relax [[constraints]], or leave --terms out",
            )
        ) from None


def in_words(study: Study, box: Box) -> dict[str, list[float] | list[str]]:
    """Return a box in natural units, by factor: its low and high, or all levels."""
    found: dict[str, list[float] | list[str]] = {}
    for factor, ends in zip(study.factors, box.bounds, strict=True):
        if factor.levels is not None:
            found[factor.name] = list(factor.levels)
        else:
            found[factor.name] = factor.coding.natural(ends).round(9).tolist()
    return found


def verdicts(box: Box) -> tuple[Verdict, ...]:
    """Return a verdict where the box ends at a range or a printer's limit."""
    if not box.clipped:
        return ()
    return (
        Verdict(
            "region ends at the range",
            f"it would go beyond the range or a printer's limits in {', '.join(box.clipped)}",
            "for settings beyond the range start a new study with other ranges; the best may lie there",
        ),
    )


def _task(
    study: Study, runs: pd.DataFrame, box: Box, load: Codes, printer: Codes, model: tuple[terms.Term, ...]
) -> search.Task:
    """Put the earlier prints, fully given, before the free ones; loads, printers and rounds continue."""
    made, free = len(runs), len(load)
    counts = scale.level_counts(study)
    names = [one.name for one in study.printers]
    earlier = scale.coded(study, check.settings_of(study, runs))
    return search.Task(
        terms=model,
        levels=counts,
        runs=made + free,
        grids=grids(study, box),
        load=_codes_of_all(runs, load),
        hard=region.hard(study) if load.max(initial=-1) >= 0 else (),
        blocks=np.hstack(
            [
                check.block_columns(
                    [*runs["printer"], *(names[code] if code >= 0 else "" for code in printer.tolist())]
                ),
                check.block_columns([*check.round_blocks(runs), *["new"] * free]),
            ]
        ),
        limits=region.limits(study),
        fixed=np.vstack([earlier, np.full((free, len(counts)), np.nan)]),
        moments=region.moments(study, model, box.bounds),
        box=box.bounds,
    )


def _codes_of_all(runs: pd.DataFrame, load: Codes) -> Codes | None:
    """Return the load codes of earlier and added prints, those of the added ones after all earlier ones."""
    if load.max(initial=-1) < 0:
        return None
    earlier = check.codes(list(runs["load"]))
    return np.concatenate([earlier, load + earlier.max(initial=-1) + 1])


def _reached(study: Study, factor: Factor) -> Array:
    """Return the lowest and highest value, coded, of a numeric factor's range that every printer can be set to."""
    place = study.factors.index(factor)
    values = region.grids(study)[place]
    allowed = values[settable(study, factor, values)]
    if not len(allowed):
        raise InputRefused(
            Problem(
                f"study.toml, factor '{factor.name}'",
                "no value of its range can be set on every printer",
                "printers' limits and the range must overlap",
                "look at the limits of the printers",
            )
        )
    return allowed[[0, -1]]


def _outside(factor: Factor, ends: Array) -> InputRefused:
    low, high = factor.coding.natural(ends)
    return InputRefused(
        Problem(
            f"the region around the answer, factor '{factor.name}'",
            "nothing of it can be set",
            f"from {low:g} to {high:g} {factor.display_unit}".rstrip() + " every printer can be set within the range",
            "choose another centre or a greater --width",
        )
    )
