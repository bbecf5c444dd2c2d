"""From the cells of a sheet to its rows: columns are found by their headers, rows by their identifiers."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from doe.errors import Problem
from doe.record.cells import key_of, nearest, read_cell, shown
from doe.record.read import Cells, Place, Raw
from doe.sheet.columns import Column, Value
from doe.sheet.layout import Sheet, letter

_HEADER_WITHIN = 50
"""Rows from the top among which the headers are looked for."""
_FRESH = "copy the values into a fresh workbook"
_SHOWN = 6
"""How many identifiers a sentence lists before it only counts the rest."""


@dataclass
class Findings:
    """What comes up while a workbook is matched: problems, which refuse it, and remarks, which do not."""

    problems: list[Problem] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Row:
    """One row of a sheet: its values by column key (only cells that are filled in), and how to name its cells."""

    sheet: str
    number: int
    values: Mapping[str, Value]
    letters: Mapping[str, str]

    def cell(self, key: str) -> str:
        """Return the place of one of its cells: ``sheet Prints, cell H7``."""
        return f"{self.sheet}, cell {self.letters[key]}{self.number}"


def listed(names: list[str]) -> str:
    """Return names in a sentence: the first few, then how many more."""
    more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
    return ", ".join(names[:_SHOWN]) + more


def read_rows(book: Cells, sheet: Sheet, findings: Findings) -> dict[str, Row]:
    """
    Return the rows of one sheet by their identifiers.

    Parameters
    ----------
    book : Cells
    sheet : Sheet
        What was written, and where operators may write.
    findings : Findings
        Receives every problem of the sheet: missing sheet or column, unknown, missing or repeated identifier, and
        cells that cannot be read or that changed what the plan fixes.

    Returns
    -------
    dict of str to Row
        Planned identifiers in the plan's order; a cell with a problem is left out of its row.
    """
    where = f"{book.where}, sheet {sheet.name}"
    title = next((title for title in book.sheets if key_of(title) == key_of(sheet.name)), None)
    if title is None:
        findings.problems.append(
            Problem(where, "there is no such sheet", "a workbook holds all of its sheets", "hand in the whole workbook")
        )
        return {}
    found = _Table(where, sheet, book.sheets[title], book.uncomputed.get(title, frozenset()), findings)
    return found.rows()


@dataclass(frozen=True)
class _Table:
    where: str
    sheet: Sheet
    cells: Mapping[Place, Raw]
    uncomputed: frozenset[Place]
    findings: Findings

    def rows(self) -> dict[str, Row]:
        header, columns = self._columns()
        if self.sheet.row_id not in columns:
            return {}
        pairs = zip(self.sheet.row_ids(), self.sheet.rows, strict=True)
        planned = {key_of(name): (name, values) for name, values in pairs}
        rows: dict[str, Row] = {}
        for number in sorted({row for row, _ in (*self.cells, *self.uncomputed) if row > header}):
            name = self._identifier(number, columns, set(planned))
            if name is None:
                continue
            identifier, fixed = planned[name]
            if identifier in rows:
                place = f", cell {letter(columns[self.sheet.row_id])}{number}"
                found = f"'{identifier}' stands in row {rows[identifier].number} already"
                self._problem(place, found, "each identifier has one row", "keep one of the two rows")
                continue
            rows[identifier] = self._row(number, columns, identifier, fixed)
        self._require_all(rows)
        return {name: rows[name] for name in self.sheet.row_ids() if name in rows}

    def _problem(self, place: str, found: str, allowed: str, remedy: str) -> None:
        self.findings.problems.append(Problem(f"{self.where}{place}", found, allowed, remedy))

    def _columns(self) -> tuple[int, dict[str, int]]:
        """Find the row of the headers, and the number of each known column."""
        known = {key_of(column.header): column.key for column in self.sheet.columns}
        found: dict[int, list[tuple[str, int]]] = {}
        for (row, column), value in sorted(self.cells.items()):
            if row <= _HEADER_WITHIN and isinstance(value, str) and key_of(value) in known:
                found.setdefault(row, []).append((known[key_of(value)], column))
        if not found:
            self._problem("", "the row of headings is missing", "headings stay as they were written", _FRESH)
            return 0, {}
        header = max(found, key=lambda row: len(found[row]))
        columns: dict[str, int] = {}
        for key, column in found[header]:
            if key in columns:
                place = f", cell {letter(column)}{header}"
                self._problem(place, "this heading stands in two columns", "each stands once", "clear one of them")
            columns.setdefault(key, column)
        self._require_columns(header, columns)
        self._remark_strangers(header, columns)
        return header, columns

    def _require_columns(self, header: int, columns: dict[str, int]) -> None:
        known = columns.values()
        strange = [str(value) for (row, number), value in self.cells.items() if row == header and number not in known]
        for column in self.sheet.columns:
            if (column.fill or column.key == self.sheet.row_id) and column.key not in columns:
                if column.optional:
                    self.findings.remarks.append(
                        f"{self.where}: there is no column '{column.header}'; nothing is collected for it. Sheets that were "
                        "written before it was declared have none."
                    )
                    continue
                near = nearest(column.header, strange)
                remedy = f"rename '{near}' back" if near else f"put the heading back, or {_FRESH}"
                found = f"the column '{column.header}' is missing"
                self._problem(f", row {header}", found, "every column keeps its heading", remedy)

    def _remark_strangers(self, header: int, columns: dict[str, int]) -> None:
        used = {column for (row, column) in self.cells if row >= header and column not in columns.values()}
        for column in sorted(used):
            heading = self.cells.get((header, column))
            name = f"{letter(column)} ('{shown(heading)}')" if heading is not None else letter(column)
            self.findings.remarks.append(
                f"{self.where}: column {name} is none of the sheet's own, and was not collected."
            )

    def _identifier(self, number: int, columns: dict[str, int], planned: set[str]) -> str | None:
        raw = self.cells.get((number, columns[self.sheet.row_id]))
        place = f", cell {letter(columns[self.sheet.row_id])}{number}"
        if raw is None or not shown(raw).strip():
            fill = [columns[column.key] for column in self.sheet.columns if column.fill and column.key in columns]
            if any((number, column) in self.cells for column in fill):
                found = "a row is filled in but has no identifier"
                self._problem(place, found, "every row keeps its own", "put it back, or clear the row")
            return None
        if key_of(shown(raw)) in planned:
            return key_of(shown(raw))
        near = nearest(shown(raw), self.sheet.row_ids())
        remedy = f"did you mean '{near}'? Correct it" if near else "put the planned identifier back, or clear the row"
        self._problem(place, f"'{shown(raw)}' is not in the plan", "the identifiers of this round are allowed", remedy)
        return None

    def _row(self, number: int, columns: dict[str, int], identifier: str, fixed: Mapping[str, Value]) -> Row:
        letters = {key: letter(column) for key, column in columns.items()}
        values: dict[str, Value] = {self.sheet.row_id: identifier}
        for column in self.sheet.columns:
            if column.key not in columns or column.key == self.sheet.row_id:
                continue
            place = (number, columns[column.key])
            where = f", cell {letters[column.key]}{number}"
            if not column.fill:
                self._require_unchanged(column, fixed, self.cells.get(place), where)
            elif (value := self._filled(column, identifier, place, where)) is not None:
                values[column.key] = value
        return Row(self.where, number, values, letters)

    def _require_unchanged(self, column: Column, fixed: Mapping[str, Value], raw: Raw | None, where: str) -> None:
        planned = fixed.get(column.key)
        if raw is None or planned is None or column.key in ("order", "prints") or _same(raw, planned):
            return
        found = f"'{shown(raw)}' was typed over the plan's '{shown(planned)}'"
        elsewhere = "; another setpoint goes under 'used if not as set'" if column.key.startswith("set.") else ""
        self._problem(where, found, "locked cells stay as they are", f"put it back{elsewhere}")

    def _filled(self, column: Column, identifier: str, place: Place, where: str) -> Value | None:
        if place in self.uncomputed:
            self._problem(
                where, "a formula without its result", "a typed value, or a formula that was computed, is allowed",
                "type the value, or open and save the workbook in a spreadsheet program",
            )
            return None
        value = read_cell(column, self.cells.get(place), f"{self.where}{where}")
        if isinstance(value, Problem):
            self.findings.problems.append(value)
            return None
        if value is not None and (identifier, column.key) in self.sheet.closed:
            allowed = f"coupon {identifier} is not measured for it"
            self._problem(where, f"a value for '{column.header}'", allowed, "clear the cell")
            return None
        return value

    def _require_all(self, rows: dict[str, Row]) -> None:
        missing = [name for name in self.sheet.row_ids() if name not in rows]
        if missing and self.sheet.row_id != "reading":  # a blank row for a reading may go; a planned thing may not
            allowed = "every planned row stays, filled in or not"
            self._problem("", f"no row for {listed(missing)}", allowed, f"put the rows back, or {_FRESH}")


def _same(raw: Raw, planned: Value) -> bool:
    if isinstance(planned, str) or not isinstance(raw, int | float):
        return key_of(shown(raw)) == key_of(shown(planned))
    return abs(float(raw) - planned) <= 1e-9 * max(1.0, abs(planned))
