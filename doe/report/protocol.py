"""Tables of what was asked, planned, then happened: everything before the fit."""

import math
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from doe.design.plan import PILOT, Design
from doe.model.values import single_values
from doe.record import evidence
from doe.record.match import Record
from doe.record.schema import filled, outcomes_of
from doe.record.spools import LONGEST_OPEN, spool_uses
from doe.report import numbers
from doe.report.point_words import points_explained
from doe.report.rounds import order_facts, print_facts
from doe.report.tables import Table, words
from doe.sheet.columns import OUTCOME_OF
from doe.sheet.logs import CHANGED, CONDITIONS, DRYER
from doe.study import scale
from doe.study.names import identifiers, listed
from doe.study.nonlinear_scales import scale_words
from doe.study.spec import Factor, Response, Study
from doe.study.z_direction import said_of_printers, said_of_study

_RESOLUTIONS = {3: "III", 4: "IV", 5: "V", 6: "VI", 7: "VII", 8: "VIII"}


# What was asked


def requirement_words(response: Response) -> str:
    """Return what a response must meet, in words: ``at least 27 MPa on each coupon``."""
    return scale.describe_requirement(response, numbers.exact)


def requirement_rows(study: Study) -> Table:
    """Return what every response is and must meet."""
    rows = []
    for response in study.responses:
        each = f"{response.coupons} per print" if response.per == "coupon" else "1 per print"
        kind = response.kind.replace("_", "-") + (", log scale" if response.transform == "log" else "")
        rows.append((words(response.name), kind, each, requirement_words(response), response.method or ""))
    columns = ("Response", "Kind", "Values", "Requirement", "Method")
    return Table("Responses and requirements", columns, tuple(rows), "lllll")


def factor_rows(study: Study) -> Table:
    """Return what every factor is and how far it was varied."""
    rows = []
    for factor in study.factors:
        if factor.levels is not None:
            span = (", ".join(factor.levels), "", f"per {factor.change}", "")
        else:
            step = "" if factor.increment is None else numbers.exact(factor.increment)
            spread = numbers.exact(factor.setpoint_sd) if factor.setpoint_sd else "not known"
            region = f"{numbers.exact(factor.low)} to {numbers.exact(factor.high)}"
            span = (region, step, f"per {factor.change}", spread)
        rows.append((words(factor.name), factor.display_unit, *span))
    columns = ("Factor", "Unit", "Range or levels", "Increment", "Changes", "Spread about the setpoint")
    signs = [f"{words(one.name).capitalize()}: {said_of_study(one)}." for one in study.factors if one.z_closer is not None]
    note = ["Spread: standard deviation of the actual value about the setpoint.", *(said_of_printers(study) or signs)]
    note += [text for one in study.factors if (text := scale_words(study, one))]
    return Table("Factors", columns, tuple(rows), "lllrlr", " ".join(note))


def condition_rows(study: Study) -> Table:
    """Return what is held fixed."""
    rows = [(words(name), text) for name, text in study.conditions.items()]
    if study.oven.temperature is not None:
        rows.append(("drying oven", f"{numbers.exact(study.oven.temperature)} °C, {_room_in(study)}"))
    if study.plate.positions:
        rows.append(("positions on the plate", f"{', '.join(study.plate.positions)}; coupons change places from print to print"))
    lying = {words(one.name): one.orientation or study.plate.orientation for one in study.responses if one.per == "coupon"}
    said = ", ".join(f"{name} {code}" for name, code in lying.items() if code is not None)
    if said:
        rows.append(("orientation (ISO/ASTM 52921)", said))
    return Table("Held fixed", ("Condition", "Value"), tuple(rows), "ll")


def _room_in(study: Study) -> str:
    count = study.oven.spools
    return f"room for {count} spool{'s' if count > 1 else ''} a load"


def instrument_rows(study: Study) -> Table:
    """Return what was measured with, and until when its calibration holds."""
    rows = tuple(
        (tool.id, tool.kind, "not stated" if tool.due is None else tool.due.isoformat()) for tool in study.instruments
    )
    bare = [words(one.name) for one in study.responses if one.kind == "measured" and one.instrument is None]
    note = f"No instrument is named for {listed(bare)}: nothing shows what measured it, nor how well." if bare else ""
    return Table("Instruments", ("Instrument", "Kind", "Calibration due"), rows, "lll", note)


# What was planned


def plan_facts(study: Study, design: Design) -> Table:
    """Return what kind of plan it is and what it can tell, fact by fact."""
    facts = design.facts
    rows = [("kind", str(facts.get("kind", "adopted")).replace("-", " ")), ("declared model", _declared(study))]
    if facts.get("resolution") is not None:
        rows.append(("resolution", _RESOLUTIONS.get(int(facts["resolution"]), str(facts["resolution"]))))
    if facts.get("defining_relation"):
        rows.append(("defining relation", "; ".join(words(word) for word in facts["defining_relation"])))
    if facts.get("axial_distance") is not None:
        form = ", ".join(str(facts[key]) for key in ("form", "distance") if key in facts)
        rows.append(("axial points", f"at {numbers.plain(facts['axial_distance'])} coded units; {form}"))
    rows += _strata(facts.get("strata", {}), design)
    rows += order_facts(design)
    rows += _rounding(study, facts)
    return Table("The plan", ("Fact", "Value"), tuple(rows), "ll")


def _declared(study: Study) -> str:
    terms = study.model.terms
    return f"{terms} terms" if isinstance(terms, str) else "; ".join(words(term) for term in terms)


def _strata(strata: Mapping[str, int], design: Design) -> list[tuple[str, str]]:
    runs = design.fitted
    printers = [name for name in dict.fromkeys(runs["printer"]) if name]
    loads = len({load for load in runs["load"] if load})
    rows = print_facts(design)
    rows.append(("drying loads", str(loads) if loads else "not part of the plan"))
    if printers:
        rows.append(("printers", ", ".join(printers)))
    if strata:
        freedom = f"{strata['print_dof']} between prints, {strata['load_dof']} between loads"
        rows.append(("error degrees of freedom", f"{freedom}; {strata['pure_error_dof']} of pure error"))
    return rows


def _rounding(study: Study, facts: Mapping[str, Any]) -> list[tuple[str, str]]:
    if "rounding" not in facts:
        return []
    units = {factor.name: factor.display_unit for factor in study.factors}
    moves = [
        f"{words(name)} up to {numbers.plain(by, 2)} {units[name]}".rstrip()
        for name, by in facts["rounding"].items()
        if by > 1e-9
    ]
    found = [("moved by rounding to increments", ", ".join(moves) or "nothing")]
    if moves and "rounding_efficiency" in facts:
        found.append(("D-efficiency kept by the rounded settings", f"{numbers.plain(facts['rounding_efficiency'], 3)} %"))
    return found


def alias_rows(design: Design) -> Table:
    """Return which effects the plan cannot tell apart."""
    rows = tuple((words(chain),) for chain in design.facts.get("aliases", ()))
    note = "Each line is one comparison of the prints: it shows the sum of these effects, never one of them alone."
    return Table("Aliases", ("Effects that the plan cannot tell apart",), rows, "l", note if rows else "")


def plan_table(study: Study, design: Design) -> Table:
    """Return every planned print in run order: actual values wanted, and setpoints where they differ."""
    several = ("round",) if len(design.rounds) > 1 else ()
    keys = (*several, "order", "print", "load", "printer", "point")
    rows = tuple(
        (*(str(run[key]) for key in keys), *(_planned(factor, run) for factor in study.factors))
        for run in design.runs.to_dict("records")
    )
    align = "".join("r" if key in ("round", "order") else "l" for key in keys)
    align += "".join("r" if factor.is_numeric else "l" for factor in study.factors)
    columns = (*(key.capitalize() for key in keys), *map(with_unit, study.factors))
    differs = _any_setpoint_differs(study, design)
    given = "In brackets: the setpoint of this printer, where it differs from the actual value wanted."
    note = " ".join(filter(None, [points_explained(design), *((given, *said_of_printers(study)) if differs else ())]))
    return Table("Run table", columns, rows, align, note)


def _any_setpoint_differs(study: Study, design: Design) -> bool:
    runs = design.runs
    return any((runs[f"target.{factor.name}"] != runs[f"set.{factor.name}"]).any() for factor in study.factors)


def with_unit(part: Factor | Response) -> str:
    """Return the name of a factor or response with its unit: ``nozzle temperature, °C``."""
    return f"{words(part.name)}, {part.display_unit}" if part.display_unit else words(part.name)


def _planned(factor: Factor, run: Mapping[Any, Any]) -> str:
    target, setpoint = run[f"target.{factor.name}"], run[f"set.{factor.name}"]
    if not factor.is_numeric:
        return str(target)
    wanted, given = numbers.exact(float(target)), numbers.exact(float(setpoint))
    return wanted if wanted == given else f"{wanted} ({given})"


# What happened


def deviation_rows(study: Study, design: Design, record: Record) -> Table:
    """Return every print and coupon that did not go as planned, and the prints that are not recorded yet."""
    planned = {str(run["print"]): run for run in design.runs.to_dict("records")}
    rows = []
    for row in record.prints.to_dict("records"):
        run = planned.get(str(row["print"]), {})
        used = [text for factor in study.factors if (text := _used(factor, row, run))]
        if happened := _happened(row, bool(used)):
            what = tuple(str(row[key]) for key in ("print", "load", "printer"))
            rows.append((*what, happened, "; ".join([*used, *_note(row)])))
    ended = {str(row["print"]): row["outcome"] for row in record.prints.to_dict("records")}
    for row in record.coupons.to_dict("records"):
        run, happened = planned.get(str(row["print"]), {}), _happened(row, False)
        if happened and happened != ended.get(str(row["print"])):  # what became of the print became of its coupons
            where = (str(run.get(key, "")) for key in ("load", "printer"))
            rows.append((str(row["coupon"]), *where, happened, "; ".join(_note(row))))
    rows += _doubted(record)
    missing = [name for name in planned if ended.get(name, "") == ""]
    if missing:
        rows.append((f"{len(missing)} prints", "", "", "not recorded", identifiers(missing)))
    columns = ("Print or coupon", "Load", "Printer", "What happened", "Detail")
    return Table("Deviations and failures", columns, tuple(rows), "lllll")


def _doubted(record: Record) -> list[tuple[str, ...]]:
    """Return a line for each response and reason for which values are in doubt by themselves."""
    lines: list[tuple[str, ...]] = []
    for response, doubts in record.doubts.items():
        for reason in dict.fromkeys(doubts.values()):
            items = [item for item, why in doubts.items() if why == reason]
            count = f"{len(items)} value{'s' if len(items) > 1 else ''}"
            lines.append((count, "", "", "suspect", f"{words(response)}: {reason}; {identifiers(items)}"))
    return lines


def _happened(row: Mapping[Any, Any], used: bool) -> str:
    outcome, deviation = str(row.get("outcome", "")), str(row.get("deviation", ""))
    parts = [outcome] if outcome not in ("", "completed") else []
    of_tests = {str(key).removeprefix(OUTCOME_OF): value for key, value in row.items() if str(key).startswith(OUTCOME_OF)}
    parts += [f"{words(name)} {value}" for name, value in of_tests.items() if value]
    parts += [deviation] if deviation else ["off plan"] if used else []
    parts += ["conditions changed"] if row.get(CONDITIONS) == CHANGED else []
    return ", ".join(parts)


def _used(factor: Factor, row: Mapping[Any, Any], run: Mapping[Any, Any]) -> str:
    used, planned = row.get(f"used.{factor.name}", ""), run.get(f"set.{factor.name}")
    if _empty(used) or planned is None or used == planned:
        return ""
    shown = [str(value) if not factor.is_numeric else numbers.exact(float(value)) for value in (used, planned)]
    return f"{words(factor.name)} {shown[0]} {factor.display_unit}".rstrip() + f" used, {shown[1]} planned"


def _note(row: Mapping[Any, Any]) -> list[str]:
    return [] if _empty(row.get("note", "")) else [str(row["note"])]


def _empty(value: Any) -> bool:  # noqa: ANN401 - any cell
    return value is None or value == "" or (isinstance(value, float) and math.isnan(value))


def correction_rows(record: Record) -> Table:
    """Return every value that was changed after it had been collected."""
    keys = ("row", "column", "old", "new", "who", "when", "why")
    columns = ("Item", "Column", "Before", "After", "Who", "When", "Why")
    rows = tuple(
        tuple(_cell(row[key]) for key in keys) for row in record.corrections.to_dict("records")
    )
    return Table("Corrections", columns, rows, "lllllll")


def load_rows(record: Record) -> Table:
    """Return how each load was dried; in which dryer, where that was written down."""
    shown = [("load", "Load"), ("spool", "Spool"), ("dried_from", "Dried from"), ("dried_to", "Dried to")]
    shown += [(DRYER, "Dryer")] if DRYER in record.loads and filled(record.loads[DRYER]).any() else []
    texts = len(shown)
    shown += [("oven_reading", "Oven, °C"), ("mass_before", "Mass before, g"), ("mass_after", "Mass after, g"), ("note", "Note")]
    rows = tuple(tuple(_cell(row[key]) for key, _ in shown) for row in record.loads.to_dict("records"))
    return Table("Drying loads", tuple(name for _, name in shown), rows, "l" * texts + "rrrl")


def spool_rows(record: Record) -> Table:
    """Return the ledger of spools with the loads that used them, and what to look at; empty where no ledger was kept."""
    rows = tuple(
        (one.lot, one.spool, one.opened_on, _cell(one.moisture), ", ".join(one.loads), "; ".join(one.flags), one.note)
        for one in spool_uses(record)
    )
    columns = ("Lot", "Spool", "Opened on", "Initial moisture, %", "Loads", "Look at", "Note")
    note = f"Look at: more than one drying, or more than {LONGEST_OPEN} days open before it (common practice, no source)."
    return Table("Spools", columns, rows, "lllrlll", note)


def check_rows(study: Study, record: Record) -> Table:
    """Return the readings of reference probes, on which the actual settings rest: the study's own, then the record's."""
    rows: list[tuple[str, ...]] = [
        (printer.name, words(check.factor), numbers.exact(at), numbers.exact(actual), check.instrument or "", _cell(check.date))
        for printer in study.printers for check in printer.checks for at, actual in zip(check.set, check.actual, strict=True)
    ]
    keys = ("set", "actual", "instrument", "read_on")
    rows += [
        (str(row["printer"]), words(str(row["factor"])), *(_cell(row[key]) for key in keys))
        for row in record.checks.to_dict("records")
    ]
    columns = ("Printer", "Factor", "Set", "Actual", "Instrument", "Read on")
    signs = said_of_printers(study)
    note = "Each reading as its printer shows it. " + " ".join(signs) if signs and rows else ""
    return Table("Readings of reference probes", columns, tuple(rows), "llrrll", note)


def _cell(value: Any) -> str:  # noqa: ANN401 - any cell
    return "" if _empty(value) else numbers.exact(value) if isinstance(value, float) else str(value)


def data_summary(study: Study, record: Record, confirmations: Collection[int] = ()) -> Table:
    """Return, per response, how many values there are, how they spread, and what is missing by outcome; of every round."""
    columns = ("Response", "Values", "Minimum", "Median", "Maximum", "Spread within prints", "Without a value")
    rows = tuple(_summary_of(response, record) for response in study.responses)
    notes = (
        _SPREAD if any(row[5] != numbers.MISSING for row in rows) else "",
        _UNCOUNTED if any(NOT_COUNTED in row[6] for row in rows) else "",
        _PILOTS if "round" in record.prints and (record.prints["round"] == PILOT).any() else "",
        _TRIALS if "round" in record.prints and record.prints["round"].isin([*confirmations]).any() else "",
    )
    return Table("Data by response", columns, rows, "lrrrrrl", " ".join(filter(None, notes)))


_SPREAD = (
    "Spread within prints: standard deviation of the coupons about their print's mean, pooled over the prints. It says how well a"
    " coupon repeats, not how well a print does."
)
NOT_COUNTED = "not counted"
_UNCOUNTED = (
    "Not counted: a value is recorded, and no table or model counts it. A failed print (detached, clogged, warped) has no grade"
    " and no pass, whatever was typed in for it: it counts as failed."
)
_PILOTS = "Pilot prints are among these values, and in no model."
_TRIALS = "Prints of confirmations are among these values; the declared model is fitted without them."


def _summary_of(response: Response, record: Record) -> tuple[str, ...]:
    table = record.coupons if response.per == "coupon" else record.prints
    if response.name not in table or table.empty:
        return (with_unit(response), "0", *[numbers.MISSING] * 4, "")
    if response.per == "coupon":
        table = table[table["number"] <= response.coupons]  # other responses may have more coupons
    recorded = ~table[response.name].map(_empty)
    counts = table["coupon" if response.per == "coupon" else "print"].isin(single_values(response, record).items)
    present = table[recorded & counts]
    shown = [numbers.MISSING] * 4
    if response.kind != "pass_fail" and len(present):
        values = present[response.name].astype(float)
        place = numbers.place_of(float(values.abs().max()), 4)
        shown = [
            numbers.exact(float(value)) if response.kind == "graded" else numbers.at_place(float(value), place)
            for value in (values.min(), values.median(), values.max())
        ]
        spread = _within(values.to_numpy(), list(present["print"])) if response.kind == "measured" else None
        shown.append(numbers.plain(spread, 2))
    without = [_by_outcome(response, table[~recorded], record), _uncounted(response, table[recorded & ~counts], record)]
    return (with_unit(response), str(len(present)), *shown, ", ".join(filter(None, without)))


def _uncounted(response: Response, rows: pd.DataFrame, record: Record) -> str:
    """Return what became of values that are recorded and do not count, with the values: ``detached 1 (0 not counted)``."""
    if rows.empty:
        return ""
    values = dict.fromkeys(_cell(value) for value in rows[response.name])
    return f"{_by_outcome(response, rows, record)} ({', '.join(values)} {NOT_COUNTED})"


def _within(values: Any, prints: list[str]) -> float | None:  # noqa: ANN401 - array of shape (m,)
    """Return the pooled standard deviation of values about their print's mean, or None where no print has two."""
    groups = pd.Series(values).groupby(prints)
    freedom = len(values) - groups.ngroups
    if freedom < 1:
        return None
    return float(np.sqrt(((values - groups.transform("mean").to_numpy()) ** 2).sum() / freedom))


def _by_outcome(response: Response, rows: pd.DataFrame, record: Record) -> str:
    """Count rows without a value by outcome; a coupon without one of its own has that of its print."""
    ended = dict(zip(record.prints["print"], record.prints["outcome"], strict=True))
    counts: Counter[str] = Counter()
    for own, owner in zip(outcomes_of(rows, response.name), rows["print"], strict=True):
        outcome = own if own not in ("", "completed") else ended[owner]
        counts[{"": "not recorded", "completed": "no value given"}.get(outcome, outcome)] += 1
    return ", ".join(f"{outcome} {count}" for outcome, count in sorted(counts.items()))


def evidence_rows(lines: Sequence[Mapping[str, Any]]) -> Table:
    """Return the files of evidence that were collected with the digest of each, from the lines of the log."""
    rows = tuple((name, last.digest, last.time) for name, last in sorted(evidence.logged(lines).items()))
    note = "They are not inside this report: force curves, photographs and the like, kept in the study's folder evidence/."
    return Table("Evidence", ("File", "SHA-256", "Collected"), rows, "lll", note)
