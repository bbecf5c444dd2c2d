"""A study read without any library, where its log vouches for every file that matters."""

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from doe import __version__
from doe.cli.open_study import PLAN_FILE, STUDY, OpenStudy
from doe.cli.progress import CONFIRMATION_KIND, Planned, Progress, Recorded, progress_of
from doe.errors import InputRefused
from doe.files import Folder, digest

if TYPE_CHECKING:
    from doe.design.plan import Design
    from doe.record.match import Record
    from doe.study.spec import Study

_PRINTS = "record/prints.csv"
_LEDGERS = ("record/spools.csv", "record/gradings.csv")
_KEYS = {"prints": "print", "coupons": "print", "loads": "load", "checks": "reading", "corrections": "row", "spools": "entry"}
"""The column of each table of the record by which rows of a confirmation are known."""

Rows = list[dict[str, str]]


@dataclass(frozen=True)
class Facts:
    """What it takes to say where a study stands."""

    study: str
    """Its identifier."""
    budget: tuple[int, int]
    """Prints and drying loads; 0 where nothing is said."""
    progress: Progress | None
    """None where it is not planned."""
    inputs: dict[str, str]
    """Digests of what the declared fit rests on."""

    def left_of_budget(self) -> tuple[int, int]:
        """Return how many prints and drying loads of the budget are not planned yet, as ``doe.design.extend`` counts them."""
        planned = [] if self.progress is None else self.progress.fitted
        made = len(planned), len({one.load for one in planned if one.load})
        return max(0, self.budget[0] - made[0]), max(0, self.budget[1] - made[1])


def facts_by_reading(folder: Folder) -> Facts:
    """
    Return what a study says of itself, every file read as each command reads it.

    Raises
    ------
    InputRefused
        With every problem of the first file that cannot be used.
    """
    opened = OpenStudy(folder)
    study = opened.study()
    if not folder.has(PLAN_FILE):
        return _seen(study, None, opened.inputs())
    design = opened.design(study)
    record = opened.record_or_none(study)
    return _seen(study, (design, record), opened.declared_inputs(design, record))


def _seen(study: "Study", made: "tuple[Design, Record | None] | None", inputs: dict[str, str]) -> Facts:
    budget = study.budget.prints or 0, study.budget.loads or 0
    return Facts(study.header.id, budget, None if made is None else progress_of(*made), inputs)


def facts_by_log(folder: Folder) -> Facts | None:
    """
    Return the same as :func:`facts_by_reading` from the bare text, or None where that cannot be known.

    A file is taken as it stands where its digest is one that this version logged after the protocol was locked last: it was
    read whole and accepted then. A file that anybody edited since, or that another version read, is left to the whole reader.
    """
    try:
        lines = folder.log()
        names = [STUDY, *([PLAN_FILE, *folder.names("record/*.csv")] if folder.has(PLAN_FILE) else [])]
        files = {name: folder.read(name) for name in names}
    except InputRefused:
        return None
    locks = [at for at, line in enumerate(lines) if line["command"] in ("plan", "amend") and "protocol" in line["detail"]]
    if PLAN_FILE in files and not locks:
        return None
    logged = _logged(lines[locks[-1] if locks else 0 :])
    digests = {name: digest(content) for name, content in files.items()}
    of_record = {name for name, _ in logged if name.startswith("record/")}
    if not logged.issuperset(digests.items()) or (len(files) > 1 and not of_record <= set(files)):
        return None
    protocol = lines[locks[-1]]["detail"]["protocol"] if locks else _protocol(files[STUDY])
    return _taken(files, protocol, dict(sorted(digests.items())), logged)


def _logged(since: Sequence[Mapping[str, Any]]) -> set[tuple[str, str]]:
    """Return each file with each digest that this version read or wrote."""
    mine = [line for line in since if line["version"] == __version__]
    return {pair for line in mine for pair in (*line["read"].items(), *line["wrote"].items())}


def _protocol(content: bytes) -> dict[str, Any]:
    """Return a protocol that is not locked yet, as its file has it."""
    import tomllib

    return tomllib.loads(content.decode("utf-8-sig"))


def _taken(
    files: Mapping[str, bytes], study: Mapping[str, Any], digests: dict[str, str], logged: set[tuple[str, str]]
) -> Facts | None:
    said = study.get("budget", {})
    name, budget = study["study"]["id"], (said.get("prints") or 0, said.get("loads") or 0)
    if PLAN_FILE not in files:
        return Facts(name, budget, None, digests)
    plan = _rows(files[PLAN_FILE])
    recorded = None
    if _PRINTS in files:
        prints = _rows(files[_PRINTS])
        recorded = tuple(Recorded(one["print"], int(one["round"]), one["outcome"]) for one in prints)
    planned = tuple(Planned(one["print"], int(one["round"]), one["load"], one["kind"]) for one in plan)
    progress = Progress(planned, recorded)
    if progress.confirmations and recorded is not None:
        digests = _without_confirmations(files, progress)
        if not logged.issuperset(digests.items()):
            return None
    return Facts(name, budget, progress, digests)


def _without_confirmations(files: Mapping[str, bytes], progress: Progress) -> dict[str, str]:
    """Return the digests as if no confirmation were there; see ``doe.record.declared``."""
    left_out = [one for one in progress.planned if one.kind == CONFIRMATION_KIND]
    prints = {one.print for one in left_out}
    coupons = {row.get("coupon", "") for row in _rows(files["record/coupons.csv"]) if row["print"] in prints}
    gone = {*prints, *(one.load for one in left_out if one.load), *coupons}
    starts = tuple(f"{kind}{number}-" for number in progress.confirmations for kind in "RS")
    kept = {STUDY: files[STUDY], PLAN_FILE: _less(files[PLAN_FILE], "print", prints, ())[0]}
    for name, content in files.items():
        if name.startswith("record/"):
            key = _KEYS.get(name.removeprefix("record/").removesuffix(".csv"))
            kept[name], rows = (content, 1) if key is None else _less(content, key, gone, starts)
            if name in _LEDGERS and not rows:
                del kept[name]
    return {name: digest(content) for name, content in sorted(kept.items())}


def _rows(content: bytes) -> Rows:
    return list(csv.DictReader(io.StringIO(content.decode("utf-8-sig"), newline="")))


def _less(content: bytes, key: str, gone: Iterable[str], starts: tuple[str, ...]) -> tuple[bytes, int]:
    """Return a table without the rows of some identifiers, and how many rows are left."""
    rows = _rows(content)
    names, left_out = list(rows[0]) if rows else [], set(gone)
    if not rows or key not in names:
        return content, len(rows)
    kept = [row for row in rows if row[key] not in left_out and not (starts and row[key].startswith(starts))]
    text = io.StringIO()
    writer = csv.DictWriter(text, names, lineterminator="\n")
    writer.writeheader()
    writer.writerows(kept)
    return text.getvalue().encode(), len(kept)
