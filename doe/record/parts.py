"""The parts of a workbook before any library sees them: how much they hold, what of it is out of sight."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import IO
from xml.parsers import expat

MOST_CELLS = 600_000
"""Cells of one sheet, blank ones that only have a format included."""
MOST_ELEMENTS = 2_500_000
"""XML elements of a sheet, or of the texts that sheets share."""
MOST_OTHER_ELEMENTS = 50_000
"""XML elements of any other part."""
MOST_REACH = 10_000_000
"""Cells of one sheet with the gaps to the left of them, which readers fill."""
MOST_MERGED = 20_000
MOST_ROWS_OF_A_SHEET = 1_048_576
MOST_COLUMNS_OF_A_SHEET = 16_384
_AT_ONCE = 1 << 16
_WATCHED_COLUMNS = 256
"""Columns of which it is noted that they are hidden; nothing is collected from those beyond."""
_ADDRESS = re.compile(r"\$?([A-Za-z]{1,3})\$?([1-9]\d{0,6})")

Place = tuple[int, int]
"""Row and column, counted from 1."""
Block = tuple[int, int, int, int]
"""First row, first column, last row, last column."""


class TooLargeError(Exception):
    """A part holds more than a filled workbook can."""


class DisorderError(Exception):
    """A part is not in the order that spreadsheet programs write, so that readers would disagree about it."""


class EntitiesError(Exception):
    """A part declares XML entities or a document type."""


@dataclass(frozen=True)
class Traits:
    """What a sheet's cells are besides their values."""

    merged: tuple[Block, ...] = ()
    hidden_rows: frozenset[int] = frozenset()
    hidden_columns: frozenset[int] = frozenset()
    computed: frozenset[Place] = frozenset()
    """Cells that hold a formula."""
    percent: Mapping[Place, str] = field(default_factory=dict)
    """Cells with a number that is shown as a percentage, with what is shown."""
    struck: frozenset[Place] = frozenset()
    """Cells that are struck through."""


def place_of(address: str) -> Place | None:
    """Return row and column of an address such as ``H7``; None for what is no address."""
    found = _ADDRESS.fullmatch(address.strip())
    if found is None:
        return None
    column = 0
    for letter in found[1].upper():
        column = 26 * column + ord(letter) - ord("A") + 1
    row = int(found[2])
    return (row, column) if row <= MOST_ROWS_OF_A_SHEET and column <= MOST_COLUMNS_OF_A_SHEET else None


def scan(source: IO[bytes]) -> Traits:
    """
    Go once through an XML part in constant memory.

    Parameters
    ----------
    source : file of bytes

    Returns
    -------
    Traits
        Of a sheet, without what only its formats tell; nothing of other parts.

    Raises
    ------
    TooLargeError, DisorderError, EntitiesError
    expat.ExpatError
        What is no XML.
    """
    scanner = _Scanner()
    parser = expat.ParserCreate(namespace_separator="}")
    parser.StartElementHandler = scanner.start
    parser.StartDoctypeDeclHandler = parser.EntityDeclHandler = _refuse
    while block := source.read(_AT_ONCE):
        parser.Parse(block, False)
    parser.Parse(b"", True)
    hidden = frozenset(scanner.hidden_rows), frozenset(scanner.hidden_columns)
    return Traits(tuple(scanner.merged), *hidden, frozenset(scanner.formulas))


def _refuse(*_: object) -> None:
    raise EntitiesError


class _Scanner:
    """Counts, and notes what is hidden or merged."""

    def __init__(self) -> None:
        self.merged: list[Block] = []
        self.hidden_rows: set[int] = set()
        self.hidden_columns: set[int] = set()
        self.formulas: set[Place] = set()
        self.elements = self.cells = self.reach = self.widths = self.row = self.column = 0
        self.most = MOST_OTHER_ELEMENTS
        self.by_name: dict[str, Callable[[Mapping[str, str]], None]] = {}

    def start(self, name: str, attributes: Mapping[str, str]) -> None:
        local = name.rpartition("}")[2]
        if not self.elements:
            self._begin(local)
        self.elements += 1
        if self.elements > self.most:
            raise TooLargeError(f"a part of it holds more than {self.most} pieces")
        if handle := self.by_name.get(local):
            handle(attributes)

    def _begin(self, root: str) -> None:
        if root in ("worksheet", "sst"):
            self.most = MOST_ELEMENTS
        if root == "worksheet":
            cells = {"row": self._row, "c": self._cell, "f": self._formula}
            self.by_name = {**cells, "mergeCell": self._merge, "col": self._hide_columns}

    def _row(self, attributes: Mapping[str, str]) -> None:
        row = int(attributes.get("r", self.row + 1))
        if row > MOST_ROWS_OF_A_SHEET:
            raise TooLargeError("it has a row beyond the last one that a spreadsheet has")
        if row <= self.row:
            raise DisorderError(f"row {row} comes after row {self.row}")
        self.row, self.column = row, 0
        if attributes.get("hidden") in ("1", "true"):
            self.hidden_rows.add(row)

    def _cell(self, attributes: Mapping[str, str]) -> None:
        self.cells += 1
        if self.cells > MOST_CELLS:
            raise TooLargeError(f"a sheet holds more than {MOST_CELLS} cells")
        address = attributes.get("r")
        place = (self.row, self.column + 1) if address is None else place_of(address)
        if place is None or place[0] != self.row or place[1] <= self.column:
            raise DisorderError(f"cell {address} does not stand where it belongs")
        self.reach += place[1] - self.column
        self.column = place[1]
        if self.reach > MOST_REACH:
            raise TooLargeError(f"cells reach to column {self.column} in thousands of rows")

    def _formula(self, _: Mapping[str, str]) -> None:
        self.formulas.add((self.row, self.column))

    def _merge(self, attributes: Mapping[str, str]) -> None:
        first, _, last = attributes.get("ref", "").partition(":")
        start, end = place_of(first), place_of(last or first)
        if start is None or end is None or len(self.merged) >= MOST_MERGED:
            raise DisorderError("merged cells are not given by their corners")
        (top, left), (bottom, right) = start, end
        self.merged.append((min(top, bottom), min(left, right), max(top, bottom), max(left, right)))

    def _hide_columns(self, attributes: Mapping[str, str]) -> None:
        self.widths += 1
        if self.widths > MOST_COLUMNS_OF_A_SHEET:
            raise TooLargeError("a sheet gives more widths than it can have columns")
        if attributes.get("hidden") in ("1", "true"):
            last = min(int(attributes["max"]), _WATCHED_COLUMNS)
            self.hidden_columns.update(range(int(attributes["min"]), last + 1))
