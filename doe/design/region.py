"""The region of a study as arrays: levels of each factor, factors fixed in a load, constraints."""

import itertools
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.stats import qmc

from doe.numerics import catalogue, coding, search, terms
from doe.study import scale
from doe.study.spec import Constraint, Factor, Study

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_MOST_LEVELS = 41
_SAMPLE = 2**12


def grids(study: Study, *, two_levels: bool = False) -> tuple[Array, ...]:
    """
    Return the coded values that each factor may take, ascending.

    On the factor's increments; where there are more than 41 of them, 41 that are spread over its scale. With two levels
    only the ends of the range; a categorical factor keeps all its levels.
    """
    return tuple(_grid(factor, two_levels=two_levels) for factor in study.factors)


def few(grids: tuple[Array, ...], counts: tuple[int, ...]) -> tuple[Array, ...]:
    """Return of each numeric factor's values, of any shape (m,), the ends and the one nearest the middle; else all levels."""
    return tuple(
        grid if count or len(grid) < 3 else search.ends_and_middle(grid) for grid, count in zip(grids, counts, strict=True)
    )


def level_combinations(study: Study) -> Array:
    """
    Return every combination of the categorical factors' levels.

    Returns
    -------
    ndarray of shape (m, q)
        Level indices of the q categorical factors; one row without columns where there are none.
    """
    counts = tuple(count for count in scale.level_counts(study) if count)
    return catalogue.full_factorial(counts) if counts else np.zeros((1, 0))


def _grid(factor: Factor, *, two_levels: bool) -> Array:
    if factor.levels is not None:
        return np.arange(len(factor.levels), dtype=float)
    if two_levels:
        return np.array([-1.0, 1.0])
    assert factor.low is not None and factor.high is not None and factor.increment is not None
    steps = round((factor.high - factor.low) / factor.increment)
    even = np.linspace(0, steps, min(steps + 1, _MOST_LEVELS))
    if factor.has_nonlinear_scale and steps >= _MOST_LEVELS:
        even = (factor.coding.natural(np.linspace(-1, 1, _MOST_LEVELS)) - factor.low) / factor.increment
    kept = np.unique(np.round(even))
    natural = coding.round_to_increment(factor.low + factor.increment * kept, factor.increment, factor.low)
    return factor.coding.coded(natural)


def hard(study: Study) -> tuple[int, ...]:
    """Return the positions of the factors that are fixed in a load."""
    return tuple(index for index, factor in enumerate(study.factors) if factor.change == "load")


def limits(study: Study) -> tuple[Array, Array] | None:
    """Return the constraints in coded units as A, shape (m, k), and b, with A z <= b; None where there are none."""
    if not study.constraints:
        return None
    rows = [_row(study, constraint) for constraint in study.constraints]
    sizes = [max(np.abs(row).max(), 1e-300) for row, _ in rows]
    return (
        np.array([row / size for (row, _), size in zip(rows, sizes, strict=True)]),
        np.array([bound / size for (_, bound), size in zip(rows, sizes, strict=True)]),
    )


def _row(study: Study, constraint: Constraint) -> tuple[Array, float]:
    row, bound = np.zeros(len(study.factors)), constraint.limit
    for index, factor in enumerate(study.factors):
        weight = constraint.coef.get(factor.name, 0.0)
        if weight and factor.is_numeric:
            row[index] = weight * factor.half_range
            bound -= weight * factor.centre
    return row, bound


def allowed(study: Study, settings: Array) -> Flags:
    """Return which settings, coded, shape (n, k), satisfy the constraints."""
    found = limits(study)
    if found is None:
        return np.ones(len(settings), dtype=bool)
    return np.asarray((settings @ found[0].T <= found[1] + 1e-9).all(axis=1))


def spread(study: Study, box: Array | None = None) -> Array:
    """
    Return what the constraints leave of 4,096 settings spread evenly (Sobol 1967) over the levels and the ranges, or a box.

    Parameters
    ----------
    study : Study
    box : ndarray of shape (k, 2), optional
        Low and high, coded, of the numeric factors; the whole ranges without it.

    Returns
    -------
    ndarray of shape (m, k)
        Coded units.
    """
    counts = np.array(scale.level_counts(study))
    low, high = (np.full(len(counts), -1.0), np.full(len(counts), 1.0)) if box is None else box.T
    points = qmc.Sobol(len(counts), scramble=False).random(_SAMPLE)
    settings = np.where(counts > 0, np.floor(points * counts), low + (high - low) * points)
    return np.asarray(settings[allowed(study, settings)])


def moments(study: Study, model: Sequence[terms.Term], box: Array | None = None) -> Array | None:
    """
    Return the average of ff' over what the constraints leave of a region, f the model's columns.

    Parameters
    ----------
    study : Study
    model : sequence of Term
    box : ndarray of shape (k, 2), optional
        Low and high, coded, of the numeric factors; the whole ranges without it.

    Returns
    -------
    ndarray of shape (p, p) or None
        From the settings of :func:`spread`; None where there are no constraints, or they leave none of these.
    """
    if not study.constraints:
        return None
    kept = spread(study, box)
    if not len(kept):
        return None
    F = terms.model_matrix(kept, model, scale.level_counts(study))
    return np.asarray(F.T @ F / len(F))


def cut_corners(study: Study) -> list[dict[str, float]]:
    """
    Return the corners of the factors' ranges that a constraint cuts off.

    Returns
    -------
    list of dict of factor name to value
        Natural units; only the factors that stand in a constraint, each combination once.
    """
    named = [factor for factor in study.factors if any(one.coef.get(factor.name) for one in study.constraints)]
    corners = []
    for values in itertools.product(*((factor.low, factor.high) for factor in named)):
        corner = {factor.name: float(value) for factor, value in zip(named, values, strict=True) if value is not None}
        if any(_exceeds(one, corner) for one in study.constraints):
            corners.append(corner)
    return corners


def _exceeds(constraint: Constraint, corner: dict[str, float]) -> bool:
    total = sum(weight * corner[name] for name, weight in constraint.coef.items() if weight)
    return total > constraint.limit + 1e-9 * max(1.0, abs(constraint.limit))


def coded_setting(study: Study, setting: dict[str, float | str]) -> Array:
    """Return one setting in coded units, shape (k,)."""
    return np.asarray(scale.coded(study, {name: [value] for name, value in setting.items()})[0])


def position(study: Study, setting: Array) -> str:
    """
    Return where a setting, coded and of shape (k,), stands in its numeric factors.

    At a corner, the centre, axial, on an edge (some at an end) or inside.
    """
    numeric = np.array([factor.is_numeric for factor in study.factors])
    values = np.abs(setting[numeric])
    if (values > 1 - 1e-9).all():
        return "corner"
    away = "edge" if (values > 1 - 1e-9).any() else "inside"
    return {0: "centre", 1: "axial"}.get(int((values > 1e-9).sum()), away)
