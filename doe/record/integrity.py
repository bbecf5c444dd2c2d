"""What was altered in a study folder outside the tool: every file against the log, the log against itself."""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from doe.design.read import PLAN, read_plan
from doe.errors import InputRefused, Problem, StudyAltered
from doe.files import LOG, NO_LINE, Folder, digest, log_line
from doe.record import evidence
from doe.record.findings import listed
from doe.record.read_tables import read_record
from doe.sheet.layout import plan_digest
from doe.study import amend
from doe.study.read import STUDY, read_study

DRAFT = "report-draft.pdf"
_OURS = (PLAN, "record/*.csv", "sheets/*.xlsx", "*.json", "report.pdf", "report.html", "evidence/**/*")
"""Patterns of the files that a study holds, besides the protocol and the log."""
_MADE_BY = {
    "fit.json": "doe fit", "recommendation.json": "doe recommend", "report.pdf": "doe report", "report.html": "doe report --html",
}  # fmt: skip
_RECORD = "record/"
_BACK = "bring the file back from a copy"


@dataclass(frozen=True)
class Examined:
    """What was looked at, and what was found."""

    lines: int
    """Of the log."""
    files: int
    """That the log covers and the folder holds."""
    problems: tuple[Problem, ...]
    """What differs from what the log says; none where nothing was altered."""
    notes: tuple[str, ...]
    """What is as it may be, and worth knowing: a sheet that was filled in further, a protocol that was edited."""


@dataclass(frozen=True)
class _Known:
    """The last that the log says of one file."""

    digest: str
    command: str
    time: str
    wrote: bool


def examine(folder: Folder) -> Examined:
    """
    Compare a study folder with its log; changes nothing and needs no right to write.

    Each line of the log holds the SHA-256 of the line before it and of itself, and of every file that its command read and
    wrote: one changed byte in any of them is found, where it is not made good in the log throughout.

    Parameters
    ----------
    folder : Folder

    Returns
    -------
    Examined
    """
    texts = folder.log_texts()
    problems = [*_chain(texts)] if texts else [_no_log()]
    if (stopped := folder.interrupted()) is not None:
        found = f"'doe {stopped}' was interrupted while its results were put in place"
        problems.append(Problem(str(folder.path), found, "a finished step", "check a copy that you may write to"))
    lines = [line for text in texts if (line := log_line(text)) is not None]
    known, read_otherwise = _known(lines)
    changed, notes = _compare(folder, known)
    notes += read_otherwise
    differ, more, covered = _evidence(folder, lines)
    notes += [*more, *earlier_lines(texts)]
    problems += [*changed, *differ, *_strangers(folder, known)]
    if not changed and not problems:
        problems += _readable(folder, lines)
    here = sum(folder.has(name) for name in known) + covered
    return Examined(len(texts), here, tuple(problems), tuple(notes))


def require_record(folder: Folder) -> None:
    """
    Refuse to go on from a record that is not as the log says: what is collected next would stand on the alteration.

    Parameters
    ----------
    folder : Folder

    Raises
    ------
    InputRefused
        With every file of ``record/`` that was altered, is gone, or is not known to the log.
    """
    known, _ = _known(folder.log())
    problems, _ = _compare(folder, {name: last for name, last in known.items() if name.startswith(_RECORD)})
    problems += [one for one in _strangers(folder, known) if one.where.startswith(_RECORD)]
    if problems:
        raise InputRefused(problems)


def require_whole(folder: Folder, *, besides: Collection[str] = ()) -> None:
    """
    Refuse to report or sign a study in which anything is not as the log says.

    Parameters
    ----------
    folder : Folder
    besides : collection of str
        Files that do not matter, as they are made anew from the others.

    Raises
    ------
    StudyAltered
        With every problem that :func:`examine` finds.
    """
    problems = [one for one in examine(folder).problems if one.where not in besides]
    if problems:
        raise StudyAltered(problems)


def earlier_lines(texts: Sequence[bytes]) -> Iterator[str]:
    """
    Yield which lines of a log are dated before the line before them, and which releases before the judgement that they sign.

    Two computers that take turns may differ by minutes, so this is no alteration by itself; a release asks for a reason.

    Parameters
    ----------
    texts : sequence of bytes
        The lines as they stand in the file.
    """
    before, judged = (0, "", ""), (0, "", "")
    for number, text in enumerate(texts, 1):
        if (line := log_line(text)) is None:
            continue
        time, command = str(line["time"]), str(line["command"])
        since = judged if command == "release" and time < judged[1] else before
        if time < since[1]:  # ISO 8601 in UTC: the order of the letters is the order in time
            yield (
                f"{LOG}, line {number}: 'doe {command}' is dated {time}, earlier than line {since[0]} before it "
                f"('doe {since[2]}', {since[1]}): a clock was wrong, or was set back"
            )
        before = (number, time, command)
        judged = before if command == "confirm" and "verdict" in line["detail"] else judged


def _no_log() -> Problem:
    return Problem(LOG, "there is no log", "every study has one", _BACK)


def _chain(texts: Sequence[bytes]) -> Iterator[Problem]:
    """Yield what is wrong with the lines of the log themselves."""
    before = NO_LINE
    for number, text in enumerate(texts, 1):
        where, line = f"{LOG}, line {number}", log_line(text)
        if line is None:
            yield Problem(where, "it was altered", "the log is never edited", _BACK)
        elif line["previous"] != before:
            found = "it does not follow the line before it: that was altered, removed or put elsewhere"
            yield Problem(where, found, "each line holds the digest of the one before it", _BACK)
        before = digest(text)


def _known(lines: Sequence[dict[str, Any]]) -> tuple[dict[str, _Known], list[str]]:
    """
    Return the last state of each file that the log knows, and what was read in another state than it was written in.

    Of the protocol and the sheets, which people write in, the last state that was read counts; of all else the one written.
    """
    known: dict[str, _Known] = {}
    notes = []
    for line in lines:
        command, time = line["command"], line["time"]
        for name, value in line["read"].items():
            if name == STUDY or (name in known and name.startswith("sheets/")):
                known[name] = _Known(value, command, time, wrote=False)
            elif name in known and known[name].digest != value:
                notes.append(f"{name} was not as doe had written it when 'doe {command}' read it on {time}.")
        for name, value in line["wrote"].items():
            known[name] = _Known(value, command, time, wrote=True)
    return known, notes


def _compare(folder: Folder, known: dict[str, _Known]) -> tuple[list[Problem], list[str]]:
    """Return what differs from the log, and the differences that are as they should be."""
    problems, notes = [], []
    for name, last in sorted(known.items()):
        since = f"since 'doe {last.command}' {'wrote' if last.wrote else 'read'} it on {last.time}"
        if not folder.has(name):
            if name == DRAFT:
                continue  # it is no part of the quality file: it is there to be thrown away
            if not name.startswith("sheets/"):
                problems.append(Problem(name, f"it is gone {since}", "what the log names stays in the study", _BACK))
            else:
                notes.append(f"{name} is not in the folder any more; what was collected from it is in record/.")
        elif digest(folder.read(name)) != last.digest:
            if name.startswith("sheets/"):
                notes.append(f"{name} was changed {since}, as sheets are; 'doe collect' reads it.")
            elif name == STUDY and (said := _protocol(folder)) is not None:
                notes.append(said)
            else:
                allowed = "the protocol is changed by an amendment" if name == STUDY else "only doe writes this file"
                problems.append(Problem(name, f"it was altered {since}", allowed, _remedy(name)))
    return problems, notes


def _evidence(folder: Folder, lines: Sequence[dict[str, Any]]) -> tuple[list[Problem], list[str], int]:
    """Return which evidence is altered or gone, what is worth a word, and how many files are there as the log knows them."""
    known = evidence.logged(lines)
    try:
        here = evidence.digests(folder)
    except InputRefused as refused:
        return list(refused.problems), [], 0
    problems = []
    for name, last in sorted(known.items()):
        if name not in here:
            found = f"it is gone since it was collected on {last.time}"
            problems.append(Problem(name, found, "what the log names stays in the study", _BACK))
        elif here[name] != last.digest:
            found = f"it was altered since it was collected on {last.time}"
            problems.append(Problem(name, found, "evidence stays as it was collected", _BACK))
    new = sorted(set(here) - set(known))
    notes = [f"Since the last collection {len(new)} new in evidence/: {listed(new)}; doe collect covers them."] if new else []
    notes += [
        f"{name} was altered between the collections on {time} and the next; the log holds both digests."
        for name, last in sorted(known.items()) for time in last.altered
    ]
    return problems, notes, sum(name in here for name in known)


def _protocol(folder: Folder) -> str | None:
    """Return what may be said of a protocol file that differs from the one read last; None where it says something else."""
    try:
        study, _ = read_study(folder)
        lines = folder.log()
    except InputRefused:
        return None
    locked = amend.locked_protocol(lines)
    if locked is None:
        return f"{STUDY} was edited before the first plan, as it may be."
    if not amend.changes(locked, amend.protocol(study)):
        return f"{STUDY} was edited since it was read last; the protocol in it is as it was locked."
    return None


def _remedy(name: str) -> str:
    if name == STUDY:
        return "undo the change, or have it accepted with 'doe amend --reason'"
    return f"run '{_MADE_BY[name]}' again" if name in _MADE_BY else _BACK


def _strangers(folder: Folder, known: dict[str, _Known]) -> Iterator[Problem]:
    """Yield files that stand where only doe's files do, and that the log does not know."""
    for name in sorted({name for pattern in _OURS for name in folder.names(pattern)} - set(known)):
        if not name.startswith((".", "evidence/", "sheets/")):
            yield Problem(name, "the log does not know it", "only files that doe wrote stand there", "move it elsewhere")


def _readable(folder: Folder, lines: Sequence[dict[str, Any]]) -> Iterator[Problem]:
    """Yield why files that nobody altered cannot be read, or do not belong together."""
    try:
        study, _ = read_study(folder)
        if not folder.has(PLAN):
            return
        design = read_plan(folder.read(PLAN), study)
        read_record({name: folder.read(name) for name in folder.names("record/*.csv")}, study)
    except InputRefused as refused:
        yield from refused.problems
        return
    sealed = {line["detail"]["round"]: line["detail"]["digest"] for line in lines if line["command"] == "sheet"}
    for number, seal in sorted(sealed.items()):
        if number not in design.rounds or plan_digest(amend.definitions(study), design.of_round(number)) != seal:
            yield Problem(
                f"sheets/round-{number}.xlsx", "it was written from another plan, or for other factors and responses",
                f"those of {PLAN} and {STUDY}", "ask which of the two was replaced, and bring the right one back from a copy",
            )
