"""What reference probes say of each printer: the line from set to actual, with its doubt."""

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from doe.errors import InputRefused, Problem
from doe.numerics import calibration, uncertainty
from doe.numerics.calibration import Budget, Line, Scatter
from doe.study.spec import Check, Factor, Instrument, Printer, Study
from doe.study.z_direction import turned

Lines = Mapping[tuple[str, str], "PrinterLine"]
"""By name of printer and factor; those that were never read are not in it."""

CONTACT, READOUT = 5.0, 1.0
"""Half-widths in degC where the study states none: common practice, no source."""
_IEC_60584 = {"1": (1.5, 0.004), "2": (2.5, 0.0075)}
"""Tolerances of type K by class: degC, and share of the temperature."""
_TYPE_K = re.compile(r"type[\s-]*k\b.*\bclass\s*([12])\b", re.IGNORECASE)
FALSE_ALARMS = 0.05
"""Share of studies without any change in which a change is said to be found."""
_LEAST_SETPOINTS = 3


@dataclass(frozen=True)
class Drift:
    """How readings that were taken after planning lie to the line of those before it."""

    readings: int
    """How many there are."""
    offset: float
    """Mean of what they show above the line, the factor's unit."""
    allowed: float | None
    """Largest offset that chance, contact, readout and another probe explain, the factor's unit; None where the scatter of
    readings is unknown, or another instrument's limit of error (in degC that of class 2 is taken then)."""

    @property
    def found(self) -> bool:
        """Whether the printer no longer does what it did when the plan was made."""
        return self.allowed is not None and abs(self.offset) > self.allowed


@dataclass(frozen=True)
class PrinterLine:
    """What is known of one factor on one printer: setpoints and actual values in the study's sense, as readings are turned."""

    printer: str
    factor: str
    line: Line
    """As the printer is now: what a card's setpoints come from."""
    printed: Line
    """What tells the actual values of the study's prints. It differs from ``line`` only where the printer has drifted."""
    planned: Line | None
    """Of the study file's readings alone, from which a plan's setpoints were made; None where there are none."""
    scatter: Scatter | None
    """Of single readings of this factor, pooled over the printers; None where it is unknown."""
    budget: Budget
    assumed: tuple[str, ...]
    """Parts of the budget that the study does not state: ``contact``, ``readout``."""
    drift: Drift | None
    """None where no reading was taken after planning, or none before."""
    unstated: tuple[str, ...] = ()
    """What it was read with whose limit of error is not stated, as it was named; an empty name where a reading names none. The
    budget's limit is then the largest that is stated of what reads this factor, or None where none is."""

    @property
    def unknown(self) -> tuple[str, ...]:
        """What the uncertainty does not know: ``probe``, ``scatter``."""
        return (*(["probe"] if self.unstated else []), *(["scatter"] if self.scatter is None else []))


@dataclass(frozen=True)
class _Reading:
    set: float
    actual: float
    instrument: str
    later: bool


def line_of(printer: Printer, factor: Factor) -> Line | None:
    """Return the line of the study file's own readings, from which plans are made; None where there are none."""
    read = _of_study(printer, factor)
    return _fitted(read) if read else None


def lines_of(study: Study, readings: pd.DataFrame | None = None) -> Lines:
    """
    Return the line of every factor that was read on a printer.

    Parameters
    ----------
    study : Study
    readings : DataFrame, optional
        The record's ``checks``: readings that came through the workbook, after planning.

    Returns
    -------
    mapping of (printer, factor) to PrinterLine

    Raises
    ------
    InputRefused
        Readings that give no rising line together.

    Notes
    -----
    The plan stays as it is. Where later readings agree with the study's, all of them make one line, which tells better what the
    prints had and what to set. Where they do not, the printer drifted: the prints keep the line that their setpoints were
    made from, since nobody knows which of them were made after the change, and the card has a line of the later readings
    (with fewer than three setpoints, or setpoints close together: the old slope at the new level). A printer that was read
    only later gets the line of these readings for both. ``calibration_findings`` says what matters of this.

    Only the mean offset of the later readings is judged. What may differ between two occasions counts: contact and readout
    twice, and the limits of error where another instrument was used. Of studies whose printers stay as they are, at most 5 %
    are told that one drifted, however many lines there are: measured 5.3 % of 1000 studies with one printer and 4.1 % with three
    (three readings before and three later, scatter 1, contact and readout exact), 1.3 % of 300 with a contact of 2.5.
    """
    rows = [] if readings is None or readings.empty else readings.dropna(subset=["set", "actual"]).to_dict("records")
    found = {}
    for factor in (one for one in study.factors if one.is_numeric):
        for printer in study.printers:
            read = [*_of_study(printer, factor), *_of_record(rows, printer, factor)]
            if read:
                found[printer.name, factor.name] = read
    try:
        return _judged(study, found)
    except _NoLine as refused:
        name, factor_name, why = refused.args
        raise InputRefused(
            Problem(
                f"record/checks.csv, printer '{name}', factor '{factor_name}'",
                f"its readings give no line from set to actual ({why})",
                "actual values rise with the setpoint",
                "look for readings typed in the wrong order or in another unit, and correct them in the workbook",
            )
        ) from None


class _NoLine(Exception):
    """Printer, factor and the reason."""


def _of_study(printer: Printer, factor: Factor) -> list[_Reading]:
    return [
        _Reading(at, actual, check.instrument or "", later=False)
        for check in printer.checks
        if check.factor == factor.name
        for at, actual in zip(*(turned(factor, printer, one).tolist() for one in (check.set, check.actual)), strict=True)
    ]


def _of_record(rows: Iterable[Mapping[Any, Any]], printer: Printer, factor: Factor) -> list[_Reading]:
    mine = [row for row in rows if row["printer"] == printer.name and row["factor"] == factor.name]
    read = [turned(factor, printer, [row["set"], row["actual"]]).tolist() for row in mine]
    return [
        _Reading(at, actual, str(row["instrument"] or "").strip(), later=True)
        for row, (at, actual) in zip(mine, read, strict=True)
    ]


def _fitted(read: list[_Reading]) -> Line:
    return calibration.fit_line([one.set for one in read], [one.actual for one in read])


def _judged(study: Study, found: Mapping[tuple[str, str], list[_Reading]]) -> Lines:
    occasions = {key: _occasions(read) for key, read in found.items()}
    compared = sum(bool(before and after) for before, after in occasions.values())
    printers, lines = {one.name: one for one in study.printers}, {}
    for factor in study.factors:
        own = {key: occasions[key] for key in found if key[1] == factor.name}
        tools = {one.instrument for key in own for one in found[key]}
        declared = [limit for tool in study.instruments if tool.id in tools and (limit := _limit(tool, factor)) is not None]
        scatter = _scatter(factor, [printers[name] for name, _ in own], list(own.values()))
        for key, (before, after) in own.items():
            case = _Case(study, printers[key[0]], factor, before, after, scatter, tuple(declared))
            lines[key] = _with_drift(case, FALSE_ALARMS / max(compared, 1))
    return lines


def _occasions(read: list[_Reading]) -> tuple[list[_Reading], list[_Reading]]:
    return [one for one in read if not one.later], [one for one in read if one.later]


def _scatter(
    factor: Factor, printers: list[Printer], occasions: list[tuple[list[_Reading], list[_Reading]]]
) -> Scatter | None:
    """Return the scatter of readings of a factor, each occasion alone, so that a drift in between does not count as scatter."""
    lines = [line for parts in occasions for read in parts if (line := _line_or_none(read)) is not None]
    stated = [check.repeatability for printer in printers for check in _checks(printer, factor)]
    return calibration.pooled_scatter(lines, max((one for one in stated if one is not None), default=None))


def _line(key: tuple[str, str], read: list[_Reading]) -> Line:
    try:
        return _fitted(read)
    except ValueError as error:
        raise _NoLine(*key, str(error)) from None


def _line_or_none(read: list[_Reading]) -> Line | None:
    try:
        return _fitted(read) if read else None
    except ValueError:  # few readings close together: alone they give no line, with the others they may
        return None


@dataclass(frozen=True)
class _Case:
    study: Study
    printer: Printer
    factor: Factor
    before: list[_Reading]
    after: list[_Reading]
    scatter: Scatter | None
    declared: tuple[tuple[float, float], ...]
    """Stated limits of error of all that reads the factor, on any printer: absolute, and as a share."""


def _with_drift(case: _Case, false_alarms: float) -> PrinterLine:
    key = (case.printer.name, case.factor.name)
    planned = _line(key, case.before) if case.before else None
    drift = None if planned is None or not case.after else _drift(case, planned, false_alarms)
    if planned is not None and drift is not None and drift.found:
        now, printed, read = _after_drift(planned, case.after), planned, case.after
    else:
        read = [*case.before, *case.after]
        now = printed = _line(key, read)
    budget, assumed, unstated = _budget(case, read)
    return PrinterLine(
        case.printer.name, case.factor.name, now, printed, planned, case.scatter, budget, assumed, drift, unstated
    )


def _after_drift(planned: Line, after: list[_Reading]) -> Line:
    """Return the line of later readings that tell a slope: at three setpoints, over half of the range before, or more."""
    setpoints = [one.set for one in after]
    line = _line_or_none(after)
    if (
        line is not None
        and len(set(setpoints)) >= _LEAST_SETPOINTS
        and np.ptp(setpoints) >= (planned.high - planned.low) / 2
    ):
        return line
    return calibration.moved(planned, setpoints, [one.actual for one in after])


def _drift(case: _Case, planned: Line, false_alarms: float) -> Drift:
    before, after = _budget(case, case.before), _budget(case, case.after)
    halves: list[float | None] = [half for budget, *_ in (before, after) for half in (budget.contact, budget.readout)]
    if {one.instrument for one in case.before} != {one.instrument for one in case.after}:
        at = float(np.mean([one.actual for one in case.after]))
        halves += [_probe_half(budget, unstated, at, case.factor) for budget, _, unstated in (before, after)]
    known_halves = [half for half in halves if half is not None]
    between = uncertainty.even_spread(math.hypot(*known_halves))
    setpoints, actual = [one.set for one in case.after], [one.actual for one in case.after]
    known = case.scatter or Scatter(0.0, math.inf)
    offset, doubt = calibration.offset_from(planned, known, setpoints, actual, between)
    judged = case.scatter is not None and len(known_halves) == len(halves)
    allowed = doubt.standard * uncertainty.two_sided(doubt.dof, 1 - false_alarms) if judged else None
    return Drift(len(case.after), offset, allowed)


def _probe_half(budget: Budget, unstated: tuple[str, ...], at: float, factor: Factor) -> float | None:
    """Return the limit of error of what was read with; a thermometer without a stated one has that of class 2 or more."""
    stated = None if budget.limit is None else max(budget.limit, budget.share * abs(at))
    if not unstated:
        return stated
    if factor.unit != "degC":
        return None
    least, share = _IEC_60584["2"]
    return max(stated or 0.0, least, share * abs(at))  # a slip in a name must not make a drift out of what was none


def _checks(printer: Printer, factor: Factor) -> list[Check]:
    return [check for check in printer.checks if check.factor == factor.name]


def _budget(case: _Case, read: list[_Reading]) -> tuple[Budget, tuple[str, ...], tuple[str, ...]]:
    """
    Return the budget of a line, by its worst instrument and contact, what of it is assumed, and what states no limit of error.

    A slip in an instrument's name must not make the uncertainty smaller: what states no limit counts as the worst that does.
    """
    known = {one.id: one for one in case.study.instruments}
    names = list(dict.fromkeys(one.instrument for one in read))
    tools = [known.get(name) for name in names]
    unstated = tuple(name for name, tool in zip(names, tools, strict=True) if _limit(tool, case.factor) is None)
    limits = [limit for tool in tools if (limit := _limit(tool, case.factor)) is not None]
    limits += case.declared if unstated else ()
    celsius = case.factor.unit == "degC"
    checks = _checks(case.printer, case.factor)
    contacts = [check.contact for check in checks if check.contact is not None]
    readouts = [tool.readout for tool in tools if tool is not None and tool.readout is not None]
    assumed = [
        *(["contact"] if celsius and (not contacts or len(contacts) < len(checks)) else []),
        *(["readout"] if celsius and len(readouts) < len(tools) else []),
    ]
    return Budget(
        limit=max((limit for limit, _ in limits), default=None),
        share=max((share for _, share in limits), default=0.0),
        contact=max([*contacts, *([CONTACT] if "contact" in assumed else [])], default=0.0),
        readout=max([*readouts, *([READOUT] if "readout" in assumed else [])], default=0.0),
    ), tuple(assumed), unstated


def _limit(tool: Instrument | None, factor: Factor) -> tuple[float, float] | None:
    if tool is None:
        return None
    if tool.limit_of_error is not None:
        return tool.limit_of_error, 0.0
    named = _TYPE_K.search(tool.kind) if factor.unit == "degC" else None
    return _IEC_60584[named.group(1)] if named else None
