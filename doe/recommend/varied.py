"""The model of one response in the numeric factors that vary, the others held."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.model.data import ResponseData
from doe.numerics import terms
from doe.recommend.search import Region
from doe.study.spec import Study

Array = NDArray[np.float64]

_MOST_FACTORS = 6
_SLACK = 1e-9


@dataclass(frozen=True)
class Part:
    """The model of one response in the factors that vary: ``terms`` q of them, ``matrix`` (q, p) from all coefficients."""

    free: tuple[int, ...]
    terms: tuple[terms.Term, ...]
    matrix: Array
    bounds: Array
    weights: Array
    limits: Array
    names: tuple[str, ...]
    """Of the constraints."""

    def inside(self, points: Array) -> NDArray[np.bool_]:
        """Whether coded points, of shape (m, k), lie within the bounds and the constraints."""
        within = np.all((points >= self.bounds[:, 0] - _SLACK) & (points <= self.bounds[:, 1] + _SLACK), axis=1)
        return np.asarray(within & np.all(points @ self.weights.T <= self.limits + _SLACK, axis=1))


def part_of(study: Study, area: Region, data: ResponseData, coded: Array) -> Part | str:
    """
    Return the model in the factors that vary, or why there is none to look at.

    Parameters
    ----------
    study : Study
    area : Region
    data : ResponseData
    coded : ndarray of shape (1, k)
        The recommended setting, coded units; other factors stay there.

    Returns
    -------
    Part or str
    """
    known = {factor for term in data.model for factor in term}
    varied = (place for place, axis in enumerate(area.axes) if axis.factor.is_numeric and len(axis.natural) > 1)
    free = tuple(place for place in varied if place in known)
    position = {factor: place for place, factor in enumerate(free)}
    columns = [
        tuple(position[factor] for factor in term if factor in position)
        for term, _ in terms.column_terms(data.model, data.levels)
    ]
    if not free or len(free) > _MOST_FACTORS:
        return f"its model has {len(free)} numeric factors that vary; one to {_MOST_FACTORS} are looked at"
    if max(map(len, columns)) > 2:
        return "its model has terms beyond squares and products of two"
    if not any(len(set(term)) < len(term) for term in columns):
        return "its model has no squared term: the best mean lies at the ends of the ranges, whatever the data"
    held = coded.copy()
    held[0, list(free)] = 1.0  # a column is then what multiplies its product of the factors that vary
    unique = tuple(dict.fromkeys(columns))
    matrix = np.zeros((len(unique), data.X.shape[1]))
    for column, (term, value) in enumerate(
        zip(columns, terms.model_matrix(held, data.model, data.levels)[0], strict=True)
    ):
        matrix[unique.index(term), column] = value
    bounds = np.array([[area.axes[place].coded[0], area.axes[place].coded[-1]] for place in free])
    return Part(free, unique, matrix, bounds, *_constraints(study, area, free, coded))


def _constraints(
    study: Study, area: Region, free: tuple[int, ...], coded: Array
) -> tuple[Array, Array, tuple[str, ...]]:
    """Return weights and limits in the coded factors that vary, with the constraints in words."""
    base = np.zeros(len(area.axes))
    half = np.zeros(len(area.axes))
    for place, axis in enumerate(area.axes):
        if axis.factor.is_numeric:
            base[place], half[place] = axis.factor.centre, axis.factor.half_range
            if place not in free:
                base[place] += half[place] * coded[0, place]
    weights = (area.weights * half)[:, list(free)]
    bite = np.any(weights != 0, axis=1)
    limits = area.limits - area.weights @ base
    names = tuple(
        " + ".join(f"{value:g} {name}" for name, value in one.coef.items()) + f" at most {one.limit:g}"
        for one, counts in zip(study.constraints, bite, strict=True)
        if counts
    )
    return weights[bite], limits[bite], names


def quantiles(values: Array, level: float) -> tuple[float, float, float]:
    """Return median, lower and upper limit of values of any shape."""
    middle, low, high = np.quantile(values, [0.5, (1 - level) / 2, (1 + level) / 2])
    return float(middle), float(low), float(high)


def natural_value(area: Region, place: int, coded: float) -> float:
    """Return a coded value of a numeric factor in its unit."""
    factor = area.axes[place].factor
    return float(factor.coding.natural(coded) if factor.has_nonlinear_scale else factor.centre + factor.half_range * coded)
