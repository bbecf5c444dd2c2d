"""A table that a test machine exports as text: columns are found by the headings that ``study.toml`` names for them."""

import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from doe.design.plan import Design
from doe.errors import InputRefused, Problem
from doe.record.cells import key_of, nearest, read_cell, same_unit, tolerated, unit_of
from doe.record.findings import Findings, ReadAs
from doe.record.headings import REASON, known_headings
from doe.record.match import TABLE_OF, Matched, recorded
from doe.record.rows import Row
from doe.sheet import layout
from doe.sheet.columns import Column, Value
from doe.sheet.layout import COUPONS, PRINTS, Sheet
from doe.study.spec import Export, Study

MOST_BYTES = 50_000_000
MOST_LINES = 100_000
MOST_COLUMNS = 500
_HEADER_WITHIN = 100
"""Lines from the top among which the headings are looked for."""
_LOOKED_UP = 100
"""Identifiers for which the nearest one is looked for; more that are unknown are a fault of the whole table."""
_UNITS = frozenset({
    "µm", "um", "mm", "cm", "dm", "m", "in", "inch", "mil", "N", "kN", "daN", "mN", "MN", "lbf", "kgf", "gf", "Pa", "kPa", "hPa",
    "MPa", "GPa", "psi", "ksi", "bar", "N/mm2", "N/mm²", "kN/m2", "N/mm", "kN/m", "N/m", "N/cm", "mN/mm", "lbf/in", "J", "mJ",
    "kJ", "Nm", "kJ/m2", "kJ/m²", "J/m2", "J/m", "J/mm", "g", "kg", "mg", "°C", "°F", "K", "degC", "%", "h", "min", "s", "d",
})
"""Units as machines write them; anything else beside or below a heading says nothing."""
_EQUAL = ({"N/mm2", "MPa"}, {"N/mm²", "MPa"}, {"kN/m", "N/mm"})
_BRACKETED = re.compile(r"[\[(]([^\])]*)[\])]\s*$")
_WANTED = "a table as text (CSV) is needed"


def read_export(study: Study, design: Design, content: bytes, where: str, table: str) -> Matched:
    """
    Match an exported table to the plan.

    Parameters
    ----------
    study : Study
        Its ``exports`` say how the table is written.
    design : Design
    content : bytes
    where : str
        The file's name.
    table : {"prints", "coupons"}

    Returns
    -------
    Matched
        All planned rows of the rounds that the table speaks of.

    Raises
    ------
    InputRefused
        With every problem, each with its line and column.
    """
    name = next(sheet for sheet, known in TABLE_OF.items() if known == table)
    tables = {number: {one.name: one for one in layout.sheets(study, design, number)} for number in design.rounds}
    sheets = {number: of_round[name] for number, of_round in tables.items() if name in of_round}
    if not sheets:
        raise InputRefused(Problem(where, f"the study has no {table}", f"results per {table[:-1]}", "leave the file out"))
    form: Export = getattr(study.exports, table)
    found = _Export(where, table, form, sheets, known_headings(study, design, min(sheets))[name], Findings())
    found.read(_lines(content, where, table, form))
    rounds = {}
    for number, rows in found.rows.items():
        planned = [tables[number][one] for one in (PRINTS, COUPONS) if one in tables[number]]
        rounds[number] = {one.name: _blank(where, one) for one in planned}
        rounds[number][name].update(rows)
    return recorded(study, design, where, rounds, found.findings)


def _blank(where: str, sheet: Sheet) -> dict[str, Row]:
    """Return the planned rows of a table, nothing of which is filled in."""
    return {name: Row(where, 0, {sheet.row_id: name}, {}, exported=True) for name in sheet.row_ids()}


def _lines(content: bytes, where: str, table: str, form: Export) -> list[list[str]]:
    key = f"[exports.{table}]"
    if len(content) > MOST_BYTES:
        raise _refused(where, f"it has {len(content)} bytes", f"at most {MOST_BYTES} are read", "hand in less at once")
    try:
        text = content.decode("utf-8-sig" if form.encoding == "utf-8" else form.encoding)
        lines = list(csv.reader(io.StringIO(text, newline=""), delimiter=form.separator, strict=True))
    except UnicodeError:
        raise _refused(
            where, f"it is not text in {form.encoding}", _WANTED, f"set encoding in {key} of study.toml: utf-8, cp1252 or utf-16"
        ) from None
    except csv.Error as error:
        raise _refused(where, f"it cannot be read as CSV ({error})", _WANTED, "export it again as text") from None
    if len(lines) > MOST_LINES or max(map(len, lines), default=0) > MOST_COLUMNS:
        allowed = f"at most {MOST_LINES} lines and {MOST_COLUMNS} columns are read"
        raise _refused(where, f"it has {len(lines)} lines", allowed, "hand in less at once")
    return lines


def _refused(where: str, found: str, allowed: str, remedy: str) -> InputRefused:
    return InputRefused(Problem(where, found, allowed, remedy))


@dataclass
class _Export:
    """A table while it is read."""

    where: str
    table: str
    form: Export
    sheets: Mapping[int, Sheet]
    """By round, what is written down of its prints or coupons."""
    known: Mapping[str, str]
    """The headings that columns have on the sheet, in any language, with the column's key."""
    findings: Findings
    rows: dict[int, dict[str, Row]] = field(default_factory=dict)

    @property
    def sheet(self) -> Sheet:
        """Any of the sheets: they have the same columns."""
        return next(iter(self.sheets.values()))

    @property
    def columns(self) -> tuple[Column, ...]:
        """What may be collected."""
        return (*(one for one in self.sheet.columns if one.fill), REASON)

    def read(self, lines: Sequence[list[str]]) -> None:
        """Read all lines; what is wrong goes to the findings."""
        header, places = self._headings(lines)
        self._require_units(lines[header : header + 1 + self.form.lines_below_headings], header + 1, places)
        known = {key_of(name): (number, name) for number, sheet in self.sheets.items() for name in sheet.row_ids()}
        begins = header + 1 + self.form.lines_below_headings
        for number, line in enumerate(lines[begins:], begins + 1):
            cells = {key: line[place].strip() for key, place in places.items() if place < len(line)}
            name = self._identifier(number, cells.pop(self.sheet.row_id, ""), cells, known)
            if name is None:
                continue
            of_round, identifier = known[name]
            rows = self.rows.setdefault(of_round, {})
            if identifier in rows:
                found = f"'{identifier}' stands in line {rows[identifier].number} already"
                self._problem(f", line {number}", found, "each identifier has one line", "keep one of the two")
                continue
            headings = {key: lines[header][place] for key, place in places.items()}
            values = dict(self._values(number, identifier, cells, headings))
            rows[identifier] = Row(self.where, number, {self.sheet.row_id: identifier, **values}, headings, exported=True)
        if not self.rows and not self.findings.problems:
            self._problem("", "there is no line with results", _WANTED, "look for the right file")
        if self.findings.problems:
            raise InputRefused(self.findings.problems)

    def _problem(self, place: str, found: str, allowed: str, remedy: str) -> None:
        self.findings.problems.append(Problem(f"{self.where}{place}", found, allowed, remedy))

    def _headings(self, lines: Sequence[list[str]]) -> tuple[int, dict[str, int]]:
        """Return the number of the line of headings, from 0, and the place of each known column."""
        self._require_mapped()
        row_id = self.sheet.row_id
        wanted = {key: self._said(key) for key in (row_id, *(one.key for one in self.columns))}
        for number, line in enumerate(lines[:_HEADER_WITHIN]):
            headings = [key_of(cell) for cell in line]
            if not any(one in headings for one in wanted[row_id]):
                continue
            places = {key: [place for place, one in enumerate(headings) if one in said] for key, said in wanted.items()}
            self._require_headings(number, places)
            taken = {place for found in places.values() for place in found}
            strange = [cell for place, cell in enumerate(line) if place not in taken and cell.strip()]
            if strange:
                self.findings.remarks.append(f"{self.where}: columns that nothing is collected from: {', '.join(strange[:20])}.")
            return number, {key: found[0] for key, found in places.items() if found}
        first = ", ".join(next((line for line in lines if any(line)), []))[:120]
        raise _refused(
            self.where, f"there is no column '{self.form.identifier or row_id}' in the first lines, which begin '{first}'",
            "a column of identifiers is needed",
            f"say in study.toml, [exports.{self.table}], what it is called (identifier) and what separates columns (separator)",
        )

    def _said(self, key: str) -> set[str]:
        """Return the headings by which a column is known."""
        if key == self.sheet.row_id and self.form.identifier:
            return {key_of(self.form.identifier)}
        given = self.form.columns if key != self.sheet.row_id else {}
        return {key_of(given[key])} if key in given else {key, *(heading for heading, own in self.known.items() if own == key)}

    def _require_mapped(self) -> None:
        known = [one.key for one in self.columns]
        for key in self.form.columns:
            if key not in known:
                near = nearest(key, known)
                place = f"study.toml, [exports.{self.table}], columns"
                remedy = f"did you mean '{near}'?" if near else "take it out"
                found = f"'{key}' is no column in which something is written down"
                self.findings.problems.append(Problem(place, found, f"{', '.join(known)} are allowed", remedy))
        if self.findings.problems:
            raise InputRefused(self.findings.problems)

    def _require_headings(self, number: int, places: Mapping[str, Sequence[int]]) -> None:
        for key, found in places.items():
            if len(found) > 1:
                self._problem(f", line {number + 1}", f"two columns are '{key}'", "each stands once", "take one of them out")
            elif not found and key in self.form.columns:
                said = f"there is no column '{self.form.columns[key]}'"
                remedy = f"correct [exports.{self.table}] in study.toml, or export it"
                self._problem(f", line {number + 1}", said, "what is named in study.toml is there", remedy)
        if self.findings.problems:
            raise InputRefused(self.findings.problems)

    def _require_units(self, lines: Sequence[list[str]], first: int, places: Mapping[str, int]) -> None:
        """Refuse a column whose heading, or a line of units below it, gives another unit than is recorded."""
        for number, line in enumerate(lines, first):
            for column in (one for one in self.columns if one.kind == "number" and one.key in places):
                unit, text = unit_of(column), next(iter(line[places[column.key] :]), "").strip()
                bracketed = _BRACKETED.search(text)
                said = bracketed[1].strip() if bracketed else text if number > first else ""  # a thickness may be called h
                if unit not in ("", "1") and said in _UNITS and not same_unit(said, unit) and {said, unit} not in _EQUAL:
                    found = f"the values of '{column.header}' are in {said}"
                    self._problem(f", line {number}", found, f"values in {unit} are allowed", f"export them in {unit}")

    def _identifier(self, number: int, said: str, cells: Mapping[str, str], known: Mapping[str, object]) -> str | None:
        if not said:
            if any(cells.values()):
                found = "a line with results has no identifier"
                remedy = f"put it in; lines of units below the headings: lines_below_headings in [exports.{self.table}]"
                self._problem(f", line {number}", found, "each line has one", remedy)
            return None
        if key_of(said) in known:
            return key_of(said)
        many = len(self.findings.problems) >= _LOOKED_UP
        near = None if many else nearest(said, [name for sheet in self.sheets.values() for name in sheet.row_ids()])
        remedy = f"did you mean '{near}'? Correct it" if near else "correct it, or take the line out"
        self._problem(f", line {number}", f"'{said}' is not in the plan", "the plan's identifiers are allowed", remedy)
        return None

    def _values(
        self, number: int, identifier: str, cells: Mapping[str, str], headings: Mapping[str, str]
    ) -> Iterator[tuple[str, Value]]:
        for column in self.columns:
            text = cells.get(column.key, "")
            where = f"{self.where}, line {number}, column '{headings.get(column.key, '')}'"
            value = read_cell(column, text, where, self.form.decimal)
            if isinstance(value, Problem):
                self.findings.problems.append(value)
            elif value is not None and any((identifier, column.key) in sheet.closed for sheet in self.sheets.values()):
                allowed = f"coupon {identifier} is not measured for it"
                self.findings.problems.append(Problem(where, f"a value for '{column.header}'", allowed, "take it out"))
            elif value is not None:
                if tolerated(column, text, value) and not self._plain(column, text):
                    self.findings.read_as.append(ReadAs(where, text, str(value), column.header))
                yield column.key, value

    def _plain(self, column: Column, text: str) -> bool:
        """Whether a number is written as numbers are in this table, so that nothing had to be tolerated."""
        try:
            float(text if self.form.decimal != "," else text.replace(",", "."))
        except ValueError:
            return False
        return column.kind == "number"
