"""Tables of what to set on each printer, with what that reaches."""

from collections.abc import Mapping, Sequence
from typing import Any

from doe.design.calibrated import CONTACT, READOUT, Lines, PrinterLine
from doe.numerics import calibration
from doe.recommend.printers import FleetSettings
from doe.recommend.results import Setting
from doe.report import numbers
from doe.report.tables import Table, unit, words
from doe.study.names import listed
from doe.study.spec import Factor, Printer, Study
from doe.study.z_direction import said_of_card, said_of_printers, turned

_HOW = (
    "± covers about 95 %: the scatter of the readings, the limit of error of the probe, its contact and the readout, each as a"
    " standard uncertainty (half-widths over √3), squares added, times {factor} (JCGM 100:2008). It is the same for all prints"
    " of the printer; the scatter from print to print is not in it."
)
_WITHOUT = {
    "probe": "* The limit of error of what read it is not stated: ± counts it like the worst instrument of the study that has"
    " one and reads this factor; the true one may be larger.",
    "scatter": "† Too few readings to show how they scatter: ± leaves this out, the true one is larger.",
}
_MARKS = {"probe": "*", "scatter": "†"}
_NO_LIMIT = (
    "± not known: the limit of error of what read it is not stated under [[instruments]], and the scatter of the readings alone"
    " would claim too much."
)
_ASSUMED = {"contact": f"± {CONTACT:g} °C for the contact", "readout": f"± {READOUT:g} °C for the readout"}


def card_tables(printers: Sequence[Mapping[str, Any]], settings: Sequence[Setting]) -> tuple[Table, ...]:
    """
    Return one setpoint card a printer.

    Parameters
    ----------
    printers : sequence of mapping
        Rows of ``doe.recommend.printers.printer_rows``.
    settings : sequence of Setting
        The recommended setting.
    """
    return tuple(_card(row, settings) for row in printers)


def _card(row: Mapping[str, Any], settings: Sequence[Setting]) -> Table:
    rows = tuple((words(one.factor), unit(one.unit), *_cells(row, one)) for one in settings)
    columns = ("Factor", "Unit", "Wanted", "Set to", "Reaches", "Checked")
    return Table(f"Setpoints of printer {row['printer']}", columns, rows, "llrrrl", _note(row))


def _cells(row: Mapping[str, Any], one: Setting) -> tuple[str, str, str, str]:
    name, wanted = one.factor, _value(one.value)
    if name in row["beyond"]:
        covered = row["beyond"][name]
        said = f"beyond checks: {numbers.exact(covered['low'])} to {numbers.exact(covered['high'])}"
        return wanted, "none", numbers.MISSING, f"{said}; read the probe at {numbers.setting(covered['read_at'])}"
    set_to = _value(row["setpoints"][name])
    if name in row["checked"]:
        return wanted, set_to, _reaches(row, name), "yes, drifted" if name in row.get("drifted", ()) else "yes"
    not_on_printer = isinstance(one.value, str) or name in row.get("of_load", ())
    return (wanted, set_to, set_to, "") if not_on_printer else (wanted, set_to, "not known", "no")


def _reaches(row: Mapping[str, Any], name: str) -> str:
    value, half = row["reaches"][name], row["expanded"][name]
    if half is None:
        return f"{numbers.setting(value)}, ± not known"
    actual, shown = numbers.with_uncertainty(value, half)
    return f"{actual} ± {shown}{''.join(_MARKS[part] for part in row['unknown'][name])}"


def _note(row: Mapping[str, Any]) -> str:
    known = [name for name, half in row["expanded"].items() if half is not None]
    left_out = {part for name in known for part in row["unknown"][name]}
    factors = list(dict.fromkeys(numbers.at_place(row["coverage"][name], -1) for name in known))
    said = [said_of_card(row["turned"])] if row.get("turned") else []
    said += [_HOW.format(factor=" or ".join(factors))] if known else []
    said += [text for part, text in _WITHOUT.items() if part in left_out]
    unstated = row.get("unstated", {})
    said += [_NO_LIMIT] if any(half is None and name in unstated for name, half in row["expanded"].items()) else []
    assumed = [text for part, text in _ASSUMED.items() if any(part in row["assumed"][name] for name in known)]
    said += [f"Not stated in the study, and taken as common practice (no source): {', '.join(assumed)}."] if assumed else []
    elsewhere = {*row["checked"], *row.get("of_load", ())}
    if any(not isinstance(value, str) and name not in elsewhere for name, value in row["setpoints"].items()):
        said.append("Not checked: no reference probe has read this factor on this printer, and it is set to the wanted value.")
    if row.get("drifted"):
        said.append(
            "Drifted: the readings since planning differ from those before by more than chance and contact explain, and this"
            " setpoint comes from the later ones alone. Find out what changed, and read the printer again before relying on it."
        )
    return " ".join([*said, *row.get("scales", {}).values()])


def fleet_table(
    fleet: FleetSettings,
    settings: Sequence[Setting],
    with_common: Mapping[str, float] | None = None,
    with_own: Mapping[str, float] | None = None,
) -> Table:
    """
    Return what one setpoint for all printers would reach on each; no rows with fewer than two printers.

    Parameters
    ----------
    fleet : FleetSettings
    settings : sequence of Setting
        The recommended setting.
    with_common, with_own : mapping of printer to share, optional
        Estimated share of conforming prints with the common setpoints and with each printer's own.
    """
    numeric = [one for one in settings if not isinstance(one.value, str) and fleet.spread.get(one.factor, 0.0) > 0]
    shares = with_common is not None and with_own is not None
    rows = []
    for name, actual in zip(fleet.printers, fleet.actual, strict=True):
        cells = [_of_fleet(fleet, name, one.factor, float(actual[one.factor])) for one in numeric]
        if with_common is not None and with_own is not None:
            gain = 100 * (with_own[name] - with_common[name])
            cells += [numbers.percent(with_common[name]), numbers.percent(with_own[name]), numbers.at_place(gain, -1)]
        rows.append((name, *cells))
    if len(rows) < 2 or not (numeric or shares):
        return Table(_FLEET, ("Printer",), (), "l")
    of_factors = [f"{words(one.factor)} reached" + (f", {unit(one.unit)}" if one.unit else "") for one in numeric]
    more = ("Conforming, one setpoint", "Conforming, own setpoints", "Gain, percentage points") if shares else ()
    columns = ("Printer", *of_factors, *more)
    return Table(_FLEET, columns, tuple(rows), "l" + "r" * (len(columns) - 1), _fleet_note(fleet, numeric))


def _of_fleet(fleet: FleetSettings, printer: str, factor: str, value: float) -> str:
    """Return what is reached, to the second digit of how far the printers are apart, marked where nobody read so far."""
    mark = "‡" if printer in fleet.beyond.get(factor, ()) else ""
    return numbers.at_place(value, numbers.place_of(fleet.spread[factor])) + mark


_FLEET = "One setpoint for all printers"


def _fleet_note(fleet: FleetSettings, settings: Sequence[Setting]) -> str:
    same = ", ".join(
        f"{words(one.factor)} {_value(fleet.setpoints[one.factor])} {unit(one.unit)} (wanted {_value(one.value)})"
        for one in settings
    )
    told = f"All printers set alike: {same}. " if settings else "The setpoints are the same with or without the checks. "
    marked = any(fleet.beyond.get(one.factor) for one in settings)
    beyond = " ‡ The readings of this printer do not cover this setpoint: what it reaches there is a guess." if marked else ""
    signs = "".join(
        f" {words(name).capitalize()} has the other sign on {listed(printers)}, where the other sign is closer to the plate."
        for name, printers in fleet.turned.items()
    )
    return told + "Printers without checks count as reaching what they are set to." + beyond + signs


def lines_table(study: Study, lines: Lines) -> Table:
    """
    Return what the readings of each printer give, as planned from and as used now.

    Parameters
    ----------
    study : Study
    lines : mapping
        From ``calibrated.lines_of``, with the record's readings.
    """
    read = {name for _, name in lines}
    rows = [
        _line_row(printer, factor, lines.get((printer.name, factor.name)))
        for factor in study.factors if factor.name in read
        for printer in study.printers
    ]
    columns = (
        "Printer", "Factor", "Unit", "Setpoint", "Actual less set, as planned", "Actual less set, of the prints",
        "Actual less set, now", "Checked setpoints",
    )
    note = (
        "By the readings of reference probes, at the middle of each factor's range. Below 0 the printer reaches less than it"
        " shows and must be set higher by as much; above 0, lower. The plan was made from the readings in"
        " study.toml; those that came with the sheets count for the prints and for the card too, unless the printer drifted in"
        " between: then the prints keep the earlier readings and the card has the later ones. A printer that was not read"
        " counts as reaching what it is set to."
        + "".join(f" {one}" for one in said_of_printers(study))
    )
    return Table("What the printers reach", columns, tuple(rows), "lllrrrrr", note if rows else "")


def _line_row(printer: Printer, factor: Factor, one: PrinterLine | None) -> tuple[str, ...]:
    assert factor.low is not None and factor.high is not None
    middle = (factor.low + factor.high) / 2
    shown = numbers.exact(float(turned(factor, printer, middle)))
    told = (printer.name, words(factor.name), unit(factor.display_unit), shown)
    if one is None:
        return *told, *(["not read"] * 3), "none"
    away = [None if line is None else float(calibration.to_actual(line, middle)) - middle for line in _used(one)]
    offsets = [None if each is None else float(turned(factor, printer, each)) for each in away]
    said = [_offset(line, middle, each, one) for line, each in zip(_used(one), offsets, strict=True)]
    low, high = sorted(turned(factor, printer, [one.line.low, one.line.high]).tolist())
    return *told, *said, f"{numbers.exact(low)} to {numbers.exact(high)}"


def _used(one: PrinterLine) -> tuple[calibration.Line | None, ...]:
    return one.planned, one.printed, one.line


def _offset(line: calibration.Line | None, at: float, offset: float | None, one: PrinterLine) -> str:
    if line is None or offset is None:
        return "not read"
    known = None if one.scatter is None else float(calibration.standard_error(calibration.with_scatter(line, one.scatter), at))
    return numbers.at_place(offset, -1 if known is None else numbers.place_of(known, 1))


def _value(value: Any) -> str:  # noqa: ANN401 - number or level
    return value if isinstance(value, str) else numbers.setting(value)
