"""A report checked against itself: its pages compared with pages made anew from the files that it carries."""

import difflib
import io
import json
import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from doe.errors import InputRefused, Problem
from doe.record.match import Record
from doe.record.schema import formulas, with_stress
from doe.report import numbers
from doe.report.tables import Table, in_fonts

_MOST_BYTES = 50_000_000
_NAME = re.compile(r"(?:[A-Za-z0-9_-]+/)?[A-Za-z0-9_-]+\.(?:toml|csv|json|jsonl)")
_NEEDED = ("log.jsonl", "plan.csv", "fit.json", "software.json")
_HEAD = 3
"""Columns of a table of values that say which print it is: print, load, printer."""
DRAFT_MARK = "draft, not for the quality file"
"""The last of a draft's keywords."""
CLOSE = 1e-9
"""Numbers that differ by less, relatively, are equal: another processor may round the last digits otherwise."""


def carried(content: bytes, where: str) -> dict[str, bytes]:
    """
    Return the files of the study that a report carries.

    Parameters
    ----------
    content : bytes
        Of the PDF.
    where : str
        Its name, for messages.

    Returns
    -------
    dict of str to bytes

    Raises
    ------
    InputRefused
        Not a PDF, one that carries no study, or files that no report carries.
    """
    reader = _reader(content, where)
    try:
        found = {str(name): contents[0] for name, contents in reader.attachments.items()}
    except Exception as error:  # a library's many errors about damaged files: the file is at fault, whatever it is
        raise _damaged(where, error) from None
    if "study.toml" not in found and _is_draft(reader):
        draft = "it is a draft: it carries no study, and its figures may still change"
        raise InputRefused(Problem(where, draft, "a report that 'doe report' wrote", "verify the report once it is written"))
    if "study.toml" not in found:
        raise InputRefused(Problem(where, "it carries no study", "a report that 'doe report' wrote does", "name such a report"))
    odd = [name for name in found if not _NAME.fullmatch(name)]
    if odd or sum(map(len, found.values())) > _MOST_BYTES:
        much = f"it carries {', '.join(map(repr, odd[:5]))}" if odd else "what it carries is too large"
        raise InputRefused(Problem(where, much, "the files of a study", "do not trust this file"))
    missing = [name for name in _NEEDED if name not in found]
    if missing:
        raise InputRefused(Problem(where, f"{missing[0]} is not in it", "a report carries it", "do not trust this file"))
    damaged = [name for name, content in found.items() if not _is_read(name, content)]
    if damaged:
        said = ("it cannot be read as what it is called", "a file as doe wrote it", "do not trust this file")
        raise InputRefused(Problem(f"{where}, {name}", *said) for name in damaged)
    return found


def _is_draft(reader: Any) -> bool:  # noqa: ANN401 - a reader of the library
    """Whether a PDF says of itself that it is a draft."""
    return str((reader.metadata or {}).get("/Keywords", "")).endswith(DRAFT_MARK)


def _is_read(name: str, content: bytes) -> bool:
    """Whether a carried file is text, and JSON where it is called so; what stands in it is judged later."""
    try:
        text = content.decode()
        return not name.endswith(".json") or isinstance(json.loads(text), dict)
    except ValueError:
        return False


def page_words(content: bytes, where: str) -> list[list[str]]:
    """Return the words of each page of a PDF, in reading order; refused where it cannot be read."""
    try:
        pages = [page.extract_text() for page in _reader(content, where).pages]
    except Exception as error:  # as above
        raise _damaged(where, error) from None
    return [page.replace("\u200b", "").split() for page in pages]


def _reader(content: bytes, where: str) -> Any:  # noqa: ANN401 - the library is imported where it is needed
    import logging

    from pypdf import PdfReader

    logging.getLogger("pypdf").setLevel(logging.CRITICAL)
    try:
        return PdfReader(io.BytesIO(content))
    except Exception as error:  # as above
        raise _damaged(where, error) from None


def _damaged(where: str, error: Exception) -> InputRefused:
    found = f"it cannot be read ({error})"
    return InputRefused(Problem(where, found, "a PDF that 'doe report' wrote", "get it again from its source"))


def page_differences(printed: Sequence[Sequence[str]], anew: Sequence[Sequence[str]]) -> Iterator[str]:
    """Yield what the pages print and pages made anew do not, one line each: ``page 3: '27.4' printed, '27.5' made anew``."""
    if len(printed) != len(anew):
        yield f"{len(printed)} pages printed, {len(anew)} made anew"
    for number, (before, after) in enumerate(zip(printed, anew, strict=False), 1):
        matcher = difflib.SequenceMatcher(None, before, after, autojunk=False)
        for what, start, end, other_start, other_end in matcher.get_opcodes():
            if what != "equal":
                said, made = " ".join(before[start:end]), " ".join(after[other_start:other_end])
                yield f"page {number}: {said!r} printed, {made!r} made anew"


def value_differences(tables: Iterable[Table], printed: Sequence[Sequence[str]]) -> Iterator[tuple[str, str]]:
    """
    Yield the cells of tables of values that the pages print otherwise.

    Parameters
    ----------
    tables : iterable of Table
        Made from the carried record, with print, load and printer in their first columns.
    printed : sequence of sequence of str
        Words of each page.

    Yields
    ------
    (str, str)
        The place, such as ``print P01J, Coupon 2``, and both values.
    """
    words = [word for page in printed for word in page]
    for table in tables:
        begin = _first(words, in_fonts(table.title).split(), 0)
        if begin is not None:
            for row in table.rows:
                yield from _unlike(table, row, words, begin)


def _unlike(table: Table, row: Sequence[str], words: Sequence[str], begin: int) -> Iterator[tuple[str, str]]:
    """Yield the cells of one row that differ from the printed row of the same print, which comes after the table's title."""
    cells = [in_fonts(cell).split() for cell in row]
    own = [(column, word) for column, cell in zip(table.columns, cells, strict=True) for word in cell]
    start = _first(words, [word for cell in cells[:_HEAD] for word in cell], begin)
    if start is not None:
        for (column, mine), other in zip(own, words[start : start + len(own)], strict=False):
            if mine != other:
                yield f"print {row[0]}, {column}", f"{mine} in the record, {other} printed"


def _first(words: Sequence[str], wanted: Sequence[str], begin: int) -> int | None:
    """Return where some words stand one after the other, at a place or after it."""
    size = len(wanted)
    places = (place for place in range(begin, len(words) - size + 1) if words[place] == wanted[0])
    return next((place for place in places if list(words[place : place + size]) == list(wanted)), None)


def computed_differences(record: Record) -> Iterator[tuple[str, str]]:
    """
    Yield the values of a record that do not follow from the forces, energies and dimensions recorded beside them.

    Parameters
    ----------
    record : Record

    Yields
    ------
    (str, str)
        The place, such as ``P01J-1, z_strength``, and in words what is recorded and what follows from what.
    """
    coupons = record.coupons
    anew = with_stress(coupons)
    for name, formula in formulas(coupons).items():
        for row, made in zip(coupons.to_dict("records"), anew[name], strict=True):
            stored = float(row[name])
            if _equal(stored, float(made), CLOSE) or (math.isnan(stored) and math.isnan(made)):
                continue
            given = ", ".join(f"{one.key} {numbers.exact(row[f'{one.key}.{name}'])}" for one in formula.inputs)
            recorded, follows = ("nothing" if math.isnan(one) else f"{one:.9g}" for one in (stored, made))
            yield f"{row['coupon']}, {name}", f"{recorded} is recorded, {follows} follows from {given}"


def data_differences(stored: Any, anew: Any, at: str, close: float = CLOSE) -> Iterator[str]:  # noqa: ANN401 - JSON values
    """
    Yield where two JSON values differ, one line each.

    Parameters
    ----------
    stored, anew : JSON values
    at : str
        The place that they stand in, such as ``fit.json``.
    close : float
        Numbers that differ by less, relatively, are equal; at 0 only equal ones are.
    """
    for place, one, other in pairs_that_differ(stored, anew, at, close):
        yield f"{place}: {_in_words(one)} in the report, {_in_words(other)} made anew"


def pairs_that_differ(stored: Any, anew: Any, at: str, close: float = CLOSE) -> Iterator[tuple[str, Any, Any]]:  # noqa: ANN401
    """Yield the places where two JSON values differ, with what stands in each; parameters as of :func:`data_differences`."""
    if isinstance(stored, Mapping) and isinstance(anew, Mapping):
        for key in [*stored, *(key for key in anew if key not in stored)]:
            yield from pairs_that_differ(stored.get(key), anew.get(key), f"{at}, {key}", close)
    elif isinstance(stored, list) and isinstance(anew, list) and len(stored) == len(anew):
        for number, (one, other) in enumerate(zip(stored, anew, strict=True), 1):
            yield from pairs_that_differ(one, other, f"{at} {_called(one, number)}", close)
    elif not _equal(stored, anew, close):
        yield at, stored, anew


def _in_words(value: Any) -> str:  # noqa: ANN401 - a JSON value
    return repr(value) if _is_said(value) else "nothing"


def _called(item: Any, number: int) -> str:  # noqa: ANN401 - a JSON value
    """Return how to name an item of a list: by what names it in the data, else by its number."""
    names = ("name", "response", "label", "factor", "printer", "print")
    named = next((item[key] for key in names if isinstance(item, Mapping) and item.get(key)), None)
    return f"[{number}]" if named is None else f"[{named}]"


def _equal(stored: Any, anew: Any, close: float) -> bool:  # noqa: ANN401 - JSON values
    numbers = [value for value in (stored, anew) if isinstance(value, int | float) and not isinstance(value, bool)]
    if len(numbers) == 2:
        return math.isclose(*numbers, rel_tol=close, abs_tol=1e-12 if close else 0.0)
    return bool(stored == anew) or not (_is_said(stored) or _is_said(anew))


def _is_said(value: Any) -> bool:  # noqa: ANN401 - a JSON value
    """Whether a value says anything: an empty one and a missing one say the same, as files of older versions lack keys."""
    return value is not None and value not in ({}, [])
