"""Drying times that tell moistures apart: equal steps of what is left in the filament, not of hours."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.errors import InputRefused, Problem
from doe.numerics import coding, drying
from doe.numerics.drying import Course
from doe.study.dryer import SPOOL, Dryer
from doe.study.equipment import MINUTES_PER, drying_factor
from doe.study.spec import Factor, Study

Array = NDArray[np.float64]
_TAIL = 0.05
"""Share of what can leave that the driest level holds where the target is never met."""


@dataclass(frozen=True)
class Levels:
    """Times in the factor's unit, shortest first, and the moisture that each leaves on a spool, % of the dry mass."""

    times: tuple[float, ...]
    moisture: tuple[float, ...]


@dataclass(frozen=True)
class DryingLevels:
    """Levels of the factor that is the drying time; all have the same number."""

    factor: Factor
    even_hours: Levels
    """Equal steps of time over the study's range: what a plan takes."""
    within: Levels
    """Equal steps of moisture over the study's range, on the increments."""
    proposed: Levels
    """The same over the range of moisture that matters, from the wettest that is worth a load to the driest."""


def drying_levels(study: Study, dryer: Dryer, number: int, wettest: float | None = None) -> DryingLevels:
    """
    Propose levels of the drying time of a study; the study itself stays as it is.

    Parameters
    ----------
    study : Study
    dryer : Dryer
        Its spool is what the study dries.
    number : int
        Levels, at least 2.
    wettest : float, optional
        Moisture of the shortest drying, % of the dry mass; without it what the study's own shortest leaves, or half way to the
        driest where that leaves less than the driest. The driest is the target, or where the air never lets it be met, 5 % of
        what can leave above what the air keeps.

    Raises
    ------
    InputRefused
        Where no factor is a drying time, or where its range, or the wettest moisture, leaves nothing to tell apart.
    """
    factor = timed_factor(study)
    assert factor.low is not None and factor.high is not None and factor.unit is not None
    course, per_unit = dryer.course(SPOOL), MINUTES_PER[factor.unit] / 60
    low, high = factor.low * per_unit, factor.high * per_unit
    try:
        within = drying.levels_for(low, high, course, number)
    except ValueError as error:
        remedy = "look at its range and at what was said of the filament"
        where = f"study.toml, factor {factor.name}"
        raise _refused(where, str(error), "levels differ in what they leave", remedy) from None
    ends = _ends(dryer, course, float(drying.moisture(course, low)), wettest)
    proposed = drying.hours_at(course, np.linspace(*ends, number))
    return DryingLevels(
        factor,
        even_hours=_levels(course, np.linspace(low, high, number) / per_unit, per_unit),
        within=_levels(course, _on_increments(factor, within / per_unit), per_unit),
        proposed=_levels(course, _on_increments(factor, proposed / per_unit), per_unit),
    )


def timed_factor(study: Study) -> Factor:
    """
    Return the factor that is the drying time.

    Raises
    ------
    InputRefused
        Where there is none, or where it begins below 0.
    """
    factor = drying_factor(study.factors)
    if factor is None:
        raise _refused(
            "study.toml, factors", "no factor is a drying time", 'it has change = "load" and unit = "h" or "min"',
            "run it without --study, or add such a factor",
        )  # fmt: skip
    if factor.low is not None and factor.low < 0:
        where = f"study.toml, factor {factor.name}"
        raise _refused(where, f"low is {factor.low:g}", "a drying time is 0 or more", "correct it")
    return factor


def _ends(dryer: Dryer, course: Course, of_study: float, wettest: float | None) -> tuple[float, float]:
    """Return the moisture of the shortest and of the longest drying that are worth a load."""
    target, span = dryer.values["target"], course.start - course.floor
    driest = target if math.isfinite(dryer.hours_to_target(SPOOL)) else course.floor + _TAIL * span
    if wettest is None:
        return (of_study if of_study > driest else (course.start + driest) / 2), driest
    if not driest < wettest <= course.start:
        raise _refused(
            "--wettest", f"{wettest:g} %", f"it lies above {driest:.3g} %, the driest, and up to {course.start:g} %, the start",
            "choose a moisture between them",
        )  # fmt: skip
    return wettest, driest


def _on_increments(factor: Factor, times: Array) -> Array:
    if factor.increment is None:
        return times
    assert factor.low is not None
    return np.maximum(coding.round_to_increment(times, factor.increment, factor.low), 0.0)


def _levels(course: Course, times: Array, per_unit: float) -> Levels:
    """Return times in the factor's unit, of so many hours, with the moisture that they leave."""
    return Levels(tuple(map(float, times)), tuple(map(float, drying.moisture(course, times * per_unit))))


def _refused(where: str, found: str, allowed: str, remedy: str) -> InputRefused:
    return InputRefused(Problem(where, found, allowed, remedy))
