"""Which load used which spool of the ledger."""

import datetime
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

from doe.record.cells import key_of
from doe.record.match import Record
from doe.record.schema import is_empty

LONGEST_OPEN = 14
"""Days from opening a spool to drying it beyond which a table says so: common practice, no source."""
_BETWEEN = re.compile(r"\s*(?:[,;+&\n]|\b(?:and|und)\b)\s*", re.IGNORECASE)


@dataclass(frozen=True)
class SpoolUse:
    """One spool, or what a load names and the ledger does not."""

    lot: str
    spool: str
    opened_on: str
    moisture: float | None
    """Per cent of its mass; None where it was not measured."""
    loads: tuple[str, ...]
    """Those that used it, in the order of the record."""
    flags: tuple[str, ...]
    note: str


def spool_uses(record: Record) -> tuple[SpoolUse, ...]:
    """
    Return the spools of the ledger with the loads that used them, then what loads name and the ledger does not.

    A load names a spool where the identifier stands as a word in its text; several are separated by commas, semicolons, plus
    signs, ampersands, "and" or "und".

    Parameters
    ----------
    record : Record

    Returns
    -------
    tuple of SpoolUse
        Empty where there is no ledger: then nothing can be missing from it.
    """
    if not len(record.spools):
        return ()
    entries = [row for row in record.spools.to_dict("records") if row["spool"]]
    unnamed = [row for row in record.spools.to_dict("records") if not row["spool"]]
    named: dict[str, list[str]] = {key_of(str(row["spool"])): [] for row in entries}
    strange: dict[str, list[str]] = {}
    for load, text in zip(record.loads["load"], record.loads["spool"], strict=True):
        for part in filter(None, _BETWEEN.split(str(text))):
            found = _meant(part, named)
            (named[found] if found is not None else strange.setdefault(part, [])).append(str(load))
    began = dict(zip(record.loads["load"], record.loads["dried_from"], strict=True))
    counts = Counter(key_of(str(row["spool"])) for row in entries)
    twice = {name for name, count in counts.items() if count > 1}
    known = (_use(row, named[key_of(str(row["spool"]))], began, twice) for row in entries)
    nameless = (_use(row, [], began, set()) for row in unnamed)
    missing = (SpoolUse("", part, "", None, tuple(loads), ("not in the ledger",), "") for part, loads in strange.items())
    return (*known, *nameless, *missing)


def _meant(part: str, named: dict[str, list[str]]) -> str | None:
    """Return the spool whose identifier stands as a word in a text, the longest where several do."""
    text = key_of(part)
    found = [name for name in named if re.search(rf"(?<![\w-]){re.escape(name)}(?![\w-])", text)]
    return max(found, key=len, default=None)


def _use(row: dict[str, object], loads: list[str], began: dict[str, str], twice: set[str]) -> SpoolUse:
    name, opened = str(row["spool"]), str(row["opened_on"])
    loads = list(dict.fromkeys(loads))
    moisture = None if is_empty(row["moisture"]) else float(row["moisture"])  # type: ignore[arg-type]
    flags = tuple(_flags(opened, loads, began))
    flags += ("more than one entry has this name",) if key_of(name) in twice else ()
    flags += () if name else ("the spool has no name",)
    return SpoolUse(str(row["lot"]), name, opened, moisture, tuple(loads), flags, str(row["note"]))


def _flags(opened: str, loads: list[str], began: dict[str, str]) -> Iterator[str]:
    if len(loads) > 1:
        yield f"dried {len(loads)} times: drier each time than its load's plan says"
    moments = sorted(began[load] for load in loads if began[load])
    if opened and moments:
        days = (datetime.date.fromisoformat(moments[0][:10]) - datetime.date.fromisoformat(opened)).days
        if days > LONGEST_OPEN:
            yield f"opened {days} days before it was dried"
        if days < 0:
            yield "opened after it was dried, as the dates say"
