"""How each printer is set to reach the recommended setting, or what one setpoint for all would do."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from doe.design import calibrated, calibration_findings, setpoints
from doe.design.calibrated import Lines, PrinterLine
from doe.numerics import calibration
from doe.study import nonlinear_scales, z_direction
from doe.study.spec import Factor, Printer, Study
from doe.verdicts import Verdict

Array = NDArray[np.float64]
Value = float | str


def printer_rows(
    study: Study, names: Sequence[str], settings: Mapping[str, Value], lines: Lines | None = None
) -> tuple[tuple[dict[str, Any], ...], tuple[Verdict, ...]]:
    """
    Return the setpoints that bring each printer to the setting.

    Parameters
    ----------
    study : Study
    names : sequence of str
        Printers that printed.
    settings : mapping of factor name to value
        Actual values, natural units, or levels.
    lines : mapping, optional
        From ``calibrated.lines_of`` with the record's readings; by default those of the study file alone.

    Returns
    -------
    rows : tuple of dict
        One a printer, plain data: ``printer``; ``setpoints`` (factor -> value on its increments, or level; None where no
        setpoint is given since the readings do not cover it); ``checked`` (factors that a reference probe has read there; the
        others are set to the setting itself); and for the checked factors ``reaches`` (factor -> the actual value at the
        setpoint), ``expanded`` (factor -> its expanded uncertainty, the factor's unit, or None where it is not known),
        ``set_expanded`` (the same for the setpoint that the setting needs), ``coverage`` (factor -> how many standard
        uncertainties that is), ``unknown`` (factor -> what it does not know: ``probe``, ``scatter``), ``assumed`` (factor ->
        parts that the study does not state: ``contact``, ``readout``) and ``beyond`` (factor -> ``low`` and ``high`` of the
        setpoints that were checked, the one to read at: ``read_at``, and the actual value that is ``wanted``). ``drifted``
        names the factors whose setpoint comes from later readings alone, since the printer moved; ``of_load`` those that are
        set with the drying load and not on the printer; ``turned`` (factor -> the printer's ``z_closer``) those whose setpoints,
        with ``low``, ``high`` and ``read_at``, have the other sign than the study, in which all else is given; ``scales``, where
        some factor is modelled on another scale than its own, what is to be said of it; ``unstated`` (factor -> names of what
        read it whose limit of error is not stated, "" where a reading names none), where there is such.
    verdicts : tuple of Verdict
        One for each setpoint that is not given, each factor that was not read, and each reason why an uncertainty is not whole.
    """
    known = calibrated.lines_of(study) if lines is None else lines
    printers = [one for one in study.printers if one.name in names]
    rows = tuple(_row(study, printer, settings, known) for printer in printers)
    verdicts = (
        *(verdict for row in rows for verdict in _beyond(study, row)),
        *calibration_findings.unread_findings(study, [one.name for one in printers], known), *_not_whole(study, rows),
    )
    return rows, verdicts


def _row(study: Study, printer: Printer, settings: Mapping[str, Value], lines: Lines) -> dict[str, Any]:
    row: dict[str, Any] = {
        "printer": printer.name, "setpoints": {}, "checked": [], "reaches": {}, "expanded": {}, "set_expanded": {},
        "coverage": {}, "unknown": {}, "assumed": {}, "beyond": {}, "drifted": [],
        "of_load": [factor.name for factor in study.factors if factor.change == "load"],
        "turned": {factor.name: printer.z_closer for factor in study.factors if z_direction.is_turned(factor, printer)},
    }
    said = {factor.name: words for factor in study.factors if (words := nonlinear_scales.scale_words(study, factor))}
    row |= {"scales": said} if said else {}
    for factor in study.factors:
        one, value = lines.get((printer.name, factor.name)), settings[factor.name]
        row["setpoints"][factor.name] = value if isinstance(value, str) else float(z_direction.turned(factor, printer, value))
        if one is None or isinstance(value, str):
            continue
        row["checked"].append(factor.name)
        row["drifted"] += [factor.name] if one.drift is not None and one.drift.found else []
        at = float(setpoints.on_grid(factor, calibration.to_set(one.line, [value]))[0])
        if one.unstated:
            row.setdefault("unstated", {})[factor.name] = list(one.unstated)
        if calibration.covers(one.line, at, factor.increment or 0.0):
            row["setpoints"][factor.name] = float(z_direction.turned(factor, printer, at))
            for key, found in _reached(one, at).items():
                row[key][factor.name] = found
        else:
            row["setpoints"][factor.name] = None
            low, high = sorted(z_direction.turned(factor, printer, [one.line.low, one.line.high]).tolist())
            read_at = float(z_direction.turned(factor, printer, at))
            row["beyond"][factor.name] = {"low": low, "high": high, "read_at": read_at, "wanted": value}
    return row


def _reached(one: PrinterLine, at: float) -> dict[str, Any]:
    # the scatter alone is smaller than any whole uncertainty: without a limit of error none is given
    stated = one.budget.limit is not None
    doubt = calibration.actual_uncertainty(one.line, one.scatter, one.budget, at) if stated else None
    of_set = None if doubt is None else calibration.set_uncertainty(one.line, doubt)
    return {
        "reaches": float(calibration.to_actual(one.line, at)), "expanded": None if doubt is None else doubt.expanded,
        "set_expanded": None if of_set is None else of_set.expanded, "coverage": None if doubt is None else doubt.factor,
        "unknown": list(one.unknown), "assumed": list(one.assumed) if stated else [],
    }


def _beyond(study: Study, row: Mapping[str, Any]) -> Iterator[Verdict]:
    """Yield a verdict where the readings of a reference probe do not cover a setpoint."""
    units = {factor.name: factor.display_unit for factor in study.factors}
    for name, range_ in row["beyond"].items():
        at, unit = f"{range_['read_at']:g} {units[name]}", units[name]
        yield Verdict(
            "setpoint beyond the checks",
            f"printer {row['printer']} would have to be set to about {at}, and its readings cover {range_['low']:g} to "
            f"{range_['high']:g} {unit}: no setpoint is given",
            f"read the reference probe on printer {row['printer']} at {at}, collect the reading, and run 'doe recommend' again",
            name,
        )


def _not_whole(study: Study, rows: Sequence[Mapping[str, Any]]) -> Iterator[Verdict]:
    """Yield, per factor, why the uncertainty of its actual value is not the whole one."""
    for factor in study.factors:
        for part, (name, cause, step) in _PARTS.items():
            printers = [row["printer"] for row in rows if part in row["unknown"].get(factor.name, ())]
            if printers:
                where = f"printer{'s' if len(printers) > 1 else ''} {', '.join(printers)}"
                said = {"factor": factor.name, "where": where, "tools": _tools(rows, factor.name)}
                yield Verdict(name, cause.format(**said), step.format(**said), factor.name)


def _tools(rows: Sequence[Mapping[str, Any]], factor: str) -> str:
    """Return in words what read a factor and states no limit of error."""
    names = dict.fromkeys(name for row in rows for name in row.get("unstated", {}).get(factor, ()))
    called = [f"'{name}'" for name in names if name]
    return " and ".join([*called, *(["an instrument without a name"] if "" in names else [])])


_PARTS = {
    "probe": (
        "uncertainty of the probe not stated",
        "{factor} on {where} was read with {tools}, whose limit of error is not stated: ± counts it like the worst instrument "
        "that has one and reads this factor, and is not given where none has",
        "see whether each reading names an instrument as [[instruments]] does (a slip of typing is corrected in the workbook or "
        "the check), and give its kind (type K class 1) or its limit_of_error there",
    ),
    "scatter": (
        "scatter of the readings unknown",
        "the readings of {factor} on {where} are too few, or too rounded, to show how they scatter, so the uncertainty of the "
        "actual value leaves this out: the true one is larger",
        "read at three setpoints or more, up and down, with one more digit; or give repeatability in the check",
    ),
}


# One setpoint for the fleet


@dataclass(frozen=True)
class FleetSettings:
    """What the same setpoints do on every printer."""

    printers: tuple[str, ...]
    setpoints: dict[str, Value]
    """The same for all: factor -> value on its increments, or level."""
    actual: tuple[dict[str, Value], ...]
    """One a printer: factor -> what it reaches there."""
    spread: dict[str, float]
    """Numeric factor -> largest less smallest actual value, its unit."""
    beyond: dict[str, list[str]] = field(default_factory=dict)
    """Numeric factor -> printers whose readings do not cover its setpoint: the actual value there is a guess along the line."""
    turned: dict[str, list[str]] = field(default_factory=dict)
    """Factor -> printers on which its setpoint has the other sign; ``setpoints`` and ``actual`` are in the study's sense."""


def fleet_settings(
    study: Study, names: Sequence[str], settings: Mapping[str, Value], lines: Lines | None = None
) -> FleetSettings:
    """
    Return one setpoint for all printers, and what it does on each.

    Parameters
    ----------
    study : Study
    names : sequence of str
        Printers that printed.
    settings : mapping of factor name to value
        Actual values that are wanted.
    lines : mapping, optional
        As for :func:`printer_rows`.

    Returns
    -------
    FleetSettings
        Each setpoint is the one on the increments, within the limits of all printers, that comes nearest to the setting on the
        printer that it suits least. A printer that was not checked counts as reaching what it is set to. Limits
        that leave no value in common are kept by none: the nearest value to all is taken, which :func:`printer_rows` may refuse.
    """
    known = calibrated.lines_of(study) if lines is None else lines
    printers = [one for one in study.printers if one.name in names]
    chosen: dict[str, Value] = {}
    for factor in study.factors:
        value = settings[factor.name]
        chosen[factor.name] = value if isinstance(value, str) else _common(factor, printers, value, known)
    return at_common(study, names, chosen, known)


def at_common(
    study: Study, names: Sequence[str], common: Mapping[str, Value], lines: Lines | None = None
) -> FleetSettings:
    """Return what given setpoints, the same for all, do on each printer; arguments as for :func:`fleet_settings`."""
    known = calibrated.lines_of(study) if lines is None else lines
    printers = [one.name for one in study.printers if one.name in names]
    actual = tuple({key: _actual(known.get((name, key)), value) for key, value in common.items()} for name in printers)
    numeric = [factor for factor in study.factors if factor.is_numeric]
    spread = {one.name: float(np.ptp([float(row[one.name]) for row in actual])) if actual else 0.0 for one in numeric}
    beyond = {one.name: _not_covered(one, float(common[one.name]), printers, known) for one in numeric}
    used = [one for one in study.printers if one.name in printers]
    turned = {one.name: [each.name for each in used if z_direction.is_turned(one, each)] for one in numeric}
    return FleetSettings(tuple(printers), dict(common), actual, spread, _filled(beyond), _filled(turned))


def _filled(found: Mapping[str, list[str]]) -> dict[str, list[str]]:
    return {name: names for name, names in found.items() if names}


def _not_covered(factor: Factor, value: float, printers: Sequence[str], lines: Lines) -> list[str]:
    """Return the printers that were read, and not as far as a setpoint."""
    known = {name: lines.get((name, factor.name)) for name in printers}
    step = factor.increment or 0.0
    return [name for name, one in known.items() if one is not None and not calibration.covers(one.line, value, step)]


def reached(rows: Sequence[Mapping[str, Any]]) -> tuple[dict[str, Value], ...]:
    """
    Return what each printer reaches with the setpoints of its own, one dict a printer.

    Where no setpoint is given, and on a printer that was not checked, that is the setting itself.
    """
    return tuple({key: _had(row, key) for key in row["setpoints"]} for row in rows)


def _had(row: Mapping[str, Any], key: str) -> Value:
    found: Value = row["beyond"][key]["wanted"] if key in row["beyond"] else row["reaches"].get(key, row["setpoints"][key])
    unread = key not in row["beyond"] and key not in row["reaches"]
    return 0.0 - float(found) if unread and key in row.get("turned", {}) else found


def coded_settings(study: Study, actual: Sequence[Mapping[str, Value]]) -> Array:
    """
    Return actual settings in coded units, one row a printer, for a model's prediction on each.

    Parameters
    ----------
    study : Study
    actual : sequence of mapping
        ``FleetSettings.actual``, or :func:`reached`.

    Returns
    -------
    ndarray of shape (printers, k)
        Coded; level indices for categorical factors.
    """
    return np.array([[_coded(factor, one[factor.name]) for factor in study.factors] for one in actual], dtype=float)


def _coded(factor: Factor, value: Value) -> float:
    if factor.levels is not None:
        return float(factor.levels.index(str(value)))
    return float(factor.coding.coded(float(value)))


def _actual(one: PrinterLine | None, value: Value) -> Value:
    return value if one is None or isinstance(value, str) else float(calibration.to_actual(one.line, value))


def _common(factor: Factor, printers: Sequence[Printer], value: float, lines: Lines) -> float:
    """Return the setpoint on the increments whose largest miss over the printers is smallest."""
    if not printers:
        return value
    mine = [lines.get((printer.name, factor.name)) for printer in printers]
    wanted = [value if one is None else float(calibration.to_set(one.line, value)) for one in mine]
    low, high = setpoints.on_grid(factor, np.array([min(wanted), max(wanted)])).tolist()
    step = factor.increment or 1.0
    tried = setpoints.on_grid(factor, low + step * np.arange(round((high - low) / step) + 1))
    limits = [one for printer in printers if (one := z_direction.limits_of(factor, printer)) is not None]
    kept = tried[[all(least <= one <= most for least, most in limits) for one in tried]]
    tried = kept if len(kept) else tried
    misses = np.array([[abs(float(_actual(one, float(at))) - value) for one in mine] for at in tried])
    return float(tried[int(misses.max(axis=1).argmin())])
