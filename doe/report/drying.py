"""What ``doe drying`` shows: inputs with where they come from, the course of the moisture, weighings, masses, levels."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.design.drying_levels import DryingLevels, Levels
from doe.numerics import drying
from doe.numerics.weighings import DryingFit, Estimate
from doe.report import numbers
from doe.report.tables import Table, words
from doe.study.dryer import ILLUSTRATIVE, RANGES, SPOOL, STRAND, Dryer
from doe.study.spool_mass import SpoolMass

Array = NDArray[np.float64]
FORMS = (STRAND, SPOOL)
OUT_HOURS = (0.0, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 24.0, 48.0)
_ROWS = 12
_STEPS = (0.05, 0.1, 0.25, 0.5, 1, 2, 3, 4, 6, 8, 12, 24, 48, 72, 120, 240, 480, 1000)
_NAMES = {
    "diameter": "diameter of the filament", "temperature": "temperature of the oven", "diffusivity": "diffusivity of water in it",
    "diffusivity_temperature": "temperature at which that holds", "activation_energy": "activation energy of the diffusivity",
    "start_moisture": "moisture at the start", "equilibrium_moisture": "moisture in equilibrium with air",
    "equilibrium_humidity": "relative humidity of that air", "target": "target", "ceiling": "highest moisture to print with",
    "hours": "drying time", "room_temperature": "temperature of the room", "room_humidity": "relative humidity of the room",
    "dew_point": "dew point of the oven's air", "spool_factor": "times longer on a spool than for a bare strand",
}  # fmt: skip
_COMPUTED = ("diffusivity", "diffusivity_temperature", "activation_energy", "hours", "spool_factor")
"""What may come from a fit or a computation, and is rounded."""
CAUTIONS = (
    "Stay below the temperature at which filament or spool soften; the producer's drying table prevails over these figures.",
    "Dry in an oven made for it: vented, with an over-temperature cut-out, never used for food, not left alone unprotected.",
    "Hot polymer gives off fumes: extract them. The safety data sheet (SDS), the oven's manual and qualified people prevail.",
)
LIMITS_OF_IT = (
    "Computed for a filament that is as hot as the oven and whose surface takes on the moisture of the air at once: nothing "
    "dries faster, so times of a bare strand are lower limits. Add the time that the spool takes to warm through.",
    "On a spool the outer windings dry, and take up water, like a bare strand: for the time out, count that of the strand.",
)
_NEAR = 1.0
"""Kelvin within which two temperatures are one."""
_TOO_WET = "none, too wet"
_MARK = f" ({ILLUSTRATIVE})"


@dataclass(frozen=True)
class DryingView:
    """What the figure shows."""

    hours: Array
    moisture: dict[str, Array]
    """By form, % of the dry mass."""
    target: float
    floor: float
    illustrative: bool


def drying_tables(made: Dryer) -> tuple[Table, ...]:
    """Return inputs, answers, the course in the oven and the course in the room afterwards."""
    return input_table(made), answer_table(made), course_table(made), out_table(made)


def input_table(made: Dryer) -> Table:
    """Return every input with its unit and where it comes from."""
    said = [key for key in _NAMES if key in made.values and not (key == "spool_factor" and made.factor is None)]
    texts = {key: numbers.plain(made.values[key], 3) if key in _COMPUTED else numbers.setting(made.values[key]) for key in said}
    rows = [(_NAMES[key], texts[key], RANGES[key].unit, made.sources[key]) for key in said]
    note = "Moistures are in % of the dry mass; that in equilibrium is taken in proportion to the humidity (Henry's law)."
    columns = ("Input", "Value", "Unit", "Where it comes from")
    return Table("What is computed with" + _mark(made), columns, tuple(rows), "lrll", note)


def answer_table(made: Dryer) -> Table:
    """Return time to the target, what is left after the drying time, and how long it may stay out, for both forms."""
    values, shown = made.values, numbers.exact
    out = [duration(made.hours_out(form)) or _TOO_WET for form in FORMS]
    rows = [
        (f"time to the target of {shown(values['target'])} %", *(duration(made.hours_to_target(form)) for form in FORMS)),
        (f"moisture after {duration(values['hours'])}", *(f"{percent(left_of(made, form))} %" for form in FORMS)),
        (f"time out in the room until {shown(values['ceiling'])} %", *out),
    ]
    humidity = numbers.plain(made.humidity, 2)
    note = (
        f"The air in the oven has {humidity} % relative humidity and keeps {percent(made.floor)} % in the filament; that of the "
        f"room keeps {percent(made.room_floor)} %."
    )
    return Table("The drying" + _mark(made), ("", "Bare strand", "Wound spool"), tuple(rows), "lrr", note)


def course_table(made: Dryer) -> Table:
    """Return the moisture over time in the oven."""
    hours = course_hours(made)
    columns = [drying.moisture(made.course(form), hours) for form in FORMS]
    rows = [(numbers.exact(round(float(at), 6)), *map(percent, left)) for at, *left in zip(hours, *columns, strict=True)]
    title = "Moisture in the oven, % of the dry mass" + _mark(made)
    return Table(title, ("Hours", "Bare strand", "Wound spool"), tuple(rows), "rrr")


def out_table(made: Dryer) -> Table:
    """Return the moisture over time in the room after the drying."""
    rows = [(numbers.exact(out), *(percent(made.moisture_out(form, out)) for form in FORMS)) for out in OUT_HOURS]
    title = f"Moisture in the room after {duration(made.values['hours'])} of drying, % of the dry mass" + _mark(made)
    return Table(title, ("Hours out", "Bare strand", "Wound spool"), tuple(rows), "rrr")


def fit_table(form: str, fit: DryingFit) -> Table:
    """Return what weighings say, with confidence intervals."""
    of = "diffusivity" if form == STRAND else "effective diffusivity"
    rows = [_estimate(f"{of} at {numbers.plain(fit.temperature, 3)} °C", fit.diffusivity, "m²/s")]
    if fit.activation is not None:
        scaled = Estimate(*(value / 1000 for value in (fit.activation.value, fit.activation.low, fit.activation.high)))
        rows.append(_estimate("activation energy", scaled, "kJ/mol"))
    rows += [_estimate(f"loss until equilibrium, drying {number}", one, "g") for number, one in enumerate(fit.loss, 1)]
    note = (
        f"Scatter of a weighing {numbers.plain(fit.residual_sd, 2)} g, {fit.dof} degrees of freedom. 'open' is a limit that "
        "these weighings do not set: weigh for longer, until the mass hardly changes."
    )
    columns = ("Quantity", "Value", f"{numbers.level(fit.level)} interval", "Unit")
    return Table(f"Fitted to the weighings of a {form}", columns, tuple(rows), "lrll", note)


def factor_table(factor: Estimate) -> Table:
    """Return how many times longer a spool takes, where weighings say it."""
    note = "Where the strand was weighed too, the limits come from the ends of both intervals at the strand's activation energy."
    rows = (_estimate("times longer on a spool than for a bare strand", factor, ""),)
    return Table("Slow-down on the spool", ("Quantity", "Value", "95 % interval", "Unit"), rows, "lrll", note)


def mass_table(found: SpoolMass, made: Dryer) -> Table:
    """Return the arithmetic of a spool's masses."""
    def grams(mass: float) -> str:
        return f"{numbers.at_place(mass, -2)} g"

    rows = [
        ("net mass at the start", grams(found.net)),
        ("the same without any water", grams(found.dry)),
        (f"reading with the spool at the target of {numbers.exact(made.values['target'])} %", grams(found.target_reading)),
    ]
    if found.lost is not None:
        share, uncertainty = numbers.with_uncertainty(found.lost.percent, found.lost.percent_uncertainty)
        left = numbers.at_place(found.lost.left, numbers.place_of(found.lost.percent_uncertainty))
        rows += [
            ("water that left the filament", grams(found.lost.grams)),
            ("the same, of the net mass at the start", f"{share} % ± {uncertainty} % (k = 2, readability)"),
            ("moisture left, of the dry mass", f"{left} %"),
        ]
    note = (
        "A balance shows the loss, not what is left: that rests on the moisture at the start, measured by ISO 15512. A cardboard "
        "spool dries too: dry an empty one alongside and give its loss."
    )
    return Table("The spool on the balance" + _mark(made), ("Mass", "Value"), tuple(rows), "ll", note)


def level_table(found: DryingLevels, made: Dryer) -> Table:
    """Return levels of a study's drying time, by hours as they are and by moisture as proposed."""
    def cells(levels: Levels, number: int) -> tuple[str, str]:
        return numbers.setting(levels.times[number]), percent(levels.moisture[number])

    rows = [
        (str(number + 1), *cells(found.even_hours, number), *cells(found.within, number), *cells(found.proposed, number))
        for number in range(len(found.within.times))
    ]
    unit = found.factor.display_unit
    columns = (
        "Level", f"Even steps of time, {unit}", "Moisture, %", f"Even steps of moisture, {unit}", "Moisture, %",
        f"The range that matters, {unit}", "Moisture, %",
    )  # fmt: skip
    return Table(f"Levels of {words(found.factor.name)} on a spool" + _mark(made), columns, tuple(rows), "rrrrrrr")


def level_lines(found: DryingLevels) -> tuple[str, ...]:
    """Return what to make of the proposed levels."""
    low, high = found.proposed.times[0], found.proposed.times[-1]
    name, unit = found.factor.name, found.factor.display_unit
    lines = [
        f"The study is unchanged. To take the range that matters, put low = {low:.6g} and high = {high:.6g} ({unit}) into factor "
        f"{name} of study.toml before 'doe plan', where the oven and the shifts allow it. A level between the ends comes in as "
        "one of [[references]] or with 'doe plan --from FILE'."
    ]
    if len(set(found.proposed.times)) < len(found.proposed.times):
        lines.append("On the increment of the factor some of these levels are the same: a finer increment, or fewer levels.")
    return tuple(lines)


def never_lines(made: Dryer) -> tuple[str, ...]:
    """Return what to do where the oven's air never lets the target be met."""
    if math.isfinite(made.hours_to_target(STRAND)):
        return ()
    dew = made.highest_dew_point()
    dried = "" if dew is None else f" Air with a dew point of {numbers.at_place(dew, 0)} °C or below keeps at most half of it."
    target = numbers.exact(made.values["target"])
    return (
        f"The target of {target} % is never met, however long it is dried: the air of this oven keeps {percent(made.floor)} % in "
        f"the filament.{dried}",
    )


def note_lines(made: Dryer, fits: Mapping[str, DryingFit], found: SpoolMass | None) -> tuple[str, ...]:
    """Return what a reader must know before taking the figures for true."""
    lines = []
    if made.illustrative:
        lines.append(
            "What is marked illustrative is no measurement of your material: put in its own values, or weigh a drying "
            "(--strand-weighings, --spool-weighings)."
        )
    for form, fit in fits.items():
        if math.isinf(fit.diffusivity.high):
            lines.append(
                f"The weighings of the {form} do not tell how fast it dries, only that it is not slower than the lower limit of "
                "its diffusivity: weigh oftener early on."
            )
        if fit.activation is None and abs(fit.temperature - made.values["temperature"]) > _NEAR:
            lines.append(
                f"The {form} was weighed at {numbers.plain(fit.temperature, 3)} °C; how it dries at other temperatures rests on "
                f"the activation energy, which is {made.sources['activation_energy']}."
            )
    if SPOOL in fits:
        lines.append(_for_the_study(made, fits[SPOOL]))
    if found is not None and found.lost is not None and found.lost.left < -found.lost.percent_uncertainty:
        lines.append(
            "More mass was lost than the filament held water: the moisture at the start was higher, a mass is wrong, or the "
            "spool itself dried (--empty-spool-loss)."
        )
    return tuple(lines)


def _for_the_study(made: Dryer, fit: DryingFit) -> str:
    """Return how what was fitted to a spool goes into a study, whose own value is that of a bare strand."""
    factor = made.values["spool_factor"]
    of_strand = made.factor is not None and factor >= 1
    kept = f" Or keep diffusivity as the strand's, with spool_factor = {factor:.3g}." if of_strand else ""
    return (
        f"Into [material.drying] of study.toml it goes as diffusivity = {fit.diffusivity.value:.3g}, diffusivity_temperature = "
        f"{fit.temperature:.4g}, strand_diameter = {made.values['diameter']:g} and spool_factor = 1: the effective diffusivity "
        f"is that of the spool as it is wound, and holds already how much longer that takes than a bare strand.{kept}"
    )


def drying_view(made: Dryer) -> DryingView:
    """Return what the figure shows."""
    hours = np.linspace(0, float(course_hours(made)[-1]), 301)
    moisture = {form: drying.moisture(made.course(form), hours) for form in FORMS}
    return DryingView(hours, moisture, made.values["target"], made.floor, made.illustrative)


def course_hours(made: Dryer) -> Array:
    """Return round hours from 0 to beyond the drying time and the targets, at most some dozen."""
    times = [made.values["hours"], *(made.hours_to_target(form) for form in FORMS)]
    longest = 1.1 * max(time for time in times if math.isfinite(time))
    step = next((step for step in _STEPS if step * _ROWS >= longest), longest / _ROWS)
    return np.asarray(step * np.arange(math.ceil(longest / step) + 1), dtype=float)


def left_of(made: Dryer, form: str) -> float:
    """Return the moisture after the drying time, % of the dry mass."""
    return float(drying.moisture(made.course(form), made.values["hours"]))


def percent(moisture: float) -> str:
    """Return a moisture as text: three digits, none beyond a thousandth of a percent."""
    return numbers.at_place(moisture, max(numbers.place_of(moisture, 3) or -3, -3))


def duration(hours: float) -> str:
    """Return a time as text: minutes below an hour, days beside hours from two days on; nothing for no time."""
    if math.isinf(hours) or hours == 0:
        return "never" if hours else ""
    if hours < 1:
        return f"{numbers.plain(60 * hours, 2)} min"
    days = f" ({numbers.plain(hours / 24, 2)} days)" if hours >= 48 else ""
    return f"{numbers.plain(hours, 3)} h{days}"


def _estimate(name: str, one: Estimate, unit: str) -> tuple[str, str, str, str]:
    open_ends = [math.isinf(limit) or (limit == 0 and one.value > 0) for limit in (one.low, one.high)]
    ends: Sequence[str] = [
        "open" if is_open else numbers.plain(limit, 3) for is_open, limit in zip(open_ends, (one.low, one.high), strict=True)
    ]
    return name, numbers.plain(one.value, 3), " to ".join(ends), unit


def _mark(made: Dryer) -> str:
    return _MARK if made.illustrative else ""
