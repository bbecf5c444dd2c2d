"""Rows of workbooks or tables, matched to the prints of the plan."""

import functools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from doe.design.plan import Design
from doe.errors import InputRefused, Problem
from doe.record.cells import key_of, shown
from doe.record.consistency import check_rows
from doe.record.findings import Findings, ReadAs
from doe.record.headings import REASON, known_headings
from doe.record.parts import Place
from doe.record.read import Cells, Raw
from doe.record.rows import Row, read_rows, strange_sheets
from doe.record.schema import frame, schema, with_stress
from doe.sheet import layout
from doe.sheet.columns import Value
from doe.sheet.grading import meant
from doe.sheet.layout import CHECKS, COUPONS, FORMAT, GRADINGS, INSTRUCTIONS, LOADS, PRINTS, SPOOLS
from doe.sheet.plate import places
from doe.study import wording
from doe.study.operators import Texts, in_language, languages, texts, texts_of
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
        ``covariate.NAME`` for each covariate per print (its unit, or ISO date text), ``log.NAME`` for what is only logged
        (:mod:`doe.sheet.logs`), ``note``.
    coupons : DataFrame, one row a coupon
        ``coupon``, ``print``, ``number`` (1, 2, ...), ``plate.position`` and ``plate.orientation`` where the study gives them,
        ``outcome``, ``deviation``, one column per per-coupon response
        (its name, response unit), for a response with a formula also what that needs, such as ``force.NAME`` (N) and
        ``width.NAME`` (mm), where there are several also ``outcome.NAME`` (empty where ``outcome`` holds for its test, too),
        ``log.NAME``, ``note``.
    loads : DataFrame, one row a drying load
        ``load``, ``round``, ``spool``, ``dried_from``, ``dried_to`` (ISO date-time text), ``oven_reading`` (degC),
        ``mass_before``, ``mass_after`` (g), ``covariate.NAME`` for each covariate per load, ``log.NAME``, ``note``.
    checks : DataFrame, one row a reading of a reference probe
        ``reading`` (identifier), ``printer``, ``factor``, ``set``, ``actual``, ``instrument``, ``read_on``.
    corrections : DataFrame, one row a changed value
        ``table``, ``row`` (identifier), ``column``, ``old``, ``new``, ``who``, ``when``, ``why``.
    spools : DataFrame, one row a spool of filament
        ``entry`` (identifier), ``lot``, ``spool``, ``opened_on`` (ISO date text), ``moisture`` (per cent), ``note``.
    gradings : DataFrame, one row a grading of the grader check
        ``code`` (identifier), ``response``, ``item`` (print or coupon), ``time`` (1 or 2), per checked response ``grade.NAME``
        and ``other_grade.NAME``, ``grader``, ``other_grader``, ``note``.
    """

    prints: pd.DataFrame
    coupons: pd.DataFrame
    loads: pd.DataFrame
    checks: pd.DataFrame
    corrections: pd.DataFrame
    spools: pd.DataFrame = field(default_factory=pd.DataFrame)
    gradings: pd.DataFrame = field(default_factory=pd.DataFrame)
    doubts: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    """Per response, the coupons or prints whose value is in doubt with the reason, as the study's instruments say; in no file."""


Cell = tuple[str, str, str]
"""A table of the record, an identifier in it, and a column."""
TABLE_OF = {PRINTS: "prints", COUPONS: "coupons", LOADS: "loads", CHECKS: "checks", SPOOLS: "spools", GRADINGS: "gradings"}

_TOP = 50
"""Rows from the top among which the identity block is looked for."""


@dataclass(frozen=True)
class Matched:
    """What one file says, and where."""

    where: str
    """The file as it is spoken of."""
    language: str
    """Of its words."""
    record: Record
    """All planned rows of its rounds, filled in or not; no corrections."""
    places: Mapping[Cell, str]
    """Where each value stands in the file: every cell that is filled in."""
    blank: frozenset[Cell]
    """Cells of its rows in which nobody has written anything; also those that only the plan fills."""
    as_set: frozenset[Cell]
    """Setpoints used that were written down and are the plan's, so that the record holds none."""
    reasons: Mapping[tuple[str, str], str]
    """By table and row, why a value in it was changed."""
    remarks: tuple[str, ...]
    """What is worth a word although nothing is wrong with it."""
    read_as: tuple[ReadAs, ...]
    """Cells that were read although what stood in them was not quite what belongs there."""


@dataclass
class _Noted:
    """What is noted beside the values while a file becomes a record."""

    places: dict[Cell, str] = field(default_factory=dict)
    blank: set[Cell] = field(default_factory=set)
    as_set: set[Cell] = field(default_factory=set)
    reasons: dict[tuple[str, str], str] = field(default_factory=dict)


def match(study: Study, design: Design, book: Cells, definitions: Mapping[str, Any]) -> Matched:
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
    Matched

    Raises
    ------
    InputRefused
        With every problem of the workbook, each with its sheet and cell.
    """
    say = _language_of(study, book)
    number = _round_of(study, design, book, definitions, say)
    study, findings = in_language(study, say.language), Findings()
    headings = functools.cache(functools.partial(known_headings, study, design, number))
    rows = {sheet.name: read_rows(book, sheet, findings, headings) for sheet in layout.sheets(study, design, number)}
    findings.remarks.extend(
        f"{book.where}: sheet '{title}' is none of the workbook's own, and was not collected."
        for title in strange_sheets(book)
        if title != _front(book, say) and not any(f"it is called '{title}' now" in remark for remark in findings.remarks)
    )
    return recorded(study, design, book.where, {number: rows}, findings)


def recorded(
    study: Study, design: Design, where: str, rounds: Mapping[int, Mapping[str, Mapping[str, Row]]], findings: Findings
) -> Matched:
    """
    Turn the rows of one file into a record.

    Parameters
    ----------
    study : Study
        In the language of the file, whose words name what is wrong.
    design : Design
    where : str
        The file as it is spoken of.
    rounds : mapping of int to mapping
        By round and sheet, the rows by identifier; of ``Prints``, all that are planned.
    findings : Findings

    Returns
    -------
    Matched

    Raises
    ------
    InputRefused
        With the problems that were found, and with those of values that cannot be true together.
    """
    ordered = {number: design.of_round(number).sort_values("order", kind="stable") for number in rounds}
    for number, tables in rounds.items():
        check_rows(study, ordered[number], tables, findings)
    if findings.problems:
        raise InputRefused(findings.problems)
    noted, columns = _Noted(), schema(study)
    made: dict[str, list[dict[str, Value]]] = {table: [] for table in TABLE_OF.values()}
    for number, tables in rounds.items():
        _note(tables, noted)
        made["prints"] += _prints(study, ordered[number], tables[PRINTS], tables.get(LOADS, {}), noted)
        spots = places(study, ordered[number])
        made["coupons"] += [
            {
                **row.values, "print": name.rpartition("-")[0], "number": int(name.rpartition("-")[2]),
                **(spots.get(name, {}) if len(row.values) > 1 else {}),
            }
            for name, row in tables.get(COUPONS, {}).items()
        ]
        made["loads"] += [{**row.values, "round": number} for row in tables.get(LOADS, {}).values()]
        codes = meant(study, design, number)
        made["gradings"] += [
            {**row.values, **codes[name]} for name, row in tables.get(GRADINGS, {}).items() if len(row.values) > 1
        ]
        made["spools"] += [dict(row.values) for row in tables.get(SPOOLS, {}).values() if len(row.values) > 1]
        made["checks"] += _readings(study, tables.get(CHECKS, {}), findings)
    tables_made = {table: frame(columns[table], rows) for table, rows in made.items()}
    tables_made["coupons"] = with_stress(tables_made["coupons"])
    record = Record(**tables_made, corrections=frame(columns["corrections"], ()))
    return Matched(
        where, study.header.operator_language, record, noted.places, frozenset(noted.blank), frozenset(noted.as_set),
        noted.reasons, tuple(findings.remarks), tuple(findings.read_as),
    )  # fmt: skip


def _note(tables: Mapping[str, Mapping[str, Row]], noted: _Noted) -> None:
    """Note where each value stands, which cells are empty, and the reasons."""
    for sheet, rows in tables.items():
        for name, row in rows.items():
            if REASON.key in row.values:
                noted.reasons[TABLE_OF[sheet], name] = str(row.values[REASON.key])
            identifier = next(iter(row.values))
            for key in {**row.letters, **row.values}:
                if key in (identifier, REASON.key) or (sheet == LOADS and key.startswith("used.")):
                    continue  # what was used for a load is recorded with its prints
                if key in row.values:
                    noted.places[TABLE_OF[sheet], name, key] = row.cell(key)
                else:
                    noted.blank.add((TABLE_OF[sheet], name, key))


def _prints(
    study: Study, runs: pd.DataFrame, prints: Mapping[str, Row], loads: Mapping[str, Row], noted: _Noted
) -> Iterator[dict[str, Value]]:
    """Yield the prints in run order; what was used for a whole load is used for each of its prints."""
    for planned in runs.to_dict(orient="records"):
        name, row = planned["print"], {**prints[planned["print"]].values}
        dried = loads.get(planned["load"])
        for factor in study.factors:
            key = f"used.{factor.name}"
            if key not in row and dried is not None and key in dried.values:
                row[key], noted.places["prints", name, key] = dried.values[key], dried.cell(key)
                if REASON.key in dried.values:
                    noted.reasons.setdefault(("prints", name), str(dried.values[REASON.key]))
            elif key not in row and dried is not None and key in dried.letters:
                noted.blank.add(("prints", name, key))
            if key in row and row[key] == planned[f"set.{factor.name}"]:
                noted.as_set.add(("prints", name, key))
                del row[key]
        yield row | {key: planned[key] for key in ("round", "load", "printer")}


def _readings(study: Study, checks: Mapping[str, Row], findings: Findings) -> Iterator[dict[str, Value]]:
    """Yield the readings of printers; an instrument is named as the study does, whatever the case."""
    known = {key_of(tool.id): tool.id for tool in study.instruments}
    for row in (row for row in checks.values() if len(row.values) > 1):
        said = str(row.values.get("instrument", ""))
        name = known.get(key_of(said), said)
        if name != said:
            findings.read_as.append(ReadAs(row.cell("instrument"), said, name, texts_of(study)("columns.instrument")))
        if name and key_of(name) not in known:
            advice = wording.meant(name, known.values(), "add it there with its kind or its limit_of_error")
            findings.remarks.append(
                f"{row.cell('instrument')}: no instrument is named '{name}' under [[instruments]], so how far its reading may be "
                f"off is not known: {advice}."
            )
        yield {**row.values, "instrument": name}


def _language_of(study: Study, book: Cells) -> Texts:
    """Return the texts that a workbook was written with: its study may ask for another language by now."""
    own = study.header.operator_language
    known = [texts(one) for one in (own, *(one for one in languages() if one != own))]
    return max(known, key=lambda say: len(_identity(book, say)))


def _round_of(study: Study, design: Design, book: Cells, definitions: Mapping[str, Any], say: Texts) -> int:
    """Return the round that a workbook belongs to, or refuse one that does not belong to this plan."""
    where = f"{book.where}, sheet {layout.title(say, INSTRUCTIONS)}"
    said = _identity(book, say)
    if "study" not in said or "digest" not in said:
        found = "what makes the workbook known is missing"
        allowed = f"the block '{say('book.this_workbook')}' stays as it was written"
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


def _identity(book: Cells, say: Texts) -> dict[str, str]:
    """Find the labels of the identity block, wherever they stand on its sheet, and the value to the right of each."""
    return _labelled(book.sheets.get(_front(book, say), {}), say)


def _front(book: Cells, say: Texts) -> str:
    """Return the title of the sheet with the identity block: that of its name in any language, else of any other name."""
    fronts = {key_of(layout.title(texts(language), INSTRUCTIONS)) for language in languages()}
    titles = [title for title in book.sheets if key_of(title) in fronts] or list(book.sheets)
    return max(titles, key=lambda title: len(_labelled(book.sheets[title], say)), default="")


def _labelled(cells: Mapping[Place, Raw], say: Texts) -> dict[str, str]:
    """Return the values beside the labels of the identity block on one sheet."""
    labels = {key_of(label): key for key, label in say.table("identity").items()}
    said: dict[str, str] = {}
    for (row, column), value in sorted(item for item in cells.items() if item[0][0] <= _TOP):
        key = labels.get(key_of(shown(value)))
        right = [] if key is None else sorted(other for line, other in cells if line == row and other > column)
        if key is not None and right:
            said.setdefault(key, shown(cells[row, right[0]]).strip())
    return said


def _refused(where: str, found: str, allowed: str, remedy: str) -> InputRefused:
    return InputRefused(Problem(where, found, allowed, remedy))
