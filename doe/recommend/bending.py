"""The fitted surface of one response: where it is level, how it bends, along which path its best mean lies."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.model.data import in_response_units
from doe.model.measured import Fitted
from doe.numerics import optimum, reml, surface
from doe.recommend.search import Region
from doe.recommend.varied import Part, natural_value, quantiles
from doe.study.spec import Study

Array = NDArray[np.float64]

FALLS, RISES, NOT_KNOWN = "falls to both sides", "rises to both sides", "not known"

_STEPS = 5
_FINE = 100  # radii at which the path is tried for leaving the region
_AT_ONCE = 10
_HALVINGS = 40


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


def shape_of(study: Study, area: Region, one: Fitted, part: Part, beta: Array, coded: Array) -> Shape | None:
    """
    Return the canonical analysis, with what the draws say about it.

    Parameters
    ----------
    study : Study
    area : Region
    one : Fitted
    part : Part
        Its model in the factors that vary.
    beta : ndarray of shape (draws, q)
        Draws of the coefficients of ``part.terms``.
    coded : ndarray of shape (1, k)
        The recommended setting, coded units.

    Returns
    -------
    Shape or None
        None where some factor has no squared term, or the surface no curvature at all.
    """
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
        point={
            area.axes[place].factor.name: natural_value(area, place, at)
            for place, at in zip(part.free, point.point, strict=True)
        },
        inside=bool(np.all(np.isfinite(point.point)) and part.inside(point.point[None])[0]),
        mean=float(in_response_units(one.data.response, mean)), nature=point.nature, shares=_natures(forms),
        curvatures=tuple(
            _curvature([area.axes[place].factor.name for place in part.free], axis, value, forms, study.header.confidence)
            for value, axis in zip(point.eigenvalues, point.eigenvectors.T, strict=True)
        ),
        p_value=p_value, may_be_level=None if p_value is None else p_value >= 1 - study.header.confidence,
    )  # fmt: skip


def _forms(beta: Array, part: Part) -> Array:
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
    _, low, high = quantiles(np.einsum("i,sij,j->s", axis, forms, axis), level)
    sign = FALLS if high < 0 else RISES if low > 0 else NOT_KNOWN
    turned = axis * np.sign(axis[np.argmax(np.abs(axis))])
    direction = {name: float(weight) for name, weight in zip(names, turned, strict=True)}
    return Curvature(direction, float(value), low, high, sign)


def _level_test(one: Fitted, part: Part, coded: Array) -> float | None:
    """Return the p value of a level surface at the recommended setting; None where Kenward and Roger's test does not hold."""
    if one.mixed is None or one.inference is None or one.inference.mixture is not None:
        return None
    rows = optimum.slopes(coded[:, list(part.free)], part.terms, range(len(part.free)))[0] @ part.matrix
    p_value = reml.f_test(one.mixed, rows).p
    return p_value if np.isfinite(p_value) else None  # below two denominator degrees of freedom there may be no such F


def path_of(area: Region, one: Fitted, part: Part, sign: float) -> tuple[PathStep, ...]:
    """
    Follow the best mean from the middle of the region to where the path leaves it.

    Parameters
    ----------
    area : Region
    one : Fitted
    part : Part
        Its model in the factors that vary.
    sign : float
        1 where the mean is to be high, -1 where it is to be low.

    Returns
    -------
    tuple of PathStep
        Empty where the middle breaks a constraint.
    """
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

    low = _end_of_path(lambda radii: part.inside(points(radii)), farthest * (1 + 1e-6))
    path = surface.ridge_path(slope, B, np.linspace(0, low, _STEPS + 1))
    return tuple(
        PathStep(
            float(radius),
            {area.axes[place].factor.name: natural_value(area, place, at) for place, at in zip(part.free, point, strict=True)},
            float(in_response_units(one.data.response, sign * (start + offset))),
        )
        for radius, point, offset in zip(
            path.radii, np.clip(path.points + middle, *part.bounds.T), path.offsets, strict=True
        )
    )


def _end_of_path(inside: Callable[[Array], NDArray[np.bool_]], beyond: float) -> float:
    """Return the largest radius before the path first leaves the region; at the last one it is outside."""
    radii = np.linspace(0, beyond, _FINE)
    for start in range(0, _FINE, _AT_ONCE):  # most paths leave long before the last radius
        within = inside(radii[start : start + _AT_ONCE])
        if not within.all():
            break
    first = start + int(np.argmin(within))
    low, high = float(radii[first - 1]), float(radii[first])
    for _ in range(_HALVINGS):
        half = (low + high) / 2
        low, high = (half, high) if inside(np.array([half]))[0] else (low, half)
    return low
