"""Verdicts on the readings of reference probes: printers that drifted, were never read, or are set beyond what was read."""

import datetime
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd

from doe.design import calibrated
from doe.design.calibrated import FALSE_ALARMS, Drift, Lines, PrinterLine
from doe.numerics import calibration, uncertainty
from doe.study import z_direction
from doe.study.spec import Factor, Printer, Study
from doe.verdicts import Verdict


def line_findings(study: Study, lines: Lines) -> Iterator[Verdict]:
    """
    Yield what later readings found: a printer that drifted, or one that never reached what the plan took for granted.

    Parameters
    ----------
    study : Study
    lines : mapping
        From ``calibrated.lines_of``, with the record's readings.

    Notes
    -----
    A printer that nobody had read before planning is said not to reach its setpoints where the miss at an end of the range is
    half an increment or more, and beyond what the scatter of readings alone gives in 5 % of studies in which all printers do.
    Contact and probe are left out on purpose: whatever made these readings, the fit and the card go by them.
    """
    factors = {factor.name: factor for factor in study.factors}
    unread = [one for one in lines.values() if one.planned is None]
    for one in lines.values():
        if one.drift is not None and one.drift.found:
            printer = next(each for each in study.printers if each.name == one.printer)
            yield _drifted(one, one.drift, factors[one.factor], printer)
    for one in unread:
        yield from _not_as_planned(one, factors[one.factor], FALSE_ALARMS / (2 * len(unread)))


def _drifted(one: PrinterLine, drift: Drift, factor: Factor, printer: Printer) -> Verdict:
    unit, side = factor.display_unit, "above" if z_direction.turned(factor, printer, drift.offset) > 0 else "below"
    assert drift.allowed is not None
    return Verdict(
        "printer drifted",
        f"{_readings(drift.readings)} of {factor.name} on printer {one.printer} since planning average "
        f"{abs(drift.offset):.2g} {unit} {side} what the earlier readings give; up to {drift.allowed:.2g} {unit} may be "
        "chance or contact. The prints are fitted with the earlier readings, the card is made from the later ones",
        f"find out what changed on printer {one.printer} and when (sensor, heater, nozzle), read it again, and mark prints "
        "that were made since as suspect",
        factor.name,
    )


def _not_as_planned(one: PrinterLine, factor: Factor, false_alarms: float) -> Iterator[Verdict]:
    assert factor.low is not None and factor.high is not None
    planned = np.array([factor.low, factor.high])
    reached = calibration.to_actual(one.line, planned)
    chance = np.zeros(2)
    if one.scatter is not None:
        by_scatter = calibration.standard_error(calibration.with_scatter(one.line, one.scatter), planned)
        chance = by_scatter * uncertainty.two_sided(one.scatter.dof, 1 - false_alarms)
    if (np.abs(reached - planned) < np.maximum(chance, (factor.increment or 0.0) / 2)).all():
        return
    unit = factor.display_unit
    yield Verdict(
        "actual values not as planned",
        f"nobody had read {factor.name} on printer {one.printer} when the plan was made, which took for granted that prints "
        f"reach {planned[0]:g} to {planned[1]:g} {unit}; by the readings since, these setpoints reach {reached[0]:.4g} to "
        f"{reached[1]:.4g} {unit}. The fit uses what was reached; the plan stays as it is",
        f"add the readings to printer {one.printer} in study.toml (doe amend) before a next round is planned",
        factor.name,
    )


def beyond_findings(study: Study, runs: pd.DataFrame, lines: Lines | None = None) -> Iterator[Verdict]:
    """
    Yield where prints are set to what their printer's readings do not cover.

    Parameters
    ----------
    study : Study
    runs : DataFrame
        Of a plan: ``printer`` and ``set.FACTOR``.
    lines : mapping, optional
        From ``calibrated.lines_of``; by default those of the study file alone.
    """
    known = calibrated.lines_of(study) if lines is None else lines
    for (name, factor_name), one in known.items():
        factor = next(each for each in study.factors if each.name == factor_name)
        printer = next(each for each in study.printers if each.name == name)
        values = runs.loc[runs["printer"] == name, f"set.{factor_name}"].to_numpy(dtype=float)
        turned = z_direction.turned(factor, printer, values)
        beyond = values[~calibration.covers(one.printed, turned, factor.increment or 0.0)]
        if len(beyond):
            unit, at = factor.display_unit, f"{beyond.min():g}" + (f" and {beyond.max():g}" if np.ptp(beyond) else "")
            low, high = sorted(z_direction.turned(factor, printer, [one.printed.low, one.printed.high]).tolist())
            yield Verdict(
                "prints beyond the checks",
                f"{len(beyond)} of {len(values)} prints on printer {name} are set to {factor_name} outside of "
                f"{low:g} to {high:g} {unit}, which its readings cover; the actual values there are "
                "a guess along the line, and 'doe recommend' gives this printer no setpoint beyond what was read",
                f"read the reference probe on printer {name} at {at} {unit}, before these are printed where that can still be:"
                " add the reading to its [[printers.checks]], or collect it",
                factor_name,
            )


UNREAD = "setpoint not checked"


def unread_findings(study: Study, names: list[str], lines: Lines) -> Iterator[Verdict]:
    """
    Yield the factors that no probe has read on some printers, so that their setpoints are not corrected.

    Parameters
    ----------
    study : Study
    names : list of str
        Printers that are meant.
    lines : mapping
        From ``calibrated.lines_of``.

    Notes
    -----
    Meant are temperatures that are set on the printers, and whatever was read on one of them at least. Factors of which the same
    is to be said are named together.
    """
    alike: dict[tuple[tuple[str, ...], bool], list[str]] = {}
    for factor in (one for one in study.factors if one.is_numeric):
        unread = tuple(name for name in names if (name, factor.name) not in lines)
        heated = factor.unit == "degC" and factor.change == "print"
        if unread and (heated or len(unread) < len(names)):
            alike.setdefault((unread, heated), []).append(factor.name)
    for (unread, heated), factors in alike.items():
        named, where = ", ".join(factors), _printers(unread)
        differ = ", and printers of one kind commonly differ by 2 to 4 °C (common practice, no source)" if heated else ""
        yield Verdict(
            UNREAD,
            f"no reference probe has read {named} on {where}: the setpoint there is the setting itself{differ}",
            f"read {named} on {where} at three setpoints or more, and collect the readings",
            named,
        )


def overdue_findings(study: Study, readings: pd.DataFrame | None = None) -> Iterator[Verdict]:
    """Yield instruments with which was read after their calibration was due."""
    used = [
        (check.instrument, check.date)
        for printer in study.printers
        for check in printer.checks
        if check.date is not None
    ]
    rows: list[dict[Any, Any]] = [] if readings is None else readings.to_dict("records")
    used += [
        (str(row["instrument"]).strip(), datetime.date.fromisoformat(row["read_on"])) for row in rows if row["read_on"]
    ]
    for tool in study.instruments:
        late = sorted(day for name, day in used if name == tool.id and tool.due is not None and day > tool.due)
        if late:
            yield Verdict(
                "probe overdue",
                f"{tool.id} was due for calibration on {tool.due} and read with on {late[0]}"
                + (f" and {len(late) - 1} times more" if len(late) > 1 else ""),
                f"have {tool.id} calibrated; where it is found wrong, read the printers again",
                "",
            )


def _readings(count: int) -> str:
    return "1 reading" if count == 1 else f"{count} readings"


def _printers(names: Sequence[str]) -> str:
    return f"printer{'s' if len(names) > 1 else ''} {', '.join(names)}"
