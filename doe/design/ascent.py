"""The line of steepest ascent: how far each factor moves when one of them moves by a step, up to where the line must end."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.design import around, region, setpoints
from doe.errors import InputRefused, Problem
from doe.study import scale
from doe.study.spec import Factor, Study
from doe.verdicts import Verdict

Array = NDArray[np.float64]

_STILL = 1e-12
_FEWEST_SETTINGS = 3


@dataclass(frozen=True)
class Line:
    """
    A line to print along.

    Parameters
    ----------
    start : ndarray of shape (k,)
        Coded units; a level's index for a categorical factor, which stays at it.
    direction : ndarray of shape (k,)
        Coefficients of a first-order model, coded units, their signs reversed for a descent; 0 for a categorical factor.
    """

    start: Array
    direction: Array


@dataclass(frozen=True)
class LinePoints:
    """Settings on a line, from its start, coded and on the increments, shape (n, k)."""

    coded: Array
    steps: dict[str, float]
    """By how much each numeric factor moves in one step, natural units, before rounding to the increments; in the first step,
    where its scale is not linear."""
    verdicts: tuple[Verdict, ...]


def points(study: Study, line: Line | None, prints: int) -> LinePoints:
    """
    Lay prints along a line: the start, then equal steps up to where a range, a printer's limit or a constraint ends it.

    Settings are rounded to the increments, and one that repeats the setting before it is left out.

    Parameters
    ----------
    study : Study
    line : Line or None
        None is refused.
    prints : int
        2 or more, with the start.

    Raises
    ------
    InputRefused
        Where the direction is not known, or fewer than three settings lie on the line.
    """
    if line is None or not np.abs(line.direction).max(initial=0.0) > 0:
        raise InputRefused(
            Problem(
                "--kind ascent",
                "no direction is known",
                "the line follows the main effects of a fit",
                "run 'doe fit' first, and name the response with --response",
            )
        )
    far = reach(line.start, line.direction, around.whole(study).bounds, region.limits(study))
    half_range = np.array([factor.half_range if _is_linear(factor) else 1.0 for factor in study.factors])
    first = int(np.abs(line.direction).argmax())
    steps = np.zeros(len(half_range))
    if far > 0:
        longest = far / (prints - 1) * abs(line.direction[first]) * half_range[first]
        steps = natural_steps(line.direction, half_range, first, longest)
    targets, _ = setpoints.on_increments(study, along(line.start, steps / half_range, prints))
    coded = scale.coded(study, targets)
    kept = _first_of_each(coded, region.allowed(study, coded))
    if len(kept) < _FEWEST_SETTINGS:
        raise InputRefused(
            Problem(
                "--kind ascent",
                f"{len(kept)} different settings lie on the line before it meets a limit",
                f"at least {_FEWEST_SETTINGS}",
                "use a finer increment, or another --kind",
            )
        )
    return LinePoints(coded[kept], _moved(study, line.start, steps), tuple(_verdicts(prints, len(kept))))


def _is_linear(factor: Factor) -> bool:
    return factor.is_numeric and not factor.has_nonlinear_scale


def _moved(study: Study, start: Array, steps: Array) -> dict[str, float]:
    """Return the first step of every numeric factor, natural units; its step in coded units where the scale is not linear."""
    moved = {}
    for factor, at, step in zip(study.factors, start, steps, strict=True):
        if factor.has_nonlinear_scale:
            first, second = factor.coding.natural([at, at + step])
            moved[factor.name] = float(second - first)
        elif factor.is_numeric:
            moved[factor.name] = float(step)
    return moved


def _first_of_each(coded: Array, allowed: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return the rows before the first that is not allowed, without those that repeat the one before."""
    ends = len(coded) if allowed.all() else int(np.argmin(allowed))
    new = np.append(True, (np.diff(coded, axis=0) != 0).any(axis=1))
    return np.flatnonzero(new[:ends])


def _verdicts(asked: int, made: int) -> list[Verdict]:
    found = [
        Verdict(
            "prints in the order of the line",
            "steps along a line are printed one after another, so a drift in time would look like an effect",
            "stop where the response no longer rises (or falls), record the rest as skipped, and print the best setting again",
        )
    ]
    if made < asked:
        cause = f"{made} of {asked} settings are left after rounding to the increments and at the limits"
        found.append(Verdict("fewer prints than asked for", cause, "use a finer increment if the printers allow it"))
    return found


def natural_steps(direction: Array, half_range: Array, factor: int, step: float) -> Array:
    """
    Return by how much every factor moves along the line while one of them moves by a given step.

    In coded units the moves are proportional to the coefficients of the first-order model: of all moves of one length that
    is the one which raises the response most.

    Parameters
    ----------
    direction : ndarray of shape (k,)
        Coefficients of the first-order model, coded units; with all signs reversed for a descent.
    half_range : ndarray of shape (k,)
        Half of each factor's range, natural units: one coded unit.
    factor : int
        The factor whose step is given.
    step : float
        Its step, natural units, above 0: it moves in the direction of its own coefficient.

    Returns
    -------
    ndarray of shape (k,)
        Natural units.

    Raises
    ------
    ValueError
        Where the coefficient of that factor is 0, or the step is not above 0.

    References
    ----------
    Box and Wilson, "On the experimental attainment of optimum conditions", J. R. Stat. Soc. B 13 (1951) 1. Montgomery,
    *Design and Analysis of Experiments*, section 11.2.
    """
    if abs(direction[factor]) <= _STILL * float(np.abs(direction).max(initial=1.0)):
        raise ValueError("the factor whose step is given does not move along the line: its coefficient is 0")
    if not step > 0:
        raise ValueError(f"the step must be above 0, and it is {step:g}")
    return np.asarray(direction / abs(direction[factor]) * step / half_range[factor] * half_range, dtype=float)


def reach(start: Array, direction: Array, bounds: Array, limits: tuple[Array, Array] | None = None) -> float:
    """
    Return how far the line goes before it meets a bound: the largest t for which start + t direction is allowed.

    Parameters
    ----------
    start, direction : ndarray of shape (k,)
        Coded units; a factor with direction 0 stays.
    bounds : ndarray of shape (k, 2)
        Lowest and highest allowed value of each factor, coded units.
    limits : tuple of ndarray, optional
        Constraints A z <= b: A of shape (m, k), b of shape (m,), coded units.

    Returns
    -------
    float
        0 where the start is on a bound that the line would cross; infinity where nothing ends the line.
    """
    rows = np.vstack([np.eye(len(start)), -np.eye(len(start))])
    room = np.concatenate([bounds[:, 1], -bounds[:, 0]])
    if limits is not None:
        rows, room = np.vstack([rows, limits[0]]), np.concatenate([room, limits[1]])
    closing = rows @ direction
    meets = closing > _STILL
    if not meets.any():
        return float("inf")
    return max(0.0, float(((room - rows @ start)[meets] / closing[meets]).min()))


def along(start: Array, step: Array, count: int) -> Array:
    """Return the start and the points 1, 2, ... steps from it, shape (count, k), in the units of start and step."""
    return np.asarray(start + np.arange(count)[:, None] * step, dtype=float)
