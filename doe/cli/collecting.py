"""The step ``collect``: from workbooks or exported tables to the record."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doe.cli.open_study import Done, OpenStudy
from doe.errors import InputRefused, Problem
from doe.files import Folder, now, stamp

if TYPE_CHECKING:
    import datetime

    from doe.design.plan import Design
    from doe.record.corrections import Beside, Correction
    from doe.record.findings import ReadAs
    from doe.record.match import Cell, Matched, Record
    from doe.record.together import Joined
    from doe.study.spec import Study

_SHOWN = 12
"""Lines of one sort that are shown; ``--json`` has them all."""


@dataclass(frozen=True)
class Asked:
    """What ``doe collect`` was asked for."""

    books: tuple[Path, ...] = ()
    """Workbooks; none: those in ``sheets/``."""
    prints: Path | None = None
    coupons: Path | None = None
    """Exported tables."""
    prefer: str | None = None
    """The file whose values stand where files disagree."""
    withdraw: tuple[str, ...] = ()
    """What to take off the record: ``ROW:COLUMN``, or ``ROW`` for all of it, of a print with its coupons."""
    reason: str = ""
    by: str = ""


@dataclass(frozen=True)
class _File:
    """One file that was handed in."""

    label: str
    content: bytes
    kind: str
    """``book``, or the table that it holds: ``prints``, ``coupons``."""


@dataclass(frozen=True)
class _Said:
    """What there is to say about a collection."""

    messages: tuple[str, ...]
    read_as: tuple["ReadAs", ...]
    decided: tuple[str, ...]
    unlikely: tuple[str, ...]
    corrections: tuple["Correction", ...]

    def lines(self) -> list[str]:
        """Return it as sentences, in the order in which they matter."""
        corrected = [
            f"Corrected: {one.row}, {one.column}: {one.old or 'empty'} became {one.new or 'empty'}."
            + (f" Why: {one.why}." if one.why else "")
            for one in self.corrections
        ]
        if unexplained := sum(not one.why for one in self.corrections):
            corrected.append(
                f"No reason stands beside {unexplained} of {len(corrected)} corrections, and an auditor will ask for it: write it"
                " down now, and next time hand the book in with --by NAME and --reason TEXT, or with a column 'Reason for a"
                " correction'."
            )
        read = [f"{one.where}: '{one.found}' was read as {one.value}." for one in self.read_as]
        return [*self.messages, *_few(self.decided), *_few(read), *_few(self.unlikely), *corrected]

    def detail(self) -> dict[str, Any]:
        """Return what the log keeps of it."""
        read = [f"{one.where}: '{one.found}' read as {one.value}" for one in self.read_as]
        told = {"read_as": read, "decided": list(self.decided), "unlikely": list(self.unlikely)}
        return {key: lines for key, lines in told.items() if lines}


def collect(folder: Folder, asked: Asked) -> Done:
    """Read what was handed in into the record; empty cells never erase, changed values become corrections."""
    from doe.record import corrections, read_tables
    from doe.record.days import unlikely_days
    from doe.record.dryings import hours_lines
    from doe.record.emptied import emptied_lines
    from doe.record.evidence import gathered
    from doe.record.instruments import overdue_lines
    from doe.record.integrity import require_record
    from doe.record.plausible import unlikely
    from doe.record.unprinted import unprinted_lines
    from doe.study.responses import ends_at_break

    with folder.locked("collect"):
        opened = OpenStudy(folder)
        study = opened.study()
        design = opened.design(study)
        require_record(folder)
        before = opened.record_or_none(study)
        files, passed_over = _files(opened, asked)
        books = _matched(study, design, files)
        prefer = _label_of(folder, files, asked.prefer)
        joined = _joined(books, before, prefer)
        read_off = frozenset(one.name for one in study.responses if not ends_at_break(one))
        beside = replace(_requested(joined.beside, before, asked, (study, design)), read_off=read_off)
        record, changes = corrections.merge(before, joined.record, asked.by, stamp(), beside)
        _require_gone(record, beside.withdrawn)
        overdue = overdue_lines(study, record.prints, record.coupons, record.checks)
        evidence = gathered(folder)
        remarks = (*passed_over, *(remark for book in books for remark in book.remarks), *overdue, *evidence.lines)
        odd = (
            *unlikely(study, design, record, beside.places),
            *unlikely_days(design, record, beside.places, _issued(folder), now().date()),
            *hours_lines(study, design, record, beside.places),
        )
        stays = () if before is None else emptied_lines(before, joined, beside.withdrawn)
        unprinted = unprinted_lines(record, beside.places, joined.blank)
        said = _Said(
            (*remarks, *unprinted, *stays, *_returned(before, changes)), tuple(one for book in books for one in book.read_as),
            joined.decided, odd, changes,
        )
        tables = read_tables.record_files(record)
        changed = before is None or tables != read_tables.record_files(before) or bool(evidence.detail)
        if changed:
            opened.read.update({file.label: file.content for file in files})
            detail = {**({"prefer": prefer} if prefer else {}), **said.detail(), **evidence.detail}
            names = sorted({file.label for file in files})
            opened.commit("collect", tables, books=names, corrections=len(changes), **detail)
    return _done(folder, (study, design, record), said, changed=changed)


def _done(folder: Folder, there: "tuple[Study, Design, Record]", said: _Said, *, changed: bool) -> Done:
    from doe.cli.progress import after_collect, progress_of
    from doe.cli.study_status import status
    from doe.record.lost import lost_lines, to_reprint
    from doe.report import protocol

    study, design, record = there
    progress = progress_of(design, record)
    ended, total, after = progress.ended(), len(record.prints), after_collect(progress)
    if after == "doe confirm":  # what it rests on may have changed: then a fit comes first
        after = str(status(folder).data["next"])
    result = "Collected into record/." if changed else "Nothing new in the workbook; the record is as it was."
    return Done(
        {
            "prints": ended,
            "of": total,
            "to_reprint": list(to_reprint(design, record)),
            "corrections": [vars(one) for one in said.corrections],
            "messages": list(said.messages),
            "read_as": [vars(one) for one in said.read_as],
            "decided": list(said.decided),
            "unlikely": list(said.unlikely),
            "next": after,
        },
        (protocol.data_summary(study, record, design.confirmations),),
        (*said.lines(), result, f"{ended} of {total} prints are recorded.", *lost_lines(design, record), f"Next: {after}"),
    )


def _issued(folder: Folder) -> dict[int, "datetime.date"]:
    """Return the day on which the workbook of each round was first written."""
    import datetime

    days: dict[int, datetime.date] = {}
    for line in folder.log():
        if line["command"] == "sheet":
            days.setdefault(line["detail"]["round"], datetime.datetime.fromisoformat(line["time"]).date())
    return days


def _few(lines: Sequence[str]) -> list[str]:
    more = len(lines) - _SHOWN
    return [*lines[:_SHOWN], *([f"... and {more} more like these; --json shows all."] if more > 0 else [])]


def _files(opened: OpenStudy, asked: Asked) -> tuple[list[_File], list[str]]:
    """Return the files that were handed in, each once, and what was passed over."""
    from doe.record.read import take

    exports = {"prints": asked.prints, "coupons": asked.coupons}
    given = [(path, "book") for path in asked.books] + [(path, table) for table, path in exports.items() if path is not None]
    if given:
        once = {(path.resolve(), kind): path for path, kind in given}
        labels = _labels(opened.folder, [path for path, _ in once])
        return [_File(labels[where], take(path), kind) for (where, kind), path in once.items()], []
    names = opened.folder.names("sheets/*.xlsx")
    # What a spreadsheet program puts beside a file that is open, or a system beside one that it copied.
    aside = [name for name in names if Path(name).name.startswith(("~$", "._", ".~"))]
    found = [_File(name, take(opened.folder.locate(name)), "book") for name in names if name not in aside]
    if not found and not (asked.withdraw and opened.folder.has("record/prints.csv")):
        raise InputRefused(
            Problem("sheets/", "there is no workbook", "one that 'doe sheet' wrote", "run 'doe sheet', or name the file")
        )
    return found, [f"{name}: left by a program that has, or had, the workbook open; passed over." for name in aside]


def _labels(folder: Folder, paths: Sequence[Path]) -> dict[Path, str]:
    """
    Return how each file is spoken of.

    Its name in the study, else its own; with as many of its folders as tell it from others, and from files of the study.
    """
    labels: dict[Path, str] = {}
    home = folder.path.resolve()
    for path in paths:
        if path.is_relative_to(home):
            labels[path] = path.relative_to(home).as_posix()
            continue
        for depth in range(1, len(path.parts)):
            label = "/".join(path.parts[-depth:])
            others = {"/".join(other.parts[-depth:]) for other in paths if other != path}
            if label not in others and not (home / label).exists():
                break
        labels[path] = label
    return labels


def _label_of(folder: Folder, files: Sequence[_File], prefer: str | None) -> str | None:
    """Return the label of the file that is preferred, however it was written; what is none of them, as it is."""
    labels = [file.label for file in files]
    if prefer is None or prefer in labels:
        return prefer
    path = Path(prefer).resolve()
    home = folder.path.resolve()
    inside = path.relative_to(home).as_posix() if path.is_relative_to(home) else path.as_posix()
    meant = [label for label in labels if label == inside or f"/{inside}".endswith(f"/{label}") or Path(label).name == prefer]
    return meant[0] if len(set(meant)) == 1 else prefer


def _matched(study: "Study", design: "Design", files: Sequence[_File]) -> list["Matched"]:
    """Return what each file says; the problems of all of them at once."""
    from doe.record import exported, match, read
    from doe.study import amend

    definitions = amend.definitions(study)
    books: list[Matched] = []
    problems: list[Problem] = []
    for file in files:
        try:
            if file.kind == "book":
                books.append(match.match(study, design, read.read_workbook(file.content, file.label), definitions))
            else:
                books.append(exported.read_export(study, design, file.content, file.label, file.kind))
        except InputRefused as refused:
            problems += refused.problems
    if problems:
        raise InputRefused(problems)
    return books


def _joined(books: Sequence["Matched"], before: "Record | None", prefer: str | None) -> "Joined":
    from doe.record import corrections, together

    if books or before is None:
        return together.join(books, before, prefer)
    return together.Joined(before, corrections.Beside(), ())  # there is only something to withdraw


def _requested(beside: "Beside", before: "Record | None", asked: Asked, there: "tuple[Study, Design]") -> "Beside":
    """Add what was asked for on the command line: values to withdraw, and why."""
    problems: list[Problem] = []
    cells: list[Cell] = []
    for text in asked.withdraw:
        found = _asked_for(text, before, there)
        given = [cell for cell in found if cell in beside.places]
        cells += found
        if not found:
            problems.append(Problem(
                f"--withdraw {text}", "there is no such value on record",
                "ROW:COLUMN of a recorded value, such as P01A-1:note, or a ROW", "look it up in record/",
            ))  # fmt: skip
        problems += [
            Problem(beside.places[cell], f"it still gives {cell[2]} of {cell[1]}", "a value that is withdrawn stands in no file",
                    "clear the cell first") for cell in given
        ]  # fmt: skip
    if asked.withdraw and not asked.reason.strip():
        problems.append(Problem("--withdraw", "there is no reason", "a value is withdrawn for a reason", "give it with --reason"))
    if problems:
        raise InputRefused(problems)
    return replace(beside, withdrawn=frozenset(cells), reason=asked.reason.strip())


def _asked_for(text: str, before: "Record | None", there: "tuple[Study, Design]") -> "list[Cell]":
    """Return the cells of what is to be withdrawn; of a whole row not what is used for all prints of a load."""
    from doe.record.withdrawal import in_record, withdrawable

    name, mark, column = (part.strip() for part in text.partition(":"))
    if mark:
        return list(withdrawable(before, name, column) or withdrawable(before, name, in_record(*there, column)))
    of_loads = {f"used.{factor.name}" for factor in there[0].load_factors}
    return [cell for cell in withdrawable(before, name) if cell[2] not in of_loads]


def _require_gone(record: "Record", withdrawn: "Iterable[Cell]") -> None:
    """Refuse to withdraw what follows from other values: it would stay, unsaid."""
    from doe.record.withdrawal import still_there

    problems = [
        Problem(
            f"--withdraw {name}:{column}", "it follows from the values of its row, or of its coupons, which stay on record",
            "a value that somebody gave",
            f"take the whole row off with --withdraw {name}, or give another {column} in the workbook",
        ) for _, name, column in still_there(record, set(withdrawn))
    ]  # fmt: skip
    if problems:
        raise InputRefused(problems)


def _returned(before: "Record | None", changes: Iterable["Correction"]) -> list[str]:
    """Say which corrections bring a value back that was on record before: an older copy of the workbook does so, too."""
    from doe.record.together import superseded

    back = [one for one in changes if one.new in superseded(before, (one.table, one.row, one.column))]
    return [
        f"{one.row}, {one.column}: {one.new} was on record before and had been corrected. Is this an older copy of the workbook?"
        for one in back if not one.why.startswith("files disagree")
    ]
