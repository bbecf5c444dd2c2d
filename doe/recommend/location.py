"""
Where the best mean of each response lies, and how well that is known.

A setting is recommended by all requirements together. This looks at one response at a time: at which setting its mean is
highest (or lowest, where less is asked for), within the values that could be recommended and the study's constraints. The
answer is found in every draw of the posterior, so that it comes with an interval and with the share of draws in which the
best lies at an end of what was tried.

In 200 simulated studies each (18 prints in 10 loads, three factors, print standard deviation a third to a half of what the
hill falls across the ranges; load to print variance ratio 0 and 1; top inside, on a ridge, at an end, on a saddle) 95 %
intervals held the true place, factor by factor, in 95 to 100 %; where the top lay a twentieth of the range inside of an end, in
92 to 98 %. The level region of Box and Hunter held a true inner top in 95 to 98 %. Intervals of the bending along fitted axes
held in 86 to 99 %, least for the axis that bends down least, and its sign was said wrongly in less than 1 %
(tests/studies/location_coverage.py).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.model.data import ResponseData
from doe.model.measured import Fitted
from doe.numerics import optimum, reml, surface, terms
from doe.numerics.posterior import Draws
from doe.recommend.search import Region
from doe.study.spec import Response, Study

Array = NDArray[np.float64]

HIGHEST, LOWEST = "highest", "lowest"
FALLS, RISES, NOT_KNOWN = "falls to both sides", "rises to both sides", "not known"

_MOST_FACTORS = 6
_MANY = 4  # factors, beyond which fewer draws are taken: the work grows with three to their number
_FEWER = 500
_STEPS = 5
_FINE = 100  # radii at which the path is tried for leaving the region
_HALVINGS = 40
_SLACK = 1e-9


@dataclass(frozen=True)
class FactorPlace:
    """
    Where one factor is best for one response.

    Parameters
    ----------
    factor, unit : str
    median, low, high : float
        Of the draws' best settings, natural units; low and high at the study's level.
    from_, to : float
        The ends of what was looked at, natural units.
    at_from, at_to : float
        Share of the draws whose best setting lies on the lower, and on the upper of these ends.
    increment : float
        Finest step that can be set.
    """

    factor: str
    unit: str
    median: float
    low: float
    high: float
    from_: float
    to: float
    at_from: float
    at_to: float
    increment: float


@dataclass(frozen=True)
class Curvature:
    """
    How the mean bends along one axis of the fitted surface.

    Parameters
    ----------
    direction : dict of factor name to float
        Unit vector, coded units.
    estimate, low, high : float
        Half the second derivative along it, on the scale of the model; the interval is of the draws along this fixed axis.
    sign : str
        ``falls to both sides``, ``rises to both sides``, or ``not known`` where the interval holds zero.
    """

    direction: dict[str, float]
    estimate: float
    low: float
    high: float
    sign: str


@dataclass(frozen=True)
class Shape:
    """
    The point at which the fitted surface is level, and what kind of point it is.

    Parameters
    ----------
    point : dict of factor name to float
        Natural units; it may lie far outside of what was tried.
    inside : bool
        Whether it lies inside of what was looked at.
    mean : float
        There, response units.
    nature : str
        ``maximum``, ``minimum``, ``saddle`` or ``ridge``, by the estimates.
    shares : dict of str to float
        Share of the draws by nature.
    curvatures : tuple of Curvature
        One an axis, the most negative first.
    p_value : float or None
        Of the hypothesis that the true surface is level at the recommended setting (Box and Hunter 1954); None where there are
        too few loads to test it.
    may_be_level : bool or None
        Whether the recommended setting belongs to the confidence region of the level point.
    """

    point: dict[str, float]
    inside: bool
    mean: float
    nature: str
    shares: dict[str, float]
    curvatures: tuple[Curvature, ...]
    p_value: float | None
    may_be_level: bool | None


@dataclass(frozen=True)
class PathStep:
    """The setting with the best predicted mean at a distance from the middle of what was looked at."""

    distance: float
    """Coded units: 1 is half of a factor's range."""
    settings: dict[str, float]
    mean: float


@dataclass(frozen=True)
class Location:
    """
    Where the mean of one response is best.

    Parameters
    ----------
    response, unit : str
    sense : str
        ``highest`` or ``lowest``: what the requirement, or the aim, asks for.
    places : tuple of FactorPlace
    at_constraints : dict of str to float
        Share of the draws whose best setting lies on a constraint of the study, by the constraint in words.
    mean, mean_low, mean_high : float
        The best mean itself over the draws, response units; with a logarithm the median of the response.
    held : dict of factor name to value
        Factors that stay at the recommended setting: named levels, and what cannot be varied.
    no_part : tuple of str
        Numeric factors that the model of this response does not have.
    shape : Shape or None
        None where some factor has no squared term.
    path : tuple of PathStep
        From the middle to where it leaves the region; empty where the middle breaks a constraint.
    """

    response: str
    unit: str
    sense: str
    places: tuple[FactorPlace, ...]
    at_constraints: dict[str, float]
    mean: float
    mean_low: float
    mean_high: float
    held: dict[str, float | str]
    no_part: tuple[str, ...]
    shape: Shape | None
    path: tuple[PathStep, ...]


@dataclass(frozen=True)
class Locations:
    """Every measured response's, and why some have none."""

    rows: tuple[Location, ...]
    skipped: dict[str, str]
    level: float


@dataclass(frozen=True)
class _Part:
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
        """Whether coded points lie within the bounds and the constraints."""
        within = np.all((points >= self.bounds[:, 0] - _SLACK) & (points <= self.bounds[:, 1] + _SLACK), axis=1)
        return np.asarray(within & np.all(points @ self.weights.T <= self.limits + _SLACK, axis=1))


def locations(study: Study, area: Region, judged: Sequence[Fitted], drawn: Sequence[Draws], coded: Array) -> Locations:
    """
    Say of every response where its best mean lies.

    Parameters
    ----------
    study : Study
    area : Region
        What may be recommended; its axes and constraints bound the search, not what the prints cover jointly.
    judged : sequence of Fitted
        Responses with a requirement or an aim.
    drawn : sequence of Draws
        Their posteriors, in the same order.
    coded : ndarray of shape (1, k)
        The recommended setting, coded units; factors with named levels stay there.

    Returns
    -------
    Locations
    """
    rows, skipped = [], {}
    for one, draws in zip(judged, drawn, strict=True):
        response, part = one.data.response, _part(study, area, one.data, coded)
        sense = sense_of(response)
        if sense is None:
            skipped[response.name] = "it is to be neither high nor low but between limits or at a target"
        elif isinstance(part, str):
            skipped[response.name] = part
        else:
            rows.append(_location(study, area, one, part, draws, coded, sense))
    return Locations(tuple(rows), skipped, study.header.confidence)


def sense_of(response: Response) -> str | None:
    """Return whether a response is to be high or low; None where neither."""
    aim = {"maximise": HIGHEST, "minimise": LOWEST}.get(response.aim or "")
    if aim is not None or (response.at_least is None) == (response.at_most is None):
        return aim
    return HIGHEST if response.at_most is None else LOWEST


def _part(study: Study, area: Region, data: ResponseData, coded: Array) -> _Part | str:
    """Return the model in the factors that vary, or why there is none to look at."""
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
    return _Part(free, unique, matrix, bounds, *_constraints(study, area, free, coded))


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


def _location(study: Study, area: Region, one: Fitted, part: _Part, draws: Draws, coded: Array, sense: str) -> Location:
    level, sign = study.header.confidence, 1.0 if sense == HIGHEST else -1.0
    beta = draws.beta[: _FEWER if len(part.free) > _MANY else None] @ part.matrix.T
    best = optimum.best_points(sign * beta, part.terms, part.bounds, (part.weights, part.limits))
    middle, low, high = _quantiles(sign * best.values, level)
    response, names = one.data.response, [factor.name for factor in study.factors]
    known = {factor for term in one.data.model for factor in term}
    return Location(
        response=response.name, unit=response.display_unit, sense=sense,
        places=tuple(_place(area, part, best, column, level) for column in range(len(part.free))),
        at_constraints={name: float(share) for name, share in zip(part.names, best.at_constraint, strict=True)},
        mean=_back(response, middle), mean_low=_back(response, low), mean_high=_back(response, high),
        held={names[place]: _natural(area, place, coded[0, place]) for place in sorted(known - set(part.free))},
        no_part=tuple(name for place, name in enumerate(names) if place not in known and study.factors[place].is_numeric),
        shape=_shape(study, area, one, part, beta, coded), path=_path(area, one, part, sign),
    )  # fmt: skip


def _place(area: Region, part: _Part, best: optimum.BestPoints, column: int, level: float) -> FactorPlace:
    axis = area.axes[part.free[column]]
    middle, low, high = _quantiles(axis.factor.centre + axis.factor.half_range * best.points[:, column], level)
    assert axis.factor.increment is not None
    return FactorPlace(
        factor=axis.factor.name, unit=axis.factor.display_unit, median=middle, low=low, high=high,
        from_=float(axis.natural[0]), to=float(axis.natural[-1]),
        at_from=float(best.at_low[column]), at_to=float(best.at_high[column]), increment=axis.factor.increment,
    )  # fmt: skip


def _shape(study: Study, area: Region, one: Fitted, part: _Part, beta: Array, coded: Array) -> Shape | None:
    """Return the canonical analysis, with what the draws say about it."""
    factors = range(len(part.free))
    if not all((factor, factor) in part.terms for factor in factors):
        return None
    estimates = part.matrix @ one.estimates
    try:
        point = surface.stationary_point(*surface.quadratic_form(estimates, part.terms, factors))
    except ValueError:  # no curvature at all
        return None
    forms = _forms(beta, part)
    p_value = _level_test(one, part, coded)
    mean = float(estimates[part.terms.index(())] + point.offset)
    return Shape(
        point={area.axes[place].factor.name: _at(area, place, at) for place, at in zip(part.free, point.point, strict=True)},
        inside=bool(np.all(np.isfinite(point.point)) and part.inside(point.point[None])[0]),
        mean=_back(one.data.response, mean), nature=point.nature, shares=_natures(forms),
        curvatures=tuple(
            _curvature([area.axes[place].factor.name for place in part.free], axis, value, forms, study.header.confidence)
            for value, axis in zip(point.eigenvalues, point.eigenvectors.T, strict=True)
        ),
        p_value=p_value, may_be_level=None if p_value is None else p_value >= 1 - study.header.confidence,
    )  # fmt: skip


def _forms(beta: Array, part: _Part) -> Array:
    """Return the squared terms and products of every draw as symmetric matrices, shape (draws, q, q)."""
    forms = np.zeros((len(beta), len(part.free), len(part.free)))
    for values, term in zip(beta.T, part.terms, strict=True):
        if len(term) == 2:
            forms[:, term[0], term[1]] += values / 2
            forms[:, term[1], term[0]] += values / 2
    return forms


def _natures(forms: Array) -> dict[str, float]:
    eigenvalues = np.linalg.eigvalsh(forms)
    top, bottom = np.mean(eigenvalues[:, -1] < 0), np.mean(eigenvalues[:, 0] > 0)
    return {"maximum": float(top), "minimum": float(bottom), "saddle": float(1 - top - bottom)}


def _curvature(names: list[str], axis: Array, value: float, forms: Array, level: float) -> Curvature:
    """Return the curvature along an axis; the draws' own eigenvalues would be spread by being sorted."""
    _, low, high = _quantiles(np.einsum("i,sij,j->s", axis, forms, axis), level)
    sign = FALLS if high < 0 else RISES if low > 0 else NOT_KNOWN
    turned = axis * np.sign(axis[np.argmax(np.abs(axis))])
    direction = {name: float(weight) for name, weight in zip(names, turned, strict=True)}
    return Curvature(direction, float(value), low, high, sign)


def _level_test(one: Fitted, part: _Part, coded: Array) -> float | None:
    """Return the p value of a level surface at the recommended setting; None where Kenward and Roger's test does not hold."""
    if one.mixed is None or one.inference is None or one.inference.mixture is not None:
        return None
    rows = optimum.slopes(coded[:, list(part.free)], part.terms, range(len(part.free)))[0] @ part.matrix
    p_value = reml.f_test(one.mixed, rows).p
    return p_value if np.isfinite(p_value) else None  # below two denominator degrees of freedom there may be no such F


def _path(area: Region, one: Fitted, part: _Part, sign: float) -> tuple[PathStep, ...]:
    """Follow the best mean from the middle of the region to where the path leaves it."""
    estimates, factors = part.matrix @ one.estimates, range(len(part.free))
    middle = part.bounds.mean(axis=1)
    if not part.inside(middle[None])[0]:
        return ()
    b, B = surface.quadratic_form(sign * estimates, part.terms, factors)
    slope: Array = b + 2 * B @ middle
    start = sign * estimates[part.terms.index(())] + middle @ b + middle @ B @ middle
    farthest = float(np.linalg.norm(np.diff(part.bounds, axis=1) / 2))

    def points(radii: Array) -> Array:
        return np.asarray(surface.ridge_path(slope, B, radii).points + middle)

    radii = np.linspace(0, farthest * (1 + 1e-6), _FINE)
    first = int(np.argmin(part.inside(points(radii))))
    low, high = radii[first - 1], radii[first]
    for _ in range(_HALVINGS):
        half = (low + high) / 2
        low, high = (half, high) if part.inside(points(np.array([half])))[0] else (low, half)
    path = surface.ridge_path(slope, B, np.linspace(0, low, _STEPS + 1))
    return tuple(
        PathStep(
            float(radius),
            {area.axes[place].factor.name: _at(area, place, at) for place, at in zip(part.free, point, strict=True)},
            _back(one.data.response, float(sign * (start + offset))),
        )
        for radius, point, offset in zip(
            path.radii, np.clip(path.points + middle, *part.bounds.T), path.offsets, strict=True
        )
    )


def _quantiles(values: Array, level: float) -> tuple[float, float, float]:
    """Return median, lower and upper limit."""
    middle, low, high = np.quantile(values, [0.5, (1 - level) / 2, (1 + level) / 2])
    return float(middle), float(low), float(high)


def _at(area: Region, place: int, coded: float) -> float:
    factor = area.axes[place].factor
    return float(factor.centre + factor.half_range * coded)


def _natural(area: Region, place: int, coded: float) -> float | str:
    levels = area.axes[place].factor.levels
    return _at(area, place, coded) if levels is None else levels[int(coded)]


def _back(response: Response, value: float) -> float:
    return float(np.exp(value)) if response.transform == "log" else value
