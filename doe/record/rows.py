"""From the cells of a sheet to its rows: columns are found by their headers, rows by their identifiers."""

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from doe.errors import Problem
from doe.record.cells import key_of, nearest, read_cell, shown, tolerated
from doe.record.findings import Findings, ReadAs, in_words, listed
from doe.record.headings import REASON, REASONS, TITLES
from doe.record.parts import Place, Traits
from doe.record.read import Cells, Raw
from doe.record.schema import formulas
from doe.sheet.columns import OUTCOME_OF, Column, Value
from doe.sheet.layout import Sheet, letter
from doe.sheet.logs import PREFIX

Headings = Mapping[str, Mapping[str, str]]
"""As of :func:`doe.record.headings.known_headings`."""

_HEADER_WITHIN = 50
"""Rows from the top among which the headers are looked for."""
_FRESH = "copy the values into a fresh workbook"
_LOOKED_UP = 100
"""Things of one kind that are looked into one by one; more of them are a fault of the whole sheet."""
_ALIKE = 0.8
"""Share of a table's headings by which it is known again under another name."""


@dataclass(frozen=True)
class Row:
    """One row of a sheet: its values by column key (only cells that are filled in), and how to name its cells."""

    sheet: str
    number: int
    values: Mapping[str, Value]
    letters: Mapping[str, str]
    """By column key, its letter; of a table that was exported, its heading."""
    exported: bool = False
    """Whether it is the line of a text file, and no row of a sheet."""

    def cell(self, key: str) -> str:
        """Return the place of one of its cells: ``sheet Prints, cell H7``."""
        if self.exported:
            return f"{self.sheet}, line {self.number}, column '{self.letters[key]}'"
        if key not in self.letters:
            return f"{self.sheet}, row {self.number}"
        return f"{self.sheet}, cell {self.letters[key]}{self.number}"


def read_rows(book: Cells, sheet: Sheet, findings: Findings, headings: Callable[[], Headings]) -> dict[str, Row]:
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
    headings : callable
        Gives the headings of all languages; it is only called where one in the language of the sheet is missing.

    Returns
    -------
    dict of str to Row
        Planned identifiers in the plan's order; a cell with a problem is left out of its row.
    """
    where = f"{book.where}, sheet {sheet.title}"
    titles = [title for title in book.sheets if key_of(title) == key_of(sheet.title)]
    alike = [title for title in book.sheets if title not in titles and _is_alike(book.sheets[title], sheet)]
    if not titles and not alike:
        others = headings().get(sheet.name, {})
        alike = [title for title in book.sheets if _is_alike(book.sheets[title], sheet, others)]
    if not titles and len(alike) == 1:
        findings.remarks.append(f"{where}: it is called '{alike[0]}' now, and was known by its headings.")
        titles, alike = alike, []
    if not titles and sheet.optional:
        return {}
    if not titles:
        found, remedy = "there is no such sheet", "hand in the whole workbook"
        if alike:
            found = "there is no such sheet, and its headings stand on " + in_words(f"'{title}'" for title in alike)
            remedy = "give the right one its name back, and remove the other"
        findings.problems.append(Problem(where, found, "a workbook holds all of its sheets", remedy))
        return {}
    rows = _table(book, sheet, titles[0], where, findings, headings).rows()
    for title in alike:
        _compare_copy(rows, _table(book, sheet, title, f"{book.where}, sheet {title}", Findings(), headings), findings)
    return rows


def strange_sheets(book: Cells) -> list[str]:
    """Return the sheets that are none of the workbook's own and hold something."""
    return [title for title, cells in book.sheets.items() if cells and key_of(title) not in TITLES]


def _table(
    book: Cells, sheet: Sheet, title: str, where: str, findings: Findings, headings: Callable[[], Headings]
) -> "_Table":
    uncomputed, traits = book.uncomputed.get(title, frozenset()), book.traits.get(title, Traits())
    return _Table(where, sheet, book.sheets[title], uncomputed, traits, findings, headings)


def _wanted(sheet: Sheet) -> list[Column]:
    """Return the columns without which nothing can be collected from a sheet."""
    return [column for column in sheet.columns if column.fill or column.key == sheet.row_id]


def _is_alike(cells: Mapping[Place, Raw], sheet: Sheet, others: Mapping[str, str] | None = None) -> bool:
    """Whether a sheet has the headings of a table, those of other languages included where they are given."""
    wanted = {column.key for column in _wanted(sheet) if not column.optional}
    known = {**(others or {}), **{key_of(column.header): column.key for column in sheet.columns}}
    by_row: dict[int, set[str]] = {}
    for (row, _), value in cells.items():
        if row <= _HEADER_WITHIN and isinstance(value, str) and known.get(key_of(value)) in wanted:
            by_row.setdefault(row, set()).add(known[key_of(value)])
    return max(map(len, by_row.values()), default=0) >= _ALIKE * len(wanted)


def _compare_copy(rows: Mapping[str, Row], copy: "_Table", findings: Findings) -> None:
    """Refuse a second sheet with the headings of a table where it says something else."""
    if copy.findings.problems:
        found = "it is a second one of its kind, and cannot be read"
    else:
        told = ((name, row, key) for name, row in copy.rows().items() for key in row.values)
        other = [row.cell(key) for name, row, key in told if name not in rows or rows[name].values.get(key) != row.values[key]]
        if not other and not copy.findings.problems:
            return
        found = f"it is a second one of its kind, and differs in {len(other)} cells" + (f", such as {other[0]}" if other else "")
    findings.problems.append(Problem(copy.where, found, "each table stands once", "keep one of the two, and remove the other"))


@dataclass(frozen=True)
class _Table:
    where: str
    sheet: Sheet
    cells: Mapping[Place, Raw]
    uncomputed: frozenset[Place]
    traits: Traits
    findings: Findings
    headings: Callable[[], Headings]

    @property
    def known(self) -> tuple[Column, ...]:
        """The sheet's columns, and the one for reasons, which whoever corrects a value adds."""
        return (*self.sheet.columns, REASON)

    def rows(self) -> dict[str, Row]:
        header, columns = self._columns()
        if self.sheet.row_id not in columns:
            return {}
        pairs = zip(self.sheet.row_ids(), self.sheet.rows, strict=True)
        planned = {key_of(name): (name, values) for name, values in pairs}
        rows: dict[str, Row] = {}
        for number in sorted({row for row, _ in (*self.cells, *self.uncomputed) if row > header}):
            name = self._identifier(number, columns, planned)
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
        self._require_unmerged(rows, columns)
        self._remark_out_of_sight(rows, columns)
        return {name: rows[name] for name in self.sheet.row_ids() if name in rows}

    def _problem(self, place: str, found: str, allowed: str, remedy: str) -> None:
        self.findings.problems.append(Problem(f"{self.where}{place}", found, allowed, remedy))

    def _columns(self) -> tuple[int, dict[str, int]]:
        """Find the row of the headings, and the number of each known column."""
        own = {**dict.fromkeys(REASONS, REASON.key), **{key_of(column.header): column.key for column in self.known}}
        header, found = self._heading_row(own)
        if not {column.key for column in _wanted(self.sheet)} <= {key for key, _ in found}:
            header, found = self._heading_row({**self.headings().get(self.sheet.name, {}), **own})
        if not found:
            self._problem("", "the row of headings is missing", "headings stay as they were written", _FRESH)
            return 0, {}
        said = {column: shown(self.cells[header, column]) for _, column in found}
        in_own = {key for key, column in found if key_of(said[column]) in own}
        columns: dict[str, int] = {}
        for key, column in found:
            place, foreign = f", cell {letter(column)}{header}", key_of(said[column]) not in own
            if foreign and key in in_own:
                continue  # a column that somebody added
            if key in columns:
                self._problem(place, "this heading stands in two columns", "each stands once", "clear one of them")
            elif foreign:
                heading = next(one.header for one in self.known if one.key == key)
                self.findings.read_as.append(ReadAs(f"{self.where}{place}", said[column], heading, "heading"))
            columns.setdefault(key, column)
        self._require_columns(header, columns)
        self._remark_strangers(header, columns)
        return header, columns

    def _heading_row(self, known: Mapping[str, str]) -> tuple[int, list[tuple[str, int]]]:
        """Return the row with the most headings that are known, and of each the key and the number of its column."""
        found: dict[int, list[tuple[str, int]]] = {0: []}
        for (row, column), value in sorted(self.cells.items()):
            if row <= _HEADER_WITHIN and isinstance(value, str) and key_of(value) in known:
                found.setdefault(row, []).append((known[key_of(value)], column))
        return max(found.items(), key=lambda item: len(item[1]))

    def _require_columns(self, header: int, columns: dict[str, int]) -> None:
        known = columns.values()
        strange = [str(value) for (row, number), value in self.cells.items() if row == header and number not in known]
        for column in (one for one in _wanted(self.sheet) if one.key not in columns):
            if column.optional and column.key.startswith((PREFIX, OUTCOME_OF)):
                continue  # nobody asked for it
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
            self.findings.remarks.append(f"{self.where}: column {name} is none of the sheet's own, and was not collected.")

    def _identifier(self, number: int, columns: dict[str, int], planned: Mapping[str, tuple[str, object]]) -> str | None:
        raw = self.cells.get((number, columns[self.sheet.row_id]))
        place = f", cell {letter(columns[self.sheet.row_id])}{number}"
        if raw is None or not shown(raw).strip():
            fill = [columns[column.key] for column in self.sheet.columns if column.fill and column.key in columns]
            if any((number, column) in self.cells for column in fill):
                found = "a row is filled in but has no identifier"
                self._problem(place, found, "every row keeps its own", "put it back, or clear the row")
            elif said := [shown(self.cells[number, column]) for column in columns.values() if (number, column) in self.cells]:
                self.findings.remarks.append(f"{self.where}, row {number}: '{said[0][:40]}' has no identifier; not collected.")
            return None
        if key_of(shown(raw)) in planned:
            name, _ = planned[key_of(shown(raw))]
            if shown(raw) != name:
                self.findings.read_as.append(ReadAs(f"{self.where}{place}", shown(raw), name, "identifier"))
            return key_of(shown(raw))
        near = nearest(shown(raw), self.sheet.row_ids()) if len(self.findings.problems) < _LOOKED_UP else None
        remedy = f"did you mean '{near}'? Correct it" if near else "put the planned identifier back, or clear the row"
        self._problem(place, f"'{shown(raw)}' is not in the plan", "the identifiers of this round are allowed", remedy)
        return None

    def _row(self, number: int, columns: dict[str, int], identifier: str, fixed: Mapping[str, Value]) -> Row:
        letters = {key: letter(column) for key, column in columns.items()}
        values: dict[str, Value] = {self.sheet.row_id: identifier}
        for column in self.known:
            if column.key not in columns or column.key == self.sheet.row_id:
                continue
            place = (number, columns[column.key])
            where = f", cell {letters[column.key]}{number}"
            if not column.fill:
                self._require_unchanged(column, fixed, self.cells.get(place), where)
            elif (value := self._filled(column, identifier, place, where)) is not None:
                values[column.key] = value
        row = Row(self.where, number, values, letters)
        for column in self.sheet.columns:
            if column.kind == "stress" and column.key in columns:
                self._require_computed(column, row, (number, columns[column.key]))
        return row

    def _require_computed(self, column: Column, row: Row, place: Place) -> None:
        """Refuse a number that was typed over a formula, since nothing is collected from there."""
        raw = self.cells.get(place)
        if raw is None or place in self.traits.computed:
            return
        formula = formulas(one.key for one in self.sheet.columns).get(column.key)
        if formula is None:
            return
        parts = [row.values.get(f"{one.key}.{column.key}") for one in formula.inputs]
        numbers = [part for part in parts if isinstance(part, float)]
        wanted = float(formula.function(*numbers)) if len(numbers) == len(parts) else None
        if wanted is None or not isinstance(raw, int | float) or abs(raw - wanted) > 1e-6 * abs(wanted):
            self._problem(
                f", cell {row.letters[column.key]}{row.number}", f"'{shown(raw)}' was typed over what is computed",
                f"it follows from {in_words(one.key for one in formula.inputs)}",
                "fill these in, and put the formula back or clear the cell",
            )

    def _require_unmerged(self, rows: Mapping[str, Row], columns: Mapping[str, int]) -> None:
        """Refuse merged cells that hold something: of all rows and columns that they cover one would get it."""
        numbers = sorted(row.number for row in rows.values())
        mine = {columns[one.key] for one in self.known if one.key in columns and (one.fill or one.key == self.sheet.row_id)}
        touching = [
            block for block in self.traits.merged
            if any(block[1] <= column <= block[3] for column in mine)
            and bisect_left(numbers, block[0]) < bisect_right(numbers, block[2])
        ]
        filled: dict[int, list[int]] = {}
        for row, column in (*self.cells, *self.uncomputed) if touching else ():
            filled.setdefault(row, []).append(column)
        for top, left, bottom, right in touching[:_LOOKED_UP]:
            within = (filled.get(row, ()) for row in range(top, min(bottom, max(filled, default=0)) + 1))
            if any(left <= column <= right for columns_filled in within for column in columns_filled):
                name = f"{letter(left)}{top}:{letter(right)}{bottom}"
                found = "merged cells with something in them"
                self._problem(f", cells {name}", found, "each cell stands alone", "unmerge them, and fill in each cell")
        if len(touching) > _LOOKED_UP:
            self._problem("", f"{len(touching)} merged cells", "each cell stands alone", "unmerge them, and fill in each cell")

    def _remark_out_of_sight(self, rows: Mapping[str, Row], columns: Mapping[str, int]) -> None:
        """Say what was read although it is hidden or struck through, and what was read from formulas."""
        hidden = sorted(row.number for row in rows.values() if row.number in self.traits.hidden_rows and len(row.values) > 1)
        if hidden:
            said = f"hidden rows were read like the others: {listed([str(number) for number in hidden])}"
            self.findings.remarks.append(f"{self.where}: {said}.")
        filled = {key for row in rows.values() for key in row.values}
        aside = [letter(columns[key]) for key in columns if key in filled and columns[key] in self.traits.hidden_columns]
        if aside:
            self.findings.remarks.append(f"{self.where}: hidden columns were read like the others: {listed(aside)}.")
        for places, said in (
            (self.traits.computed, "formulas, of which the values they had when the workbook was saved were read: {}."),
            (self.traits.struck, "struck through, and read like the others: {}. Clear a cell whose value does not count."),
        ):
            cells = [
                f"{letter(columns[key])}{row.number}" for row in rows.values() for key in row.values
                if key != self.sheet.row_id and (row.number, columns[key]) in places
            ]
            if cells:
                self.findings.remarks.append(f"{self.where}: {said.format(listed(cells))}")

    def _require_unchanged(self, column: Column, fixed: Mapping[str, Value], raw: Raw | None, where: str) -> None:
        planned = fixed.get(column.key)
        if raw is None or planned is None or column.key in ("order", "prints") or _same(raw, planned):
            return
        found = f"'{shown(raw)}' was typed over the plan's '{shown(planned)}'"
        instead = [one.header for one in self.sheet.columns if one.key == column.key.replace("set.", "used.", 1) != column.key]
        elsewhere = f"; another setpoint goes under '{instead[0]}'" if instead else ""
        self._problem(where, found, "locked cells stay as they are", f"put it back{elsewhere}")

    def _filled(self, column: Column, identifier: str, place: Place, where: str) -> Value | None:
        if place in self.uncomputed:
            self._problem(
                where, "a formula without its result", "a typed value, or a formula that was computed, is allowed",
                "type the value, or open and save the workbook in a spreadsheet program",
            )
            return None
        raw = self.cells.get(place)
        if column.kind == "number" and place in self.traits.percent:
            found = f"{self.traits.percent[place]}, which a spreadsheet keeps as {shown(raw or 0)}"
            self._problem(where, found, "a number is allowed", "format the cell as a number, and type it again")
            return None
        value = read_cell(column, raw, f"{self.where}{where}")
        if isinstance(value, Problem):
            self.findings.problems.append(value)
            return None
        if raw is not None and value is not None:
            self._remark_tolerated(column, raw, value, where)
        if value is not None and (identifier, column.key) in self.sheet.closed:
            allowed = f"coupon {identifier} is not measured for it"
            self._problem(where, f"a value for '{column.header}'", allowed, "clear the cell")
            return None
        return value

    def _remark_tolerated(self, column: Column, raw: Raw, value: Value, where: str) -> None:
        if tolerated(column, raw, value):
            word = next((word for word, kept in column.choices.items() if kept == value), shown(value))
            self.findings.read_as.append(ReadAs(f"{self.where}{where}", shown(raw), word, column.header))
        if column.kind == "datetime" and not isinstance(raw, str) and str(value).endswith("T00:00"):
            self.findings.remarks.append(f"{self.where}{where}: midnight was read, as there is a date without a time.")

    def _require_all(self, rows: dict[str, Row]) -> None:
        missing = [name for name in self.sheet.row_ids() if name not in rows]
        if missing and not self.sheet.spare:  # a blank row for a reading may go; a planned thing may not
            allowed = "every planned row stays, filled in or not"
            self._problem("", f"no row for {listed(missing)}", allowed, f"put the rows back, or {_FRESH}")


def _same(raw: Raw, planned: Value) -> bool:
    if isinstance(planned, str) or not isinstance(raw, int | float):
        return key_of(shown(raw)) == key_of(shown(planned))
    return abs(float(raw) - planned) <= 1e-9 * max(1.0, abs(planned))
