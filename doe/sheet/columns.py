"""The columns of the workbook: their keys, their headers in words, and what their cells may hold.

Keys are the column names of the record, too: ``used.FACTOR``, ``outcome``, ``force.RESPONSE`` and so on.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from doe.numerics.strength import FORMULAS, Input
from doe.sheet import usual
from doe.study.spec import Covariate, Factor, Oven, Response, Study

Value = str | float | int
Kind = Literal["number", "text", "choice", "date", "datetime", "stress"]

OUTCOMES: dict[str, str] = {
    "completed": "printed, or tested, as intended",
    "detached": "came off the bed during the print",
    "clogged": "the nozzle clogged or the feed stopped",
    "warped": "so warped that it could not be used or tested",
    "broke in handling": "broke while it was taken off or handled, before the test",
    "broke in grips": "broke in or at the grips; the value still counts, as a lower limit",
    "no break": "the test ended without a break; the value still counts, as a lower limit",
    "lost": "spool ran out, power cut, dropped: not the settings' doing",
    "skipped": "not printed or not tested; say why in the note",
}
DEVIATIONS: dict[str, str] = {
    "off plan": "another setpoint than the plan's was used; write it under 'used if not as set'",
    "suspect": "an instrument or a value is in doubt; say why in the note",
}
PASS_FAIL: dict[str, Value] = {"pass": "pass", "fail": "fail"}
NEVER_PRINTED = ("lost", "skipped")
"""Outcomes of a print with which neither it nor its coupons can have a value."""
NEVER_TESTED = (*NEVER_PRINTED, "detached", "clogged", "broke in handling")
"""Outcomes of a coupon with which it can have no value."""
TESTED = ("completed", "broke in grips", "no break")
"""Outcomes with which every value is expected."""
DIMENSIONS = tuple(
    dict.fromkeys(f"{one.key}." for formula in FORMULAS.values() for one in formula.inputs if one.dimension)
)
"""How the keys of dimensions begin, which are measured before a test and are no results."""
_POSITIVE_UNITS = frozenset(
    {"Pa", "kPa", "MPa", "GPa", "N", "kN", "N/mm", "N/m", "J", "J/m", "kJ/m2", "kJ/m^2", "kJ/m²"}
)
_MEASURED = {
    "force": "Highest force.",
    "energy": "Energy of the break, less friction. Where the bar did not break: what it took, outcome 'no break'.",
    "extension": "How far the grips moved apart until the break.",
    "deflection": "Deflection of the middle at the break; up to a strain of 3.5 %: where it did not break, outcome 'no break'.",
}
"""What is read off, by the key of a formula's input."""
_OF_FORMULA = {
    "flexural": "Highest force up to a strain of 3.5 %, which is 1.5 thicknesses of deflection where the span is 16. Where the "
                "bar has not broken by then: outcome 'no break'.",
    "peel": "Mean force over the peeled length, without its beginning.",
    "tear": "Force of tearing: the highest, of a trouser test piece the median.",
}
"""The same, where a formula wants something else (ISO 178, ISO 8510, ISO 34-1; from memory)."""
_NOT_BLANK = "Leave it empty where nothing was measured."
_UNUSUAL = "Anything that was out of the ordinary."


@dataclass(frozen=True)
class Column:
    """One column of a sheet."""

    key: str
    header: str
    kind: Kind = "text"
    fill: bool = False
    """Whether the operators fill it; all else is locked."""
    choices: Mapping[str, Value] = field(default_factory=dict)
    """What is offered -> what is recorded; kind ``choice`` only."""
    low: float | None = None
    high: float | None = None
    positive: bool = False
    """Whether only numbers above zero are possible (a force, a width, a strength)."""
    optional: bool = False
    """Whether a sheet may lack it, since it was written before the column was known."""
    width: float = 11.0
    hint: str = ""
    usual: tuple[float, float] | None = None
    """What is plausible, in the column's unit: beyond it the workbook asks, and refuses nothing."""
    formula: str = ""
    """What a locked cell computes: a spreadsheet formula with ``{key}`` for another cell of its row."""
    part: Literal["plan", "result", "more"] = "plan"
    """What belongs on one page of paper."""
    upto: int | None = None
    """Highest number of a coupon that is measured for it; None: all are."""


def words(name: str) -> str:
    """Return a factor's or response's name as people read it: ``Nozzle temperature`` for ``nozzle_temperature``."""
    text = " ".join(name.replace("_", " ").split())
    return text[:1].upper() + text[1:]


def fitting(texts: Iterable[str], most: float = 24.0) -> float:
    """Return a column width, in characters, that shows every text, within reason."""
    return min(most, max([9.0, *(len(text) + 3.0 for text in texts)]))


def _narrow(header: str) -> float:
    """Return the width of a column of figures: its header's longest word fits."""
    return max(8.0, *(len(word) + 2.5 for word in header.split()))


def _unit(text: str) -> str:
    return f" ({text})" if text not in ("", "1") else ""


def setting_columns(study: Study, factor: Factor, *, with_used: bool) -> list[Column]:
    """Return target, setpoint and (where wanted) the setpoint used instead; a level's target is its setpoint."""
    planned, used = _level_columns(factor) if factor.levels else _numeric_columns(study, factor)
    return [*planned, used] if with_used else planned


def _level_columns(factor: Factor) -> tuple[list[Column], Column]:
    name, levels = words(factor.name), {level: level for level in factor.levels or ()}
    used = Column(
        f"used.{factor.name}", f"{name}, used if not as set", "choice", fill=True, choices=levels,
        width=fitting(levels, 18), hint="Only where another level than the plan's was used.",
    )
    return [Column(f"set.{factor.name}", f"{name}, set", width=fitting(levels, 18))], used


def _numeric_columns(study: Study, factor: Factor) -> tuple[list[Column], Column]:
    name, unit = words(factor.name), _unit(factor.display_unit)
    limits = [printer.limits.get(factor.name, (float("-inf"), float("inf"))) for printer in study.printers]
    planned = [
        Column(f"target.{factor.name}", f"{name}, target{unit}", "number", width=_narrow(name)),
        Column(f"set.{factor.name}", f"{name}, set{unit}", "number", width=_narrow(name)),
    ]
    used = Column(
        f"used.{factor.name}", f"{name}, used if not as set{unit}", "number", fill=True, width=_narrow(name),
        low=_finite(min(low for low, _ in limits)) if limits else None,
        high=_finite(max(high for _, high in limits)) if limits else None,
        hint="Only where another setpoint than the plan's was used; otherwise leave it empty.",
    )
    return planned, used


def _finite(limit: float) -> float | None:
    return limit if math.isfinite(limit) else None


def value_columns(response: Response) -> list[Column]:
    """Return the columns in which one response is recorded."""
    upto = response.coupons if response.per == "coupon" else None
    return [replace(column, part="result", upto=upto) for column in _value_columns(response)]


def _value_columns(response: Response) -> list[Column]:
    name, method = words(response.name), f" Method: {response.method}." if response.method else ""
    if response.formula is not None:
        return [*_input_columns(response, method), _computed_column(response)]
    if response.kind == "graded":
        grades: dict[str, Value] = {str(grade): float(grade) for grade in response.grades or ()}
        header = f"{name} (grade {min(response.grades or (0,))} to {max(response.grades or (0,))})"
        return [Column(response.name, header, "choice", fill=True, choices=grades, hint=f"Choose a grade.{method}")]
    if response.kind == "pass_fail":
        header, hint = f"{name} (pass or fail)", f"Choose pass or fail.{method}"
        return [Column(response.name, header, "choice", fill=True, choices=PASS_FAIL, hint=hint)]
    positive = response.transform == "log" or response.unit in _POSITIVE_UNITS
    header = f"{name}{_unit(response.display_unit)}"
    made = _number(response.name, header, f"{_NOT_BLANK}{method}", positive=positive)
    return [replace(made, usual=usual.of_response(response, positive=positive))]


def _input_columns(response: Response, method: str) -> list[Column]:
    """Return a column for everything that a response's formula needs."""
    def hint(one: Input) -> str:
        if one.dimension:
            return "Measured before the test."
        return f"{_OF_FORMULA.get(response.formula or '', _MEASURED[one.key])} {_NOT_BLANK}{method}"

    name = words(response.name)
    return [
        _number(key, f"{name}: {one.label} ({one.unit})", hint(one), usual.INPUTS[one.key], positive=True)
        for key, one in response.inputs.items()
    ]


def _computed_column(response: Response) -> Column:
    """Return the locked column of what follows by a response's formula: nothing while an input is missing or not above 0."""
    assert response.formula is not None
    cells = {one.key: f"{{{key}}}" for key, one in response.inputs.items()}
    value = FORMULAS[response.formula].in_cell(cells).removeprefix("=")
    header = f"{words(response.name)}{_unit(response.display_unit)}, computed"
    return Column(response.name, header, "stress", formula=f'=IF(MIN({",".join(cells.values())})>0,{value},"")')


def outcome_columns(thing: str) -> list[Column]:
    """Return the two columns that say what happened to a print or coupon."""
    outcomes, deviations = {word: word for word in OUTCOMES}, {word: word for word in DEVIATIONS}
    return [
        Column("outcome", "Outcome", "choice", True, outcomes, width=17, hint=f"What became of the {thing}.", part="result"),
        Column("deviation", "Deviation", "choice", True, deviations, hint="Empty where all went to plan.", part="result"),
    ]


def in_part(columns: Iterable[Column], part: Literal["plan", "result", "more"]) -> list[Column]:
    """Return columns that belong on another page of paper than they would."""
    return [replace(column, part=part) for column in columns]


def print_remarks() -> list[Column]:
    """Return what is written about a print besides its results."""
    return [
        Column("operator", "Operator", fill=True, hint="Initials or name."),
        Column("printed_on", "Printed on (date)", "date", True, width=12, hint="A date, for example 2026-03-01."),
        note(_UNUSUAL),
    ]


def note(hint: str) -> Column:
    """Return the column for remarks."""
    return Column("note", "Note", fill=True, width=26, hint=hint)


def reading_columns(study: Study) -> list[Column]:
    """Return the columns for readings of actual values at the prints, of the factors whose reading is trusted."""
    read = [factor for factor in study.factors if factor.reading_sd is not None]
    hint = "What the probe or the display shows while it prints; empty where it was not read."
    return [
        replace(
            _number(f"read.{one.name}", f"{words(one.name)}, read{_unit(one.display_unit)}", hint, usual.of_factors([one])),
            optional=True,
        )
        for one in read
    ]


def covariate_columns(study: Study, per: Literal["print", "load"]) -> list[Column]:
    """Return the columns in which the covariates of prints, or of drying loads, are written down."""
    return [_covariate(one) for one in study.covariates if one.per == per]


def _covariate(one: Covariate) -> Column:
    key, name, method = f"covariate.{one.name}", words(one.name), f" {one.method}." if one.method else ""
    hint = f"As it was for this {one.per}; empty where nobody knows.{method}"
    if one.kind == "date":
        return Column(key, f"{name} (date)", "date", True, width=12, optional=True, hint=f"A date: 2026-03-01. {hint}")
    return replace(_number(key, f"{name}{_unit(one.display_unit)}", hint), optional=True)


def drying_columns(oven: Oven) -> list[Column]:
    """Return what is written about a drying load."""
    return [
        Column("spool", "Spool", fill=True, width=13, hint="Number of the spool and its lot."),
        Column("dried_from", "Drying began", "datetime", True, width=17, hint="Date and time: 2026-03-01 08:30."),
        Column("dried_to", "Drying ended", "datetime", True, width=17, hint="Date and time: 2026-03-01 14:30."),
        replace(
            _number("oven_reading", "Oven reading (°C)", "What the oven or its probe showed.", usual.of_oven(oven)),
            low=-50, high=500,
        ),
        _number("mass_before", "Mass before (g)", "Spool and filament, weighed before drying.", usual.MASS, positive=True),
        _number("mass_after", "Mass after (g)", "Spool and filament, weighed after drying.", usual.MASS, positive=True),
        note(_UNUSUAL),
    ]


def spool_columns() -> list[Column]:
    """Return what is written about a spool of filament."""
    return [
        Column("lot", "Lot", fill=True, width=16, hint="As on the spool's label."),
        Column("spool", "Spool", fill=True, width=16, hint="Its number or name, the same as on the sheet Loads."),
        Column("opened_on", "Opened on (date)", "date", True, width=14, hint="When its bag was opened: 2026-03-01."),
        replace(
            _number("moisture", "Initial moisture (%)", "Per cent of its mass, if measured on opening.", usual.MOISTURE),
            low=0, high=100,
        ),
        note(_UNUSUAL),
    ]


def check_columns(study: Study, factors: Sequence[Factor]) -> list[Column]:
    """Return what is written about a reading of a reference probe on a printer."""
    span = usual.of_factors(factors)
    printers: dict[str, Value] = {printer.name: printer.name for printer in study.printers}
    read: dict[str, Value] = {words(factor.name): factor.name for factor in factors}
    known = ", ".join(instrument.id for instrument in study.instruments)
    printer = Column("printer", "Printer", "choice", True, printers, width=fitting(printers), hint="Which was read.")
    return [
        *([printer] if printers else []),
        Column("factor", "What was read", "choice", True, read, width=fitting(read, 44), hint="Choose from the list."),
        _number("set", "Setpoint", "What the printer was set to, in the factor's unit.", span),
        _number("actual", "Actual", "What the reference probe showed, in the factor's unit.", span),
        Column("instrument", "Instrument", fill=True, width=14, hint=f"Its identifier. {known}"[:250]),
        Column("read_on", "Read on (date)", "date", True, width=14, hint="A date, for example 2026-03-01."),
    ]


def timetable_columns(study: Study, *, dated: bool, loads: bool) -> list[Column]:
    """Return what a step of the timetable says; nothing of it is filled in."""
    return [
        Column("step", "Step", "number", width=7),
        Column("day", "Day", "number", width=7),
        *([Column("date", "Date", width=12)] if dated else []),
        Column("time", "Time", width=8),
        Column("what", "What", width=24),
        *([Column("load", "Load", width=8)] if loads else []),
        Column("prints", "Prints", width=34),
        *([Column("printer", "Printer", width=fitting(one.name for one in study.printers))] if study.printers else []),
        Column("note", "Note", width=74),
    ]


def _number(
    key: str, header: str, hint: str, plausible: tuple[float, float] | None = None, *, positive: bool = False
) -> Column:
    width = max(10.0, _narrow(header))
    return Column(key, header, "number", fill=True, positive=positive, width=width, hint=hint, usual=plausible)


def distinct(columns: Iterable[Column]) -> tuple[Column, ...]:
    """Give columns whose headers would read alike their key in brackets, since columns are found by their headers."""
    columns = tuple(columns)
    headers = [column.header.casefold() for column in columns]
    return tuple(
        column if headers.count(column.header.casefold()) == 1
        else replace(column, header=f"{column.header} [{column.key}]")
        for column in columns
    )
