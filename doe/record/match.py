"""The record: what was printed and measured, matched to the plan."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from doe.design.plan import Design
from doe.errors import InputRefused, Problem
from doe.record.cells import key_of, shown
from doe.record.consistency import check_rows
from doe.record.read import Cells
from doe.record.rows import Findings, Row, read_rows
from doe.record.schema import frame, schema, with_stress
from doe.sheet import layout
from doe.sheet.columns import Value
from doe.sheet.layout import CHECKS, COUPONS, FORMAT, INSTRUCTIONS, LOADS, PRINTS
from doe.study.spec import Study


@dataclass(frozen=True)
class Record:
    """
    Everything that was recorded so far; nothing is ever dropped from it.

    Text cells that are empty hold ``""``; numbers that are missing hold NaN.

    Parameters
    ----------
    prints : DataFrame, one row a print
        ``print``, ``round``, ``load``, ``printer``, ``outcome``, ``deviation``, ``operator``, ``printed_on`` (ISO date
        text), ``used.FACTOR`` for each factor (the setpoint used where it differs from the plan's; NaN or empty
        otherwise), one column per per-print response (its name; ``pass`` or ``fail`` for what is judged),
        ``read.FACTOR`` where the study gives an error of reading,
        ``covariate.NAME`` for each covariate per print (its unit, or ISO date text), ``note``.
    coupons : DataFrame, one row a coupon
        ``coupon``, ``print``, ``number`` (1, 2, ...), ``outcome``, ``deviation``, one column per per-coupon response
        (its name, response unit), for a response with a formula also ``force.NAME`` (N), ``width.NAME`` and
        ``thickness.NAME`` (mm), ``note``.
    loads : DataFrame, one row a drying load
        ``load``, ``round``, ``spool``, ``dried_from``, ``dried_to`` (ISO date-time text), ``oven_reading`` (degC),
        ``mass_before``, ``mass_after`` (g), ``covariate.NAME`` for each covariate per load, ``note``.
    checks : DataFrame, one row a reading of a reference probe
        ``reading`` (identifier), ``printer``, ``factor``, ``set``, ``actual``, ``instrument``, ``read_on``.
    corrections : DataFrame, one row a changed value
        ``table``, ``row`` (identifier), ``column``, ``old``, ``new``, ``who``, ``when``, ``why``.
    """

    prints: pd.DataFrame
    coupons: pd.DataFrame
    loads: pd.DataFrame
    checks: pd.DataFrame
    corrections: pd.DataFrame


def match(
    study: Study, design: Design, book: Cells, definitions: Mapping[str, Any]
) -> tuple[Record, tuple[str, ...]]:
    """
    Match one filled workbook to the plan.

    Parameters
    ----------
    study : Study
    design : Design
    book : Cells
        As of :func:`doe.record.read.read_workbook`.
    definitions : mapping
        The definitions that the workbook's digest covers, as of today.

    Returns
    -------
    record : Record
        What this workbook says, all planned rows of its round, filled in or not; no corrections.
    remarks : tuple of str
        What is worth a word although nothing is wrong with it.

    Raises
    ------
    InputRefused
        With every problem of the workbook, each with its sheet and cell.
    """
    round_number = _round_of(study, design, book, definitions)
    runs = design.of_round(round_number).sort_values("order", kind="stable")
    findings = Findings()
    rows = {sheet.name: read_rows(book, sheet, findings) for sheet in layout.sheets(study, design, round_number)}
    check_rows(study, runs, rows, findings)
    if findings.problems:
        raise InputRefused(findings.problems)
    columns = schema(study)
    coupons = [
        {**row.values, "print": name.rpartition("-")[0], "number": int(name.rpartition("-")[2])}
        for name, row in rows.get(COUPONS, {}).items()
    ]
    loads = [{**row.values, "round": round_number} for row in rows.get(LOADS, {}).values()]
    checks = [row.values for row in rows.get(CHECKS, {}).values() if len(row.values) > 1]
    record = Record(
        prints=frame(columns["prints"], _prints(study, runs, rows[PRINTS], rows.get(LOADS, {}))),
        coupons=with_stress(frame(columns["coupons"], coupons)),
        loads=frame(columns["loads"], loads),
        checks=frame(columns["checks"], checks),
        corrections=frame(columns["corrections"], ()),
    )
    return record, tuple(findings.remarks)


def _prints(
    study: Study, runs: pd.DataFrame, prints: Mapping[str, Row], loads: Mapping[str, Row]
) -> Iterator[dict[str, Value]]:
    """Yield the prints in run order; what was used for a whole load is used for each of its prints."""
    for planned in runs.to_dict(orient="records"):
        row = {**prints[planned["print"]].values}
        dried = loads[planned["load"]].values if planned["load"] in loads else {}
        for factor in study.factors:
            used = row.pop(f"used.{factor.name}", dried.get(f"used.{factor.name}"))
            if used is not None and used != planned[f"set.{factor.name}"]:
                row[f"used.{factor.name}"] = used
        yield row | {key: planned[key] for key in ("round", "load", "printer")}


def _round_of(study: Study, design: Design, book: Cells, definitions: Mapping[str, Any]) -> int:
    """Return the round that a workbook belongs to, or refuse one that does not belong to this plan."""
    where = f"{book.where}, sheet {INSTRUCTIONS}"
    said = _identity(book)
    if "study" not in said or "digest" not in said:
        found, allowed = "what makes the workbook known is missing", "the block 'This workbook' stays as it was written"
        raise _refused(where, found, allowed, "hand in the workbook that 'doe sheet' wrote")
    if said.get("format") != str(FORMAT):
        found, allowed = f"the workbook has format {said.get('format', 'none')}", f"this version reads format {FORMAT}"
        raise _refused(where, found, allowed, "use the version of the software that wrote it")
    if said["study"] != study.header.id:
        found, allowed = f"the workbook belongs to study '{said['study']}'", f"this is study '{study.header.id}'"
        raise _refused(where, found, allowed, "collect it in its own study")
    digests = {number: layout.plan_digest(definitions, design.of_round(number)) for number in design.rounds}
    number = next((number for number in digests if str(number) == said.get("round")), None)
    if number is None:
        found = f"the workbook is for round {said.get('round', 'none')}"
        raise _refused(where, found, f"the plan has {', '.join(map(str, digests))}", "look for the right workbook")
    if said["digest"] != digests[number]:
        raise _refused(
            where, _mismatch(said["digest"], number, digests), "a workbook fits the plan that it was written for",
            "put plan.csv, factors and responses back as they were, or collect the workbook that fits them",
        )
    return number


def _mismatch(found: str, number: int, digests: Mapping[int, str]) -> str:
    other = next((other for other, digest in digests.items() if digest == found), None)
    if other is not None:
        return f"the workbook says round {number}, but it was written for round {other}"
    return f"the plan of round {number}, or a factor or response, is not what it was when the workbook was written"


def _identity(book: Cells) -> dict[str, str]:
    """Find the labels of the identity block, wherever they stand, and the value to the right of each."""
    cells = next((cells for title, cells in book.sheets.items() if key_of(title) == key_of(INSTRUCTIONS)), {})
    labels = {key_of(label): key for key, label in layout.IDENTITY_LABELS.items()}
    said: dict[str, str] = {}
    for (row, column), value in sorted(cells.items()):
        key = labels.get(key_of(shown(value)))
        right = sorted(other for line, other in cells if line == row and other > column)
        if key is not None and right:
            said.setdefault(key, shown(cells[row, right[0]]).strip())
    return said


def _refused(where: str, found: str, allowed: str, remedy: str) -> InputRefused:
    return InputRefused(Problem(where, found, allowed, remedy))
