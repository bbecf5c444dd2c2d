"""Axial points: each factor in turn at either end, the others at their centre."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.design import around, region
from doe.errors import InputRefused, Problem
from doe.numerics import coding
from doe.study import scale
from doe.study.spec import Factor, Study
from doe.verdicts import Verdict

Array = NDArray[np.float64]
_SLACK = 1e-9
_ALONG = 201


@dataclass(frozen=True)
class AxialPoints:
    """Two points for each factor, coded, in the order of the factors."""

    coded: Array
    factors: tuple[str, ...]
    verdicts: tuple[Verdict, ...]
    """Which points stand nearer than they were asked for, because a limit or a constraint ends their axis."""


def points(study: Study, names: Sequence[str], distance: float) -> AxialPoints:
    """
    Return the axial points of some numeric factors, on their increments.

    A point that a printer's limits or a constraint rule out is pulled in to the farthest one that is allowed. Points are
    dealt in turn to the combinations of the categorical factors.

    Parameters
    ----------
    study : Study
    names : sequence of str
        The factors; empty for all numeric ones.
    distance : float
        From the centre, coded units, above 0; 1 is on the faces.

    Raises
    ------
    InputRefused
        For a categorical factor, a distance not above 0, or an axis on which nothing but the centre is allowed.
    """
    wanted = [place for place, one in enumerate(study.factors) if one.name in names or (not names and one.is_numeric)]
    _refuse_misfits(study, wanted, distance)
    made, pulled = [], []
    centres = _centres(study)
    for turn, place in enumerate(wanted):
        for sign in (-1.0, 1.0):
            centre = centres[turn % len(centres)]
            made.append(_farthest(study, centre, place, sign * distance))
            if _is_short(study.factors[place], float(made[-1][place]), sign * distance):
                pulled.append(_in_words(study.factors[place], float(made[-1][place])))
    return AxialPoints(np.array(made), tuple(study.factors[place].name for place in wanted), tuple(_pulled_in(pulled)))


def _refuse_misfits(study: Study, wanted: Sequence[int], distance: float) -> None:
    named = [study.factors[place].name for place in wanted if not study.factors[place].is_numeric]
    if named or not wanted:
        found = f"{', '.join(named)} has named levels" if named else "the study has no numeric factor"
        raise InputRefused(
            Problem(
                "--kind axial", found, "axial points belong to numeric factors", "name numeric factors with --factors"
            )
        )
    if not distance > 0:
        raise InputRefused(
            Problem(
                "--distance",
                f"{distance:g}",
                "a distance from the centre in half ranges, above 0",
                "leave it out for 1",
            )
        )


def _centres(study: Study) -> Array:
    """Return the centre of the numeric factors at each combination of the categorical ones."""
    counts = scale.level_counts(study)
    combinations = region.level_combinations(study)
    centres = np.zeros((len(combinations), len(counts)))
    centres[:, [count > 0 for count in counts]] = combinations
    return centres


def _farthest(study: Study, centre: Array, place: int, distance: float) -> Array:
    """Return the allowed point on one axis that is farthest from the centre, up to a distance; on the increments."""
    factor = study.factors[place]
    values = _axis(factor, distance)
    rows = np.tile(centre, (len(values), 1))
    rows[:, place] = values
    allowed = values[around.settable(study, factor, values) & region.allowed(study, rows)]
    if not len(allowed):
        raise InputRefused(
            Problem(
                f"--kind axial, factor '{factor.name}'",
                f"nothing {'above' if distance > 0 else 'below'} its centre is allowed with the others at theirs",
                "an axial point within the printers' limits and the constraints",
                "name the other factors with --factors, or ask whether the limit must be so tight",
            )
        )
    point = centre.copy()
    point[place] = allowed[np.abs(allowed).argmax()]
    return point


def _axis(factor: Factor, distance: float) -> Array:
    """Return the values of a factor from its centre, which is left out, to a distance; coded, on the increments."""
    if factor.has_nonlinear_scale:
        return _bent_axis(factor, distance)
    assert factor.low is not None and factor.high is not None and factor.increment is not None
    exact = np.arange(1, int(abs(distance) / _step(factor) + 0.5 + _SLACK) + 1) * _step(factor)
    ends = np.append(exact[exact < abs(distance) - _SLACK], abs(distance)) * np.sign(distance)
    natural = coding.round_to_increment(coding.to_natural(ends, factor.low, factor.high), factor.increment, factor.low)
    values = np.unique(coding.to_coded(natural, factor.low, factor.high))
    return values[values * distance > _SLACK]


def _bent_axis(factor: Factor, distance: float) -> Array:
    """Return the same on a scale that is not linear, up to where it has values: a drying takes no more out than there is."""
    assert factor.low is not None and factor.increment is not None
    ends = factor.coding.natural(np.linspace(0, distance, _ALONG))
    ends = ends[np.isfinite(ends)]
    first, last = (round((end - factor.low) / factor.increment) for end in (ends.min(), ends.max()))
    steps = np.arange(first, last + 1)
    natural = coding.round_to_increment(factor.low + factor.increment * steps, factor.increment, factor.low)
    values = factor.coding.coded(natural[natural >= 0] if factor.scale == "moisture" else natural[natural > 0])
    return np.asarray(values[values * np.sign(distance) > _SLACK])


def _is_short(factor: Factor, reached: float, distance: float) -> bool:
    """Whether a point on the increments lies farther from where it was wanted than rounding takes it."""
    if not factor.has_nonlinear_scale:
        return abs(abs(reached) - abs(distance)) > _step(factor) / 2 + _SLACK
    assert factor.increment is not None
    found, wanted = factor.coding.natural([reached, distance])
    return not abs(found - wanted) <= factor.increment * (0.5 + _SLACK)


def _step(factor: Factor) -> float:
    """Return a factor's increment in coded units."""
    assert factor.increment is not None
    return factor.increment / factor.half_range


def _in_words(factor: Factor, coded: float) -> str:
    return f"{factor.name} at {factor.coding.natural(coded):g} {factor.display_unit}".rstrip()


def _pulled_in(pulled: Sequence[str]) -> list[Verdict]:
    if not pulled:
        return []
    cause = f"a printer's limit or a constraint ends the axis of {', '.join(pulled)}"
    return [Verdict("axial points pulled in", cause, "nothing to do: the square is estimated from a shorter distance")]
