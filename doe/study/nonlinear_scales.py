"""Factors that are modelled on a logarithmic scale or on that of the moisture."""

from collections.abc import Iterator
from typing import get_args

import numpy as np

from doe.numerics import drying, oven_air
from doe.numerics.coding import Drying
from doe.numerics.drying import Course, Diffusivity
from doe.study.draft import Draft, Finding, Place
from doe.study.equipment import MINUTES_PER, drying_factor
from doe.study.filament import Based, DryingData
from doe.study.names import listed, spoken
from doe.study.spec import Factor, Material, Oven, Study
from doe.study.wording import show
from doe.verdicts import Verdict

_LEAST_STEP = 1e-6
"""Share of the coded range that the last increment must cover: less, and times can no longer be told apart."""
_SPREADS = 4
"""How many standard deviations of the setpoint must lie between the low end and where the scale ends."""
_AIR = ("dew_point", "room_temperature", "room_humidity")
_KEEP_LINEAR = "leave scale out; the model is then linear in the value itself"


def course_of(data: DryingData, celsius: float) -> Course:
    """
    Return how a wound spool dries in an oven.

    Parameters
    ----------
    data : DryingData
    celsius : float
        Of the oven.

    Raises
    ------
    ValueError
        Where nothing dries, or the air is not that of an oven.
    """
    if data.dew_point is not None:
        pressure = oven_air.vapour_pressure(data.dew_point)
    else:
        assert data.room_temperature is not None and data.room_humidity is not None
        pressure = oven_air.room_pressure(data.room_temperature, data.room_humidity)
    humidity = np.minimum(oven_air.relative_humidity(pressure, celsius), 100.0)
    floor = float(oven_air.equilibrium_moisture(humidity, data.equilibrium_moisture, data.equilibrium_humidity))
    if floor >= data.start_moisture:
        raise ValueError(f"the air of the oven keeps {floor:.3g} % in a filament that holds {data.start_moisture:g} %")
    moving = Diffusivity(data.diffusivity, 1000 * data.activation_energy, data.diffusivity_temperature)
    return Course(drying.rate(float(moving.at(celsius)), data.strand_diameter, data.spool_factor), data.start_moisture, floor)


def moisture_scale_of(material: Material, oven: Oven, factor: Factor) -> Drying | None:
    """Return the scale of a drying time; None where the study does not say enough, which :func:`scale_findings` names."""
    data = material.drying
    if data is None or oven.temperature is None or factor.unit is None or factor.unit not in MINUTES_PER or _air(data):
        return None
    try:
        return Drying(course_of(data, oven.temperature), MINUTES_PER[factor.unit] / 60)
    except ValueError:
        return None


def scale_findings(draft: Draft) -> Iterator[Finding]:
    """Yield what is wrong with the factors that are modelled on another scale, and with what they are computed from."""
    if draft.material is not None and draft.material.drying is not None:
        yield from _data(draft.material.drying)
    for position, factor in draft.factors:
        if factor.has_nonlinear_scale:
            place = ("factors", position)
            yield from _logarithm(factor, place) if factor.scale == "log" else _moisture(draft, factor, place)
            yield from _beside(draft, factor, place)


def _data(data: DryingData) -> Iterator[Finding]:
    missing = [name for name in get_args(Based) if name not in data.basis]
    if missing:
        yield Finding(
            ("material", "drying", "basis"), f"it says nothing of {listed(missing)}", "every value has a basis",
            f'add {missing[0]} = "given", "fitted" (to weighings) or "illustrative" (of no real filament)',
        )  # fmt: skip
    if (said := _air(data)) is not None:
        yield said


def _air(data: DryingData) -> Finding | None:
    """Return what is wrong with what is said of the oven's air."""
    given = [name for name in _AIR if getattr(data, name) is not None]
    if given in (["dew_point"], ["room_temperature", "room_humidity"]):
        return None
    return Finding(
        ("material", "drying", given[0]) if given else ("material", "drying"),
        f"of the oven's air is given: {listed([show(name) for name in given]) or 'nothing'}",
        "it is dried to a dew_point, or the room's air is warmed: room_temperature and room_humidity",
        "give the one or the other two",
    )


def _logarithm(factor: Factor, place: Place) -> Iterator[Finding]:
    if factor.is_numeric and factor.low is not None and not factor.low > 0:
        yield Finding(
            (*place, "scale"), f"found 'log', and low = {show(factor.low)}", "a logarithm needs values above 0",
            f"raise low, or {_KEEP_LINEAR}",
        )  # fmt: skip


def _moisture(draft: Draft, factor: Factor, place: Place) -> Iterator[Finding]:
    where, found = (*place, "scale"), "found 'moisture'"
    if factor != drying_factor(one for _, one in draft.factors):
        yield Finding(
            where, f"{found} on a factor that is not the drying time", 'it has change = "load" and unit = "h" or "min"',
            f"correct the factor, or {_KEEP_LINEAR}",
        )  # fmt: skip
        return
    if factor.low is not None and factor.low < 0:
        yield Finding((*place, "low"), f"found {show(factor.low)}", "a drying time is 0 or more", "correct it")
        return
    warm = [one.name for _, one in draft.factors if one.change == "load" and one.is_numeric and one.unit == "degC"]
    if warm:
        yield Finding(
            where, f"{found}, and '{warm[0]}' is a factor too: how fast the filament dries would differ from load to load",
            "the scale of one factor cannot depend on the setting of another",
            f"hold the oven's temperature fixed, or {_KEEP_LINEAR}",
        )  # fmt: skip
        return
    yield from _computed(draft, factor, where)


def _computed(draft: Draft, factor: Factor, where: Place) -> Iterator[Finding]:
    material, oven = draft.material, draft.oven
    if draft.source.value(("material", "drying")) is None:
        yield Finding(
            where, "found 'moisture' in a study without [material.drying]", "the scale is computed from how the filament dries",
            "add [material.drying] with its values and their basis; 'doe drying' names and explains them",
        )  # fmt: skip
    if oven is None or oven.temperature is None:
        if ("oven", "temperature") not in draft.spoiled:
            remedy = "add temperature under [oven]"
            yield Finding(where, "found 'moisture', and the oven has no temperature", "how fast it dries depends on it", remedy)
        return
    if material is None or material.drying is None or _air(material.drying) is not None:
        return
    try:
        bend = Drying(course_of(material.drying, oven.temperature), MINUTES_PER[factor.unit or "h"] / 60)
    except ValueError as error:
        remedy = "look at its values and at the oven's temperature"
        yield Finding(("material", "drying"), str(error), "drying takes water out of the filament", remedy)
        return
    yield from _ends(factor, bend, where)


def _ends(factor: Factor, bend: Drying, where: Place) -> Iterator[Finding]:
    """Refuse times that the moisture hardly tells apart: computing back from it would return noise."""
    low, high, step = factor.low, factor.high, factor.increment
    if low is None or high is None or step is None or not low < high:
        return
    gone = bend.forward([low, max(high - step, low), high])
    if not gone[2] - gone[1] > _LEAST_STEP * max(gone[2] - gone[0], _LEAST_STEP * bend.course.start):
        left = bend.course.start - gone[2]
        yield Finding(
            where, f"found 'moisture', and the last step to {show(high)} {factor.unit} changes nothing: {left:.3g} % are left",
            "every step of the drying time must take some water out", f"lower high, or {_KEEP_LINEAR}",
        )  # fmt: skip


def _beside(draft: Draft, factor: Factor, place: Place) -> Iterator[Finding]:
    """Refuse what is linear in the value itself and would be wrong on another scale."""
    where, found = (*place, "scale"), f"found '{factor.scale}'"
    if not factor.is_numeric:
        yield Finding(where, f"{found} on a factor with levels", "only numbers have a scale", "remove it")
        return
    if factor.reading_sd is not None:
        yield Finding(
            (*place, "reading_sd"), f"found {show(factor.reading_sd)} beside scale = '{factor.scale}'",
            "readings at the prints are weighed on the linear scale alone", f"remove reading_sd, or {_KEEP_LINEAR}",
        )  # fmt: skip
    if factor.low is not None and factor.setpoint_sd > 0 and factor.low < _SPREADS * factor.setpoint_sd:
        yield Finding(
            (*place, "setpoint_sd"),
            f"found {show(factor.setpoint_sd)} with low = {show(factor.low)} and scale = '{factor.scale}'",
            f"the scale ends at 0, and low must lie {_SPREADS} standard deviations above it", f"raise low, or {_KEEP_LINEAR}",
        )  # fmt: skip
    for number, constraint in draft.constraints:
        if constraint.coef.get(factor.name):
            yield Finding(
                ("constraints", number, "coef"), f"it has '{factor.name}', whose scale is '{factor.scale}'",
                "a constraint is linear, and so are the scales of its factors",
                f"take it out of the constraint, or {_KEEP_LINEAR}",
            )  # fmt: skip
    for number, printer in draft.printers:
        for at, check in enumerate(printer.checks):
            if check.factor == factor.name:
                yield Finding(
                    ("printers", number, "checks", at, "factor"), f"'{factor.name}' has the scale '{factor.scale}'",
                    "lines from set to actual are known for linear scales alone", f"remove these readings, or {_KEEP_LINEAR}",
                )  # fmt: skip


def scale_words(study: Study, factor: Factor) -> str:
    """Return on which scale a factor is modelled, and what that rests on; empty where it is its own."""
    if factor.scale == "log":
        return f"{spoken(factor.name).capitalize()} is modelled on a logarithmic scale: equal ratios count alike."
    data = study.material.drying
    if not factor.has_nonlinear_scale or data is None:
        return ""
    bend = moisture_scale_of(study.material, study.oven, factor)
    assert bend is not None and factor.low is not None and factor.high is not None
    wet, dry = bend.course.start - bend.forward([factor.low, factor.high])
    return (
        f"{spoken(factor.name).capitalize()} is modelled by the moisture that it leaves in a wound spool at"
        f" {study.oven.temperature:g} °C, {wet:.3g} % of the dry mass after {factor.low:g} {factor.unit} and {dry:.3g} % after"
        f" {factor.high:g} {factor.unit}: equal steps of moisture count alike. Computed from {listed(_based(data))}."
    )


def _based(data: DryingData) -> list[str]:
    """Return every value with its basis."""
    dried = f"air dried to a dew point of {data.dew_point or 0:g} °C"
    air = f"room air of {data.room_temperature or 0:g} °C and {data.room_humidity or 0:g} % humidity, warmed"
    words: dict[Based, str] = {
        "diffusivity": f"a diffusivity of {data.diffusivity:.3g} m²/s at {data.diffusivity_temperature:g} °C",
        "activation_energy": f"an activation energy of {data.activation_energy:g} kJ/mol",
        "strand_diameter": f"a strand of {data.strand_diameter:g} mm",
        "spool_factor": f"{data.spool_factor:g} times the hours of a bare strand on the spool",
        "start_moisture": f"{data.start_moisture:g} % at the start",
        "equilibrium_moisture": f"{data.equilibrium_moisture:g} % in air of {data.equilibrium_humidity:g} % humidity",
        "air": air if data.dew_point is None else dried,
    }
    said = {"given": "given", "fitted": "fitted to weighings", "illustrative": "illustrative, not your material"}
    return [f"{words[name]} ({said[basis]})" for name, basis in data.basis.items()]


def verdicts(study: Study) -> tuple[Verdict, ...]:
    """Return a verdict where a factor's scale rests on values of no real filament."""
    bent = next((one for one in study.factors if one.scale == "moisture"), None)
    data = study.material.drying
    guessed = [] if data is None else [spoken(name) for name, basis in data.basis.items() if basis == "illustrative"]
    if bent is None or not guessed:
        return ()
    return (
        Verdict(
            "illustrative drying values",
            f"the moisture scale of {spoken(bent.name)} rests on illustrative values, not on this material: {listed(guessed)}."
            " Where they are wrong its steps are not even in moisture; settings and hours stay what they are",
            "weigh a spool while it dries and fit the values with 'doe drying', or take them from the data sheet",
        ),
    )


