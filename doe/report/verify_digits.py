"""Where in a carried file a single digit was changed: the one that gives the file its digest again when it is put back."""

import csv
import hashlib
import io
import json
import re
from collections.abc import Container, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from doe.files import LOG, digest
from doe.record.schema import ROW_ID
from doe.report.verify import pairs_that_differ

_MOST_BYTES = 32_000
"""Of a file that is searched: the work grows with the square. Longer ones are results, which are computed anew anyhow."""
_IDENTIFIERS = ("coupon", "print", *dict.fromkeys(ROW_ID.values()))
"""Columns that name a row, the finest first."""
_OWN = re.compile(rb'"own": "([0-9a-f]{64})", ')


@dataclass(frozen=True)
class Changed:
    """A digit that was changed: where it stands, what is carried there, and what gives the digest again."""

    place: str
    carried: str
    before: str


def with_digit_back(content: bytes, digests: Container[str]) -> bytes | None:
    """
    Return some bytes with the one digit put back that was changed in them.

    Every digit is replaced by the nine others in turn, until the SHA-256 is a known one: what is found so stood there.

    Parameters
    ----------
    content : bytes
    digests : container of str
        SHA-256 of what the content may have been, as 64 hexadecimal digits.

    Returns
    -------
    bytes or None
        None where more than a digit was changed, or the content is longer than what is searched (32 000 bytes).
    """
    if len(content) > _MOST_BYTES:
        return None
    before, done = hashlib.sha256(), 0
    for place in (found.start() for found in re.finditer(rb"\d", content)):
        before.update(content[done:place])
        done = place
        for digit in b"0123456789":
            tried = before.copy()
            tried.update(bytes([digit]) + content[place + 1 :])
            if digit != content[place] and tried.hexdigest() in digests:
                return content[:place] + bytes([digit]) + content[place + 1 :]
    return None


def changed_digit(name: str, content: bytes, digests: Container[str]) -> Changed | None:
    """
    Return the one digit of a carried file that was changed, with the place by what names it in the file.

    Parameters
    ----------
    name : str
        Of the file: its ending says how it is read.
    content : bytes
        As carried.
    digests : container of str
        As of :func:`with_digit_back`.
    """
    before = with_digit_back(content, digests)
    return None if before is None else _described(name, content, before)


def changed_digits_of_log(content: bytes) -> Iterator[Changed]:
    """Yield the digit that was changed in each line of a carried log: its own digest tells, and the one in the next line."""
    lines = content.removesuffix(b"\n").split(b"\n")
    for number, line in enumerate(lines, 1):
        after = _previous(lines[number]) if number < len(lines) else None
        before = None
        if after is not None and digest(line) != after:
            before = with_digit_back(line, {after})
        if before is None and (sealed := _OWN.search(line)):
            before = _with_seal_right(line, sealed)
        if before is not None:
            yield _described(f"{LOG}, line {number}", line, before)


def _with_seal_right(line: bytes, sealed: re.Match[bytes]) -> bytes | None:
    """Return a line of the log with the digit back by which its own digest fits; None where it fits, or no digit does it."""
    rest = line[: sealed.start()] + line[sealed.end() :]
    seal = sealed[1].decode()
    try:
        canonical = json.dumps(json.loads(rest), sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
    except ValueError:
        return None
    if digest(canonical) == seal:
        return None
    was = with_digit_back(canonical, {seal})
    if was is not None:
        data = {**json.loads(was), "own": seal}
        return json.dumps(data, sort_keys=True, ensure_ascii=False).encode()
    right = digest(canonical)
    is_one = sum(one != other for one, other in zip(right, seal, strict=True)) == 1
    return line.replace(sealed[1], right.encode()) if is_one else None


def _previous(line: bytes) -> str | None:
    """Return what a line of the log gives as the digest of the one before it."""
    try:
        data = json.loads(line)
    except ValueError:
        return None
    return str(data.get("previous")) if isinstance(data, dict) else None


def _described(name: str, content: bytes, before: bytes) -> Changed:
    """Return the place and both values of what differs between two versions of a file."""
    try:
        found = next(pairs_that_differ(*_read(name, content, before), name, close=0.0), None)
    except ValueError:
        found = None
    if found is not None:
        return Changed(found[0], str(found[1]), str(found[2]))
    place = next(at for at, (one, other) in enumerate(zip(content, before, strict=True)) if one != other)
    number = content.count(b"\n", 0, place)
    lines = (text.decode(errors="replace").split("\n")[number].strip() for text in (content, before))
    return Changed(f"{name}, line {number + 1}", *lines)


def _read(name: str, content: bytes, before: bytes) -> tuple[Any, Any]:
    """Return what two versions of a table or of JSON say, as data whose keys name its places; else a ValueError is raised."""
    one, other = content.decode(), before.decode()
    if name.endswith(".csv"):
        return _tables(*(list(csv.reader(io.StringIO(text))) for text in (one, other)))
    return json.loads(one), json.loads(other)


def _tables(rows: Sequence[Sequence[str]], before: Sequence[Sequence[str]]) -> tuple[Any, Any]:
    """Return two versions of a table as cells by row and column; rows are named by their identifier, else by their number."""
    head, *body = before
    columns = dict(zip(head, zip(*body, strict=True), strict=True))
    named = (columns[key] for key in _IDENTIFIERS if key in columns)
    own = next((cells for cells in named if len(set(cells)) == len(cells)), ())
    names = own or [f"row {number}" for number in range(1, len(before))]
    one, other = (
        {name: dict(zip(head, row, strict=True)) for name, row in zip(names, table[1:], strict=True)} for table in (rows, before)
    )
    return one, other
