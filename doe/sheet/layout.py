"""From a plan to cells: what stands where in the workbook.

A sheet is described without any file format: its columns in order, the values that the plan fixes, and which cells
the operators fill. ``doe.sheet.write`` renders the description, and ``doe.record.match`` finds columns again by their
headers and rows by their identifiers.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from doe.design.effort import effort
from doe.design.plan import PILOT, Design
from doe.design.timetable import Timetable, timetable
from doe.files import digest_of
from doe.sheet import columns as col
from doe.sheet import grading, states
from doe.sheet.columns import Column, Value
from doe.sheet.logs import log_columns
from doe.sheet.pieces import pieces_of_tests
from doe.sheet.plate import places, plate_columns
from doe.sheet.z_direction import z_senses, z_senses_of_readings
from doe.study.amend import without_ranges
from doe.study.operators import Texts, texts_of
from doe.study.spec import Factor, Study

FORMAT = 1
"""Version of the workbook's format; a workbook of another one is refused."""
HEADER_ROW = 2
"""Row of the headers on every sheet that is filled in; the row above it holds a title."""
IDENTITY_ROW = 4
"""Row of the first line of the identity block on ``Instructions``: label in column A, value in column B."""
CHECK_ROWS = 24
INSTRUCTIONS, PRINTS, COUPONS, LOADS, CHECKS = "Instructions", "Prints", "Coupons", "Loads", "Printer checks"
TIMETABLE = "Timetable"
SPOOLS, GRADINGS, KEY = "Spools", "Grader check", "Grader key"
"""Sheets, as the package speaks of them; :func:`title` says what operators read."""
_TITLES = {
    INSTRUCTIONS: "instructions", PRINTS: "prints", COUPONS: "coupons", LOADS: "loads", CHECKS: "checks", TIMETABLE: "timetable",
    SPOOLS: "spools", GRADINGS: "gradings", KEY: "key",
}
_SPARE_SPOOLS = 6
"""Rows of the ledger beyond the spools that the round is planned to take."""

IDENTITY = ("study", "title", "material", "round", "digest", "seed", "format")
"""What makes a workbook known again; the texts of ``identity`` are the labels beside it."""


@dataclass(frozen=True)
class Sheet:
    """One table of the workbook; its rows are found again by identifier, wherever they stand."""

    name: str
    """One of the names above, whatever the language."""
    title: str
    """As operators read it."""
    row_id: str
    """Key of the column that holds the identifiers."""
    columns: tuple[Column, ...]
    rows: tuple[Mapping[str, Value], ...]
    """Per row, what the plan fixes, by column key."""
    bands: tuple[int, ...]
    """Per row, a number that changes where the drying load (on ``Coupons``: the print, on ``Timetable``: the day) does."""
    closed: frozenset[tuple[str, str]] = frozenset()
    """(row identifier, column key) of cells that are not filled although their column is."""
    cautions: tuple[str, ...] = ()
    """Lines below the title, which must not be overlooked."""
    remarks: tuple[str, ...] = ()
    """Lines below them, above the headers."""
    things: str = ""
    """What its rows are, in the plural, where progress is counted."""
    optional: bool = False
    """Whether a workbook may lack it, since it was written before the sheet was known."""
    spare: bool = False
    """Whether its rows are only room to write in: blank ones are not collected, and may be missing."""

    @property
    def header_row(self) -> int:
        """Number of the row of headers, as spreadsheets count."""
        return HEADER_ROW + len(self.cautions) + len(self.remarks)

    @property
    def first_row(self) -> int:
        """Number of the first data row."""
        return self.header_row + 1

    @property
    def last_row(self) -> int:
        """Number of the last data row."""
        return self.header_row + len(self.rows)

    @property
    def letters(self) -> dict[str, str]:
        """Letters of the columns by key."""
        return {column.key: letter(place) for place, column in enumerate(self.columns, 1)}

    @property
    def through_id(self) -> int:
        """How many columns there are up to the identifier; they stay in view and are printed on every page."""
        return [column.key for column in self.columns].index(self.row_id) + 1

    def row_ids(self) -> list[str]:
        """Return the planned identifiers, in the order of the rows."""
        return [str(row[self.row_id]) for row in self.rows]

    def cells_of(self, key: str, *, other: bool = False) -> str:
        """Return the address of a column's cells; with the sheet's name where another sheet speaks of them."""
        name = self.letters[key]
        sheet = "'" + self.title.replace("'", "''") + "'!" if other else ""
        return f"{sheet}${name}${self.first_row}:${name}${self.last_row}"


def title(say: Texts, name: str) -> str:
    """Return what operators read as the name of a sheet."""
    return say(f"sheets.{_TITLES[name]}")


def sheets(study: Study, design: Design, round_number: int) -> tuple[Sheet, ...]:
    """
    Describe every table of one round's workbook that is filled in, and so is read again.

    Parameters
    ----------
    study : Study
    design : Design
    round_number : int
        The round whose prints are listed; it must be in the design.

    Returns
    -------
    tuple of Sheet
        ``Prints``, then ``Coupons``, ``Loads``, ``Spools``, ``Printer checks`` and ``Grader check`` where the study has use for
        them.
    """
    runs = design.of_round(round_number).sort_values("order", kind="stable")
    made = [_prints(study, runs)]
    if study.coupons_per_print:
        made.append(_coupons(study, runs, made[0]))
    if _has_loads(runs):
        made += [_loads(study, runs), _spools(study, runs, round_number)]
    if _readable(study):
        made.append(_checks(study, round_number))
    if coded := grading.gradings(study, design, round_number):
        rows, closed = grading.grading_rows(study, coded)
        columns = col.distinct(grading.grading_columns(study))
        named = title(texts_of(study), GRADINGS)
        made.append(Sheet(GRADINGS, named, "code", columns, rows, (0,) * len(rows), closed, optional=True, spare=True))
    return tuple(made)


def key_sheet(study: Study, design: Design, round_number: int) -> Sheet | None:
    """Describe the table that says which piece each code of the grader check stands for; None where there are none."""
    say = texts_of(study)
    rows = grading.key_rows(say, grading.gradings(study, design, round_number))
    columns, said = col.distinct(grading.key_columns(say)), (say("book.grader_key"),)
    return Sheet(KEY, title(say, KEY), "code", columns, rows, (0,) * len(rows), cautions=said) if rows else None


def timetable_sheet(study: Study, design: Design, round_number: int) -> Sheet:
    """
    Describe the table that proposes when everything is done, which is only looked at: no cell is filled, none is read.

    Parameters
    ----------
    study : Study
    design : Design
    round_number : int
        The round whose prints are listed; it must be in the design.
    """
    runs, say = design.of_round(round_number), texts_of(study)
    made = timetable(study, runs, say)
    columns = col.timetable_columns(study, dated=study.budget.start is not None, loads=_has_loads(runs))
    keys = [column.key for column in columns]
    rows = tuple({key: row[key] for key in keys} for row in _steps(made))
    bands = tuple(step.day for step in made.steps)
    unfit = (say("timetable.note", name=one.name, cause=one.cause) for one in made.verdicts)
    said = (*made.cautions, *unfit)
    return Sheet(TIMETABLE, title(say, TIMETABLE), "step", col.distinct(columns), rows, bands, frozenset(), said, (made.basis,))


def _steps(made: Timetable) -> Iterator[dict[str, Value]]:
    for number, step in enumerate(made.steps, 1):
        yield {
            "step": number, "day": step.day, "date": step.date, "time": step.time, "what": step.what,
            "load": step.load, "prints": ", ".join(step.prints), "printer": step.printer, "note": step.note,
        }


def identity(study: Study, design: Design, round_number: int, digest: str) -> dict[str, Value]:
    """
    Return what makes a workbook known again, in the order of :data:`IDENTITY`.

    Parameters
    ----------
    study : Study
    design : Design
    round_number : int
    digest : str
        As of :func:`plan_digest`.
    """
    return {
        "study": study.header.id, "title": study.header.title, "material": study.header.material,
        "round": round_number, "digest": digest, "seed": int(design.of_round(round_number)["seed"].iloc[0]),
        "format": FORMAT,
    }


def locations(study: Study, design: Design, round_number: int) -> dict[str, dict[str, Any]]:
    """
    Say where everything is in one round's workbook.

    Parameters
    ----------
    study : Study
    design : Design
    round_number : int

    Returns
    -------
    dict
        By sheet name: ``sheet`` (its title), ``header_row``, ``first_row`` and ``last_row`` of the data (rows count from 1),
        ``columns`` (letter by key), ``fill`` (the keys that operators fill) and ``words`` (by key what is chosen for what is
        recorded). On ``Instructions`` the identity block is meant, and ``rows`` gives its row by key.
    """
    keys = list(IDENTITY)
    found: dict[str, dict[str, Any]] = {
        INSTRUCTIONS: {
            "sheet": title(texts_of(study), INSTRUCTIONS), "header_row": IDENTITY_ROW - 1, "first_row": IDENTITY_ROW,
            "last_row": IDENTITY_ROW + len(keys) - 1, "columns": {"label": "A", "value": "B"}, "fill": [],
            "rows": {key: IDENTITY_ROW + place for place, key in enumerate(keys)},
        }
    }
    for sheet in (*sheets(study, design, round_number), timetable_sheet(study, design, round_number)):
        found[sheet.name] = {
            "sheet": sheet.title, "header_row": sheet.header_row, "first_row": sheet.first_row, "last_row": sheet.last_row,
            "columns": {column.key: letter(place) for place, column in enumerate(sheet.columns, 1)},
            "fill": [column.key for column in sheet.columns if column.fill],
            "words": {
                column.key: {kept: shown for shown, kept in column.choices.items() if isinstance(kept, str)}
                for column in sheet.columns if column.kind == "choice"
            },
        }
    return found


def letter(number: int) -> str:
    """Return the letter of a column, counted from 1: A, B, ... Z, AA, ..."""
    text = ""
    while number:
        number, rest = divmod(number - 1, 26)
        text = chr(ord("A") + rest) + text
    return text


def plan_digest(study_definitions: Mapping[str, Any], runs_of_round: pd.DataFrame) -> str:
    """
    Return the SHA-256 that ties a workbook to its plan rows and to the definitions of factors and responses.

    Parameters
    ----------
    study_definitions : mapping
        JSON values: what a workbook depends on in the study.
    runs_of_round : DataFrame
        The rows of one round of ``Design.runs``. Settings count as floats, so that a plan that was read back from
        text has the digest of the plan that was written.

    Returns
    -------
    str
        64 hexadecimal digits.
    """
    pilot = bool((runs_of_round["round"] == PILOT).all())
    defined = without_ranges(study_definitions) if pilot else study_definitions
    return digest_of({"definitions": defined, "plan": _plain_rows(runs_of_round)})


def _plain_rows(runs: pd.DataFrame) -> list[dict[str, Value]]:
    records = runs.to_dict(orient="records")
    # What a reprint stands for is not printed, and a plan gains these columns with its first reprints: older sheets stay valid.
    kept = [{key: value for key, value in row.items() if key not in ("block", "reprint_of")} for row in records]
    return [{str(key): _plain(str(key), value) for key, value in row.items()} for row in kept]


def _plain(key: str, value: Any) -> Value:  # noqa: ANN401 - a cell of a DataFrame
    if key in ("round", "order", "cell", "seed"):
        return int(value)
    if key.startswith(("target.", "set.")) and not isinstance(value, str):
        return float(value) + 0.0  # makes -0.0 and 0.0 one number
    return str(value)


def _titled(say: Texts, name: str) -> float:
    """Return how wide the columns are that are printed on every page, so that the sheet's name has room above them."""
    return 1.2 * len(title(say, name)) + 2


def _has_loads(runs: pd.DataFrame) -> bool:
    return bool((runs["load"] != "").any())


def _readable(study: Study) -> list[Factor]:
    """Return the factors that a reference probe can read on a printer, and whose line is straight on their scale."""
    numeric = [factor for factor in study.factors if factor.is_numeric and factor.change == "print"]
    return [factor for factor in numeric if not factor.has_nonlinear_scale]


def _prints(study: Study, runs: pd.DataFrame) -> Sheet:
    with_loads, say = _has_loads(runs), texts_of(study)
    columns = [Column("order", say("columns.order"), "number", width=7.5), Column("print", say("columns.print"), width=8)]
    again = dict(zip(runs["print"], runs.get("reprint_of", [""] * len(runs)), strict=True))
    if any(again.values()):
        columns.append(Column("reprint_of", say("columns.reprint_of"), width=9.5))
    if with_loads:
        columns.append(Column("load", say("columns.load"), width=8))
    if study.printers:
        columns.append(Column("printer", say("columns.printer"), width=col.fitting(printer.name for printer in study.printers)))
    for factor in study.factors:
        dried = with_loads and factor.change == "load"  # another setpoint of a whole load is written on Loads, once
        columns += col.setting_columns(study, factor, with_used=not dried)
    fixed = [column.key for column in columns if not column.fill]
    columns += [*col.outcome_columns(say, "print"), states.state(say)]
    for response in study.responses:
        columns += col.value_columns(response, say) if response.per == "print" else []
    asked = [*col.reading_columns(study), *col.covariate_columns(study, "print"), *col.print_remarks(say)]
    columns += [*log_columns(study, "print"), *col.in_part(asked, "more")]
    planned = [{**row, "reprint_of": again[row["print"]]} for row in _plain_rows(runs)]
    rows = tuple({key: row[key] for key in fixed} for row in planned)
    bands = tuple(int(code) for code in pd.factorize(runs["load"])[0])
    said = tuple(z_senses(study, say))
    return Sheet(
        PRINTS, title(say, PRINTS), "print", states.with_state(columns, say), rows, bands, cautions=said, things="prints"
    )


def _coupons(study: Study, runs: pd.DataFrame, prints: Sheet) -> Sheet:
    responses = [response for response in study.responses if response.per == "coupon"]
    say = texts_of(study)
    width = max(11.0, _titled(say, COUPONS))
    columns = [Column("coupon", say("columns.coupon"), width=width), Column("print", say("columns.print"), width=8)]
    ended = states.looked_up(say, prints.cells_of("print", other=True), prints.cells_of("outcome", other=True))
    columns += [Column("number", say("columns.number"), "number", width=9), *plate_columns(study), ended]
    columns += [*col.outcome_columns(say, "coupon"), states.state(say)]
    for response in responses:
        columns += [*col.value_columns(response, say), *([col.outcome_of_test(response, say)] if len(responses) > 1 else [])]
    columns += [*log_columns(study, "coupon"), *col.in_part([col.note(say)], "more")]
    rows: list[dict[str, Value]] = []
    closed: set[tuple[str, str]] = set()
    numbers, spots = range(1, study.coupons_per_print + 1), places(study, runs, say)
    for print_id in runs["print"]:
        for number in numbers:
            name = f"{print_id}-{number}"
            rows.append({"coupon": name, "print": str(print_id), "number": number, **spots[name]})
            closed |= {(name, c.key) for c in columns if c.upto is not None and number > c.upto}
    bands = tuple(place for place in range(len(runs)) for _ in numbers)
    tests = pieces_of_tests(study, say, methods=True)
    said = (say("steps.coupons_of_several", each=tests),) if tests else ()
    return Sheet(
        COUPONS, title(say, COUPONS), "coupon", states.with_state(columns, say), tuple(rows), bands, frozenset(closed),
        remarks=said, things="coupons",
    )


def _loads(study: Study, runs: pd.DataFrame) -> Sheet:
    say = texts_of(study)
    planned = [Column("load", say("columns.load"), width=max(8.0, _titled(say, LOADS)))]
    for factor in study.load_factors:
        planned += col.setting_columns(study, factor, with_used=True)
    fixed = [column.key for column in planned if not column.fill]
    *drying, remark = col.drying_columns(say, study.oven)
    made = Column("prints", say("columns.made_from_it"), width=36)
    asked = [*drying, *log_columns(study, "load"), states.lost(say), *col.covariate_columns(study, "load"), remark]
    columns = states.with_state([*planned, made, *col.in_part([states.state(say), *asked], "more")], say)
    rows: list[dict[str, Value]] = []
    for _, members in runs[runs["load"] != ""].groupby("load", sort=False):
        first = _plain_rows(members.head(1))[0]
        rows.append({key: first[key] for key in fixed} | {"prints": ", ".join(members["print"])})
    return Sheet(LOADS, title(say, LOADS), "load", columns, tuple(rows), tuple(range(len(rows))), things="loads")


def _spools(study: Study, runs: pd.DataFrame, round_number: int) -> Sheet:
    say = texts_of(study)
    columns = col.distinct((Column("entry", say("columns.entry"), width=9), *col.spool_columns(say)))
    count = effort(study, runs).spools + _SPARE_SPOOLS
    rows = tuple({"entry": f"S{round_number}-{number:02d}"} for number in range(1, count + 1))
    return Sheet(SPOOLS, title(say, SPOOLS), "entry", columns, rows, (0,) * count, optional=True, spare=True)


def _checks(study: Study, round_number: int) -> Sheet:
    say = texts_of(study)
    columns = [Column("reading", say("columns.reading"), width=10), *col.check_columns(study, _readable(study))]
    rows = tuple({"reading": f"R{round_number}-{number:02d}"} for number in range(1, CHECK_ROWS + 1))
    said = tuple(z_senses_of_readings(study, say))
    return Sheet(CHECKS, title(say, CHECKS), "reading", col.distinct(columns), rows, (0,) * CHECK_ROWS, cautions=said, spare=True)
