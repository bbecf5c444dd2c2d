"""Several files of one collection at once: what they say together, or where two of them disagree."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from doe.errors import InputRefused, Problem
from doe.record.corrections import Beside, Correction, blanked, overlaid
from doe.record.match import Cell, Matched, Record
from doe.record.schema import ROW_ID, as_text, is_empty
from doe.study.operators import texts

_AS_SET = "as set"


@dataclass(frozen=True)
class Joined:
    """What all files say together."""

    record: Record
    beside: Beside
    decided: tuple[str, ...]
    """Sentences about cells on which files disagree, and by what it was decided."""
    blank: frozenset[Cell] = frozenset()
    """Cells that a file has, and in which no file has anything written down."""


@dataclass(frozen=True)
class _Said:
    """What one file says of one cell."""

    book: int
    text: str
    """As it is recorded."""
    place: str
    word: str
    """As the file says it."""


def join(books: Sequence[Matched], before: Record | None, prefer: str | None = None) -> Joined:
    """
    Bring files together by identifier.

    Parameters
    ----------
    books : sequence of Matched
        At least one.
    before : Record or None
        What is on record; a disagreement that was decided before stays decided.
    prefer : str, optional
        The name of the file whose values stand where files disagree.

    Returns
    -------
    Joined

    Raises
    ------
    InputRefused
        With every cell on which two files disagree, where nothing decides between them; a preferred file that is none of
        them.
    """
    _require_known(books, prefer)
    on_record = _on_record(before)
    dropped: list[set[Cell]] = [set() for _ in books]
    problems, decided, overruled = [], [], []
    for cell, said in _disagreements(books):
        stands = _decided(before, cell, said, on_record.get(cell, ""))
        chosen = next((one.text for one in said if books[one.book].where == prefer), None)
        winner = stands if stands is not None else chosen
        if winner is None:
            problems.append(_conflict(cell, said))
            continue
        for one in (one for one in said if one.text != winner):
            dropped[one.book].add(cell)
            decided.append(_sentence(cell, one, winner, None if stands is not None else prefer))
            if stands is None:
                why = f"files disagree; {prefer} was preferred to {books[one.book].where}"
                overruled.append(Correction(*cell, old=_blank(one.text), new=_blank(winner), why=why))
    if problems:
        raise InputRefused(problems)
    blank = frozenset().union(*(book.blank for book in books)) - _said(books).keys()
    return Joined(_overlay(books, dropped), _beside(books, dropped, overruled), tuple(decided), blank)


def _require_known(books: Sequence[Matched], prefer: str | None) -> None:
    if prefer is not None and prefer not in [book.where for book in books]:
        names = ", ".join(book.where for book in books)
        found = "it is none of the files that are collected"
        raise InputRefused(Problem(f"--prefer {prefer}", found, f"{names} are", "name one of them"))


def _said(books: Sequence[Matched]) -> dict[Cell, list[_Said]]:
    found: dict[Cell, list[_Said]] = {}
    for number, book in enumerate(books):
        values = _on_record(book.record)
        for cell, place in book.places.items():
            text = _AS_SET if cell in book.as_set else values[cell]
            found.setdefault(cell, []).append(_Said(number, text, place, _word(cell, text, book.language)))
    return found


def _word(cell: Cell, text: str, language: str) -> str:
    """Return what a recorded outcome or deviation is called in a language; anything else as it is recorded."""
    kind, _, _ = cell[2].partition(".")  # a test's own outcome is an outcome, too
    table = {"outcome": "outcomes.word", "deviation": "deviations.word"}.get(kind, "")
    return texts(language).table(table).get(text, text)


def _disagreements(books: Sequence[Matched]) -> Iterator[tuple[Cell, list[_Said]]]:
    for cell, said in _said(books).items():
        if len({one.text for one in said}) > 1:
            yield cell, said


def _on_record(record: Record | None) -> dict[Cell, str]:
    """Return every value of a record as text, by cell."""
    if record is None:
        return {}
    return {
        (table, str(row[key]), str(column)): as_text(value)
        for table, key in ROW_ID.items() for row in getattr(record, table).to_dict("records") if key in row
        for column, value in row.items() if not is_empty(value)
    }


def superseded(record: Record | None, cell: Cell) -> set[str]:
    """Return the values that a cell had before it was corrected."""
    rows: Iterable[Mapping[Any, Any]] = () if record is None else record.corrections.to_dict("records")
    return {str(row["old"]) for row in rows if (row["table"], row["row"], row["column"]) == cell and row["old"]}


def _decided(before: Record | None, cell: Cell, said: Sequence[_Said], current: str) -> str | None:
    """Return what stands on record where everything else that is said was given up for it before."""
    texts = {one.text for one in said}
    return current if current in texts and texts - {current} <= superseded(before, cell) else None


def _conflict(cell: Cell, said: Sequence[_Said]) -> Problem:
    first, *others = said
    other = next(one for one in others if one.text != first.text)
    free = ", move one of two different readings to a row that is free in both," if cell[0] == "checks" else ","
    return Problem(
        first.place, f"'{first.word}' for {cell[2]} of {cell[1]}, but {other.place}, says '{other.word}'",
        "two files say the same, or one of them nothing",
        f"correct one of the two{free} or say with --prefer FILE whose values stand",
    )


def _sentence(cell: Cell, one: _Said, winner: str, prefer: str | None) -> str:
    by = f"{prefer} was preferred" if prefer is not None else "as was decided before"
    return f"{one.place}: '{one.text}' for {cell[2]} of {cell[1]} was not taken; '{winner}' stands, {by}."


def _blank(text: str) -> str:
    return "" if text == _AS_SET else text


def _overlay(books: Sequence[Matched], dropped: Sequence[set[Cell]]) -> Record:
    made = blanked(books[0].record, dropped[0])
    for book, cells in zip(books[1:], dropped[1:], strict=True):
        more = blanked(book.record, cells)
        made = replace(made, **{name: overlaid(getattr(made, name), getattr(more, name), key) for name, key in ROW_ID.items()})
    return made


def _beside(books: Sequence[Matched], dropped: Sequence[set[Cell]], overruled: Sequence[Correction]) -> Beside:
    places: dict[Cell, str] = {}
    reasons: dict[tuple[str, str], str] = {}
    as_set: set[Cell] = set()
    for book, cells in zip(books, dropped, strict=True):
        kept = {cell: place for cell, place in book.places.items() if cell not in cells}
        places, as_set = {**kept, **places}, as_set | (book.as_set & kept.keys())
        for row, text in book.reasons.items():
            known = reasons.get(row, text)
            reasons[row] = known if text in known else f"{known}; {text}"
    return Beside(reasons, places, frozenset(as_set), overruled=tuple(overruled))
