"""The columns of the workbook: their keys, their headers in words, what their cells may hold.

Keys are the column names of the record, too: ``used.FACTOR``, ``outcome``, ``force.RESPONSE`` and so on.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from doe.numerics.strength import FORMULAS, Input
from doe.sheet import usual
from doe.study.operators import Texts, texts_of
from doe.study.responses import ends_at_break
from doe.study.spec import Covariate, Factor, Oven, Response, Study

Value = str | float | int
Kind = Literal["number", "text", "choice", "date", "datetime", "stress"]

OUTCOMES = (
    "completed", "detached", "clogged", "warped", "broke in handling", "broke in grips", "no break", "lost", "skipped",
)
"""What is recorded of a print or coupon; the words that operators choose for it are in their language."""
OFF_PLAN = "off plan"
DEVIATIONS = (OFF_PLAN, "suspect")
"""The same of what did not go to plan."""
PASS_FAIL = ("pass", "fail")
"""The same of a response that is passed or failed."""
NEVER_PRINTED = ("lost", "skipped")
"""Outcomes of a print with which neither it nor its coupons can have a value."""
NEVER_MEASURED = (*NEVER_PRINTED, "detached", "clogged")
"""Outcomes of a coupon with which it can have no value at all."""
NEVER_TESTED = (*NEVER_MEASURED, "broke in handling")
"""Outcomes of a coupon with which it can have no value of a test that a break ends."""
TESTED = ("completed", "broke in grips", "no break")
"""Outcomes with which every value is expected."""
OUTCOME_OF = "outcome."
"""How the keys of the columns begin that say what became of one test's piece, where several tests share a row."""
DIMENSIONS = tuple(
    dict.fromkeys(f"{one.key}." for formula in FORMULAS.values() for one in formula.inputs if one.dimension)
)
"""How the keys of dimensions begin, which are measured before a test and are no results."""
_POSITIVE_UNITS = frozenset(
    {"Pa", "kPa", "MPa", "GPa", "N", "kN", "N/mm", "N/m", "J", "J/m", "kJ/m2", "kJ/m^2", "kJ/m²"}
)
_OWN_READING = ("flexural", "peel", "tear")
"""Formulas for which something else is read off than for others of the same input (ISO 178, ISO 8510, ISO 34-1; from memory)."""


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
    read_off: bool = False
    """Whether it is measured of a coupon whatever broke (:func:`doe.study.responses.ends_at_break`)."""


def shown(say: Texts, table: str, kept: Iterable[str]) -> dict[str, Value]:
    """Return what a list offers, and what is recorded of each: the words of a table of texts."""
    return {say(f"{table}.{word}"): word for word in kept}


def fitting(texts: Iterable[str], most: float = 24.0) -> float:
    """Return a column width, in characters, that shows every text, within reason."""
    return min(most, max([9.0, *(len(text) + 3.0 for text in texts)]))


def _narrow(header: str) -> float:
    """Return the width of a column of figures: its header's longest word fits."""
    return max(8.0, *(len(word) + 2.5 for word in header.split()))


def _longest(header: str) -> float:
    """Return how wide the longest word of a header is in bold type."""
    return max(len(word) + 2.5 for word in header.replace("-", "- ").split())


def _unit(text: str) -> str:
    return f" ({text})" if text not in ("", "1") else ""


def setting_columns(study: Study, factor: Factor, *, with_used: bool) -> list[Column]:
    """Return target, setpoint and (where wanted) the setpoint used instead; a level's target is its setpoint."""
    planned, used = _level_columns(texts_of(study), factor) if factor.levels else _numeric_columns(study, factor)
    return [*planned, used] if with_used else planned


def _level_columns(say: Texts, factor: Factor) -> tuple[list[Column], Column]:
    name, levels = say.name(factor.name), {level: level for level in factor.levels or ()}
    used = Column(
        f"used.{factor.name}", say("columns.used", name=name, unit=""), "choice", fill=True, choices=levels,
        width=fitting(levels, 18), hint=say("hints.used_level"),
    )
    return [Column(f"set.{factor.name}", say("columns.set", name=name, unit=""), width=fitting(levels, 18))], used


def _numeric_columns(study: Study, factor: Factor) -> tuple[list[Column], Column]:
    say = texts_of(study)
    name, unit = say.name(factor.name), _unit(factor.display_unit)
    limits = [printer.limits.get(factor.name, (float("-inf"), float("inf"))) for printer in study.printers]
    planned = [
        Column(f"target.{factor.name}", say("columns.target", name=name, unit=unit), "number", width=_narrow(name)),
        Column(f"set.{factor.name}", say("columns.set", name=name, unit=unit), "number", width=_narrow(name)),
    ]
    used = Column(
        f"used.{factor.name}", say("columns.used", name=name, unit=unit), "number", fill=True, width=_narrow(name),
        low=_least(factor, min((low for low, _ in limits), default=float("-inf"))),
        high=_finite(max(high for _, high in limits)) if limits else None,
        positive=factor.scale == "log", hint=say("hints.used"),
    )
    return planned, used


def _least(factor: Factor, limit: float) -> float | None:
    """Return what a setting cannot lie below: a printer's limit, and of a drying time that stands for a moisture zero."""
    return _finite(max(limit, 0.0) if factor.scale == "moisture" else limit)


def _finite(limit: float) -> float | None:
    return limit if math.isfinite(limit) else None


def value_columns(response: Response, say: Texts) -> list[Column]:
    """Return the columns in which one response is recorded."""
    upto = response.coupons if response.per == "coupon" else None
    read_off = response.per == "coupon" and not ends_at_break(response)
    return [replace(column, part="result", upto=upto, read_off=read_off) for column in _value_columns(response, say)]


def _value_columns(response: Response, say: Texts) -> list[Column]:
    name, method = say.name(response.name), method_of(say, response)
    if response.formula is not None:
        return [*_input_columns(response, say, method), _computed_column(response, say)]
    if response.kind == "graded":
        grades: dict[str, Value] = {str(grade): float(grade) for grade in response.grades or ()}
        least, most = min(response.grades or (0,)), max(response.grades or (0,))
        header = say("columns.graded", name=name, least=least, most=most)
        return [Column(response.name, header, "choice", fill=True, choices=grades, hint=say("hints.grade", method=method))]
    if response.kind == "pass_fail":
        header, hint = say("columns.judged", name=name), say("hints.judge", method=method)
        offered = shown(say, "pass_fail", PASS_FAIL)
        width = fitting(offered, 16) + 2
        return [Column(response.name, header, "choice", fill=True, choices=offered, width=width, hint=hint)]
    positive = response.transform == "log" or response.unit in _POSITIVE_UNITS
    header = f"{name}{_unit(response.display_unit)}"
    made = _number(response.name, header, say("hints.not_blank", method=method), positive=positive)
    return [replace(made, usual=usual.of_response(response, positive=positive))]


def method_of(say: Texts, response: Response) -> str:
    """Return a response's method as it follows a sentence; empty where the study gives none."""
    return say("hints.method", method=response.method) if response.method else ""


def _input_columns(response: Response, say: Texts, method: str) -> list[Column]:
    """Return a column for everything that a response's formula needs."""
    def hint(one: Input) -> str:
        if one.dimension:
            return say("hints.dimension")
        read_off = response.formula if response.formula in _OWN_READING else one.key
        return say("hints.measured", what=say(f"measured.{read_off}"), method=method)

    name = say.name(response.name)
    return [
        _number(key, f"{name}: {say(f'inputs.{one.label}')} ({one.unit})", hint(one), usual.INPUTS[one.key], positive=True)
        for key, one in response.inputs.items()
    ]


def _computed_column(response: Response, say: Texts) -> Column:
    """Return the locked column of what follows by a response's formula: nothing while an input is missing or not above 0."""
    assert response.formula is not None
    cells = {one.key: f"{{{key}}}" for key, one in response.inputs.items()}
    value = FORMULAS[response.formula].in_cell(cells).removeprefix("=")
    header = say("columns.computed", name=say.name(response.name), unit=_unit(response.display_unit))
    return Column(response.name, header, "stress", formula=f'=IF(MIN({",".join(cells.values())})>0,{value},"")')


def outcome_columns(say: Texts, thing: Literal["print", "coupon"]) -> list[Column]:
    """Return the two columns that say what happened to a print or coupon."""
    outcomes, deviations = shown(say, "outcomes.word", OUTCOMES), shown(say, "deviations.word", DEVIATIONS)
    hint = say(f"hints.outcome_of_{thing}")
    return [
        Column("outcome", say("columns.outcome"), "choice", True, outcomes, width=17, hint=hint, part="result"),
        Column("deviation", say("columns.deviation"), "choice", True, deviations, hint=say("hints.deviation"), part="result"),
    ]


def outcome_of_test(response: Response, say: Texts) -> Column:
    """Return the column that says what became of one test's piece where other tests of its row were made as the row says."""
    offered = shown(say, "outcomes.word", OUTCOMES)
    return Column(
        f"{OUTCOME_OF}{response.name}", say("columns.test_outcome", name=say.name(response.name)), "choice", True, offered,
        optional=True, width=fitting(offered, 13), hint=say("hints.test_outcome"), part="result", upto=response.coupons,
    )


def in_part(columns: Iterable[Column], part: Literal["plan", "result", "more"]) -> list[Column]:
    """Return columns that belong on another page of paper than they would."""
    return [replace(column, part=part) for column in columns]


def print_remarks(say: Texts) -> list[Column]:
    """Return what is written about a print besides its results."""
    return [
        Column("operator", say("columns.operator"), fill=True, hint=say("hints.initials_or_name")),
        Column("printed_on", say("columns.printed_on"), "date", True, width=12, hint=say("hints.a_date")),
        note(say),
    ]


def note(say: Texts) -> Column:
    """Return the column for remarks."""
    return Column("note", say("columns.note"), fill=True, width=26, hint=say("hints.unusual"))


def reading_columns(study: Study) -> list[Column]:
    """Return the columns for readings of actual values at the prints, of the factors whose reading is trusted."""
    read, say = [factor for factor in study.factors if factor.reading_sd is not None], texts_of(study)
    headers = {one.name: say("columns.read", name=say.name(one.name), unit=_unit(one.display_unit)) for one in read}
    spans = [usual.of_factors([one], study.printers) for one in read]
    return [
        replace(_number(f"read.{one.name}", headers[one.name], say("hints.read"), span), optional=True)
        for one, span in zip(read, spans, strict=True)
    ]


def covariate_columns(study: Study, per: Literal["print", "load"]) -> list[Column]:
    """Return the columns in which the covariates of prints, or of drying loads, are written down."""
    return [_covariate(texts_of(study), one) for one in study.covariates if one.per == per]


def _covariate(say: Texts, one: Covariate) -> Column:
    key, name, method = f"covariate.{one.name}", say.name(one.name), f" {one.method}." if one.method else ""
    hint = say(f"hints.covariate_of_{one.per}", method=method)
    if one.kind == "date":
        hint = say("hints.covariate_date", hint=hint)
        return Column(key, say("columns.date", name=name), "date", True, width=12, optional=True, hint=hint)
    return replace(_number(key, f"{name}{_unit(one.display_unit)}", hint), optional=True)


def drying_columns(say: Texts, oven: Oven) -> list[Column]:
    """Return what is written about a drying load."""
    return [
        Column("spool", say("columns.spool"), fill=True, width=13, hint=say("hints.spool")),
        Column("dried_from", say("columns.dried_from"), "datetime", True, width=17, hint=say("hints.dried_from")),
        Column("dried_to", say("columns.dried_to"), "datetime", True, width=17, hint=say("hints.dried_to")),
        replace(
            _number("oven_reading", say("columns.oven_reading"), say("hints.oven_reading"), usual.of_oven(oven)),
            low=-50, high=500,
        ),
        _number("mass_before", say("columns.mass_before"), say("hints.mass_before"), usual.MASS, positive=True),
        _number("mass_after", say("columns.mass_after"), say("hints.mass_after"), usual.MASS, positive=True),
        note(say),
    ]


def spool_columns(say: Texts) -> list[Column]:
    """Return what is written about a spool of filament."""
    return [
        Column("lot", say("columns.lot"), fill=True, width=16, hint=say("hints.lot")),
        Column("spool", say("columns.spool"), fill=True, width=16, hint=say("hints.spool_of_ledger")),
        Column("opened_on", say("columns.opened_on"), "date", True, width=14, hint=say("hints.opened_on")),
        replace(_number("moisture", say("columns.moisture"), say("hints.moisture"), usual.MOISTURE), low=0, high=100),
        note(say),
    ]


def check_columns(study: Study, factors: Sequence[Factor]) -> list[Column]:
    """Return what is written about a reading of a reference probe on a printer."""
    span, say = usual.of_factors(factors, study.printers), texts_of(study)
    printers: dict[str, Value] = {printer.name: printer.name for printer in study.printers}
    read: dict[str, Value] = {say.name(factor.name): factor.name for factor in factors}
    known = ", ".join(instrument.id for instrument in study.instruments)
    hint = say("hints.printer")
    printer = Column("printer", say("columns.printer"), "choice", True, printers, width=fitting(printers), hint=hint)
    return [
        *([printer] if printers else []),
        Column("factor", say("columns.what_was_read"), "choice", True, read, width=fitting(read, 44), hint=say("hints.factor")),
        _number("set", say("columns.setpoint"), say("hints.set"), span),
        _number("actual", say("columns.actual"), say("hints.actual"), span),
        Column("instrument", say("columns.instrument"), fill=True, width=14, hint=say("hints.instrument", known=known)[:250]),
        Column("read_on", say("columns.read_on"), "date", True, width=14, hint=say("hints.a_date")),
    ]


def timetable_columns(study: Study, *, dated: bool, loads: bool) -> list[Column]:
    """Return what a step of the timetable says; nothing of it is filled in."""
    say = texts_of(study)
    printers = [Column("printer", say("columns.printer"), width=fitting(one.name for one in study.printers))]
    return [
        Column("step", say("columns.step"), "number", width=7),
        Column("day", say("columns.day"), "number", width=7),
        *([Column("date", say("columns.on_date"), width=12)] if dated else []),
        Column("time", say("columns.time"), width=8),
        Column("what", say("columns.what"), width=24),
        *([Column("load", say("columns.load"), width=8)] if loads else []),
        Column("prints", say("columns.prints"), width=34),
        *(printers if study.printers else []),
        Column("note", say("columns.note"), width=74),
    ]


def _number(
    key: str, header: str, hint: str, plausible: tuple[float, float] | None = None, *, positive: bool = False
) -> Column:
    width = max(10.0, _narrow(header))
    return Column(key, header, "number", fill=True, positive=positive, width=width, hint=hint, usual=plausible)


def distinct(columns: Iterable[Column]) -> tuple[Column, ...]:
    """
    Give columns whose headers would read alike their key in brackets, since columns are found by their headers.

    All are made as wide as the longest word of their header.
    """
    columns = tuple(replace(column, width=max(column.width, _longest(column.header))) for column in columns)
    headers = [column.header.casefold() for column in columns]
    return tuple(
        column if headers.count(column.header.casefold()) == 1
        else replace(column, header=f"{column.header} [{column.key}]")
        for column in columns
    )
