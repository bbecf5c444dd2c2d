"""``doe verify``: analyse the study that a report carries anew, then compare the report with it."""

import json
import tempfile
from collections.abc import Collection, Container, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doe.cli.open_study import FIT, RECOMMENDATION, Done, OpenStudy
from doe.cli.report_inputs import SOFTWARE, report_inputs, versions
from doe.cli.steps import outside
from doe.errors import InputRefused, NotReproduced, Problem
from doe.files import LOG, Folder, digest, dump_json, log_line

if TYPE_CHECKING:
    from doe.cli.confirmation_state import Trial
    from doe.design.plan import Design
    from doe.record.match import Record

_NOT_SEEN = "What figures draw, and what may lie over the text, was not compared."
_LAID_OVER = Problem(
    "", "the file was changed after doe wrote it: its words and numbers are the same, its bytes are not",
    "the bytes that these very versions write from what it carries",
    "do not rely on what it shows, which may be drawn or laid over the text: ask for the file as doe wrote it (made on another "
    "kind of computer, figures may differ in their last digits: verify it on that kind)",
)  # fmt: skip
_GIVEN, _WARNED = "what the carried data give", "do not rely on it"


def verified(file: Path) -> Done:
    """
    Check every number of a report against the data that it carries; needs nothing but the file.

    Raises
    ------
    InputRefused
        A file that is no report.
    NotReproduced
        With one problem for each carried file that its log does not know so, and for each number that comes out otherwise.
    """
    content = outside(file)  # before a library is loaded for what is not there
    from doe.report.verify import carried, page_words

    files = carried(content, file.name)
    with tempfile.TemporaryDirectory() as place:
        folder = Folder(Path(place))
        for name, text in files.items():
            target = folder.locate(name)
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(text)
        printed = page_words(content, file.name)
        problems = file_problems(folder, files, {word for page in printed for word in page})
        if any(problem.where.startswith("record/") for problem in problems):
            problems += _values(folder, printed)
        problems += _computed(folder, files, {problem.where for problem in problems})
        if not problems:  # else the report that would be made is another one, or none
            from doe.report.write import write_report

            anew = write_report(report_inputs(OpenStudy(folder), json.loads(files[SOFTWARE])))
            problems += [] if anew == content else _pages(printed, page_words(anew, "the report made anew"))
            if anew != content and not problems and not _other_versions(files):
                problems.append(replace(_LAID_OVER, where=file.name))
        if problems:
            raise NotReproduced(problems)
        return _came_out(folder, files, sum(map(len, printed)), same=anew == content)


def _came_out(folder: Folder, files: Mapping[str, bytes], words: int, *, same: bool) -> Done:
    """Say what was done and came out again."""
    opened, head = OpenStudy(folder), folder.log_head()
    study = opened.study()
    latest = _judged(opened, opened.design(study), opened.record(study))
    again = {FIT: "fitted", RECOMMENDATION: "recommended", **({} if latest is None else {_name_of(latest): "judged"})}
    computed, did = [name for name in again if name in files], [what for name, what in again.items() if name in files]
    left = sorted(name for name in files if name.startswith("judgement-") and name not in again)
    return Done(
        {
            "files": sorted(files), "words": words, "identical": same, "versions": _other_versions(files),
            "computed": computed, "log_head": head,
        },
        lines=(
            f"{len(files)} files are carried, and are as their log says.",
            f"{_listed(did).capitalize()} anew: every number of {_listed(computed)} came out again.",
            *(f"{name} was not judged anew: the study went on since, and it no longer counts." for name in left),
            f"Printed anew: all {words} words and numbers on its pages are the same"
            + (", to the byte." if same else f"; the bytes are not. {_NOT_SEEN}"),
            *(f"Made with {one}." for one in _other_versions(files)),
            "A log that was sealed again as a whole proves nothing by itself: compare the digest of its last line with the one "
            f"that was handed over at the release. Here it is {head}.",
        ),
    )  # fmt: skip


def _listed(names: Sequence[str]) -> str:
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def _judged(opened: OpenStudy, design: "Design", record: "Record") -> "Trial | None":
    """Return the latest confirmation where it is judged by what stands there now."""
    from doe.cli.confirmation_state import trial

    latest = trial(opened, design, record)
    return None if latest is None or latest.judgement is None or latest.stale else latest


def _name_of(latest: "Trial") -> str:
    return f"judgement-{latest.confirmation.number}.json"


def file_problems(folder: Folder, files: Mapping[str, bytes], printed: Collection[str]) -> list[Problem]:
    """
    Return what is wrong with the carried files by themselves, before anything is fitted.

    Parameters
    ----------
    folder : Folder
        Holds the files.
    files : mapping of str to bytes
        As carried, by name.
    printed : collection of str
        The words on the report's pages, which hold the SHA-256 of each file.

    Returns
    -------
    list of Problem
        Files that are not as the carried log or the pages say, the digit that was changed where a single one was, and values
        that do not follow from what is recorded beside them.
    """
    altered = [*_altered(folder, files)]
    as_printed = {name for name, content in files.items() if digest(content) in printed}
    if any(problem.where.startswith(LOG) for problem in altered):  # it is the log then that cannot be trusted about the files
        altered = [problem for problem in altered if problem.where not in as_printed]
    named = {problem.where for problem in altered} | as_printed | {LOG}
    found, allowed = "its SHA-256 is not the one on the report's pages", "the file that was reported"
    altered += [Problem(name, found, allowed, _WARNED) for name in files if name not in named]
    return [*altered, *_digits(folder, files, {problem.where for problem in altered}, printed), *_followed(folder)]


def _altered(folder: Folder, files: Mapping[str, bytes]) -> Iterator[Problem]:
    """Yield the carried files that are not as the log, which is carried too, says."""
    from doe.record.integrity import examine

    for problem in examine(folder).problems:
        if (problem.where in files and problem.where != SOFTWARE) or problem.where.startswith(LOG):
            yield problem


def _digits(folder: Folder, files: Mapping[str, bytes], altered: Container[str], printed: Collection[str]) -> Iterator[Problem]:
    """Yield the single digits that were changed in altered files: with these put back the files have their digests again."""
    from doe.report.verify_digits import changed_digit, changed_digits_of_log

    lines = (line for text in folder.log_texts() if (line := log_line(text)) is not None)
    known = {*printed, *(value for line in lines for part in ("read", "wrote") for value in line[part].values())}
    found = [changed_digit(name, content, known) for name, content in files.items() if name in altered and name != LOG]
    found += changed_digits_of_log(files[LOG])
    for one in found:
        if one is not None:
            said = f"{one.carried} is carried; with {one.before} the file has its digest again"
            yield Problem(one.place, said, f"{one.before}, which was reported", _WARNED)


def _followed(folder: Folder) -> Iterator[Problem]:
    """Yield the values of the record that do not follow from the measurements beside them."""
    from doe.report.verify import computed_differences

    opened = OpenStudy(folder)
    try:
        found = list(computed_differences(opened.record(opened.study())))
    except InputRefused:
        return  # it is refused again, and named, when the fit is made anew
    for place, said in found:
        yield Problem(f"record/coupons.csv, {place}", said, "a value that follows from what was measured", _WARNED)


def _values(folder: Folder, printed: list[list[str]]) -> list[Problem]:
    """Return the values of an altered record that are not those that the pages print."""
    from doe.report.appendix import value_tables
    from doe.report.verify import value_differences

    opened = OpenStudy(folder)
    try:
        study = opened.study()
        tables = value_tables(study, opened.design(study), opened.record(study))
    except InputRefused:
        return []  # it is refused again, and named, when the fit is made anew
    found = value_differences(tables, printed)
    return [Problem(f"record/, {place}", said, "the value that was reported", _WARNED) for place, said in found]


def _computed(folder: Folder, files: Mapping[str, bytes], altered: Container[str]) -> Iterator[Problem]:
    """Yield the numbers of the carried results that come out otherwise; what refuses to be computed is a problem, too."""
    try:
        yield from _compared(folder, files, altered)
    except InputRefused as refused:
        yield from refused.problems


def _compared(folder: Folder, files: Mapping[str, bytes], altered: Container[str]) -> Iterator[Problem]:
    from doe.cli.judging import judged_anew
    from doe.model.fit import fit_model
    from doe.model.request import FitRequest
    from doe.model.results import as_data
    from doe.recommend import choose, results

    opened = OpenStudy(folder)
    study = opened.study()
    design, record = opened.design(study), opened.record(study)
    inputs = opened.declared_inputs(design, record)
    if (latest := _judged(opened, design, record)) is not None:
        yield from _differing(files, _name_of(latest), judged_anew(opened, study, (design, record), latest), altered)
    fit, fitted = fit_model(study, design, record, FitRequest(declared=opened.declared(study)), inputs)
    yield from _differing(files, FIT, as_data(fit), altered)
    if RECOMMENDATION not in files:
        return
    number = json.loads(files[RECOMMENDATION]).get("number")
    if not isinstance(number, int):
        yield Problem(RECOMMENDATION, "it has no number", "recommendations are numbered", _WARNED)
        return
    advice = choose.recommend_settings(study, design, fit, fitted, number, record)
    yield from _differing(files, RECOMMENDATION, results.as_data(advice), altered)


def _differing(files: Mapping[str, bytes], name: str, anew: Mapping[str, Any], altered: Container[str]) -> Iterator[Problem]:
    from doe.report.verify import data_differences

    stored = json.loads(files[name])
    made = json.loads(dump_json(anew))
    found = list(data_differences(stored, made, name))
    if not found and name in altered:  # a digit so far back that another processor might have rounded it so
        found = list(data_differences(stored, made, name, close=0.0))
    for line in found:
        place, _, said = line.rpartition(": ")
        yield Problem(name, f"{place.removeprefix(name).lstrip(', ')}: {said}", _GIVEN, _WARNED)


def _pages(printed: list[list[str]], anew: list[list[str]]) -> Iterator[Problem]:
    from doe.report.verify import page_differences

    for line in page_differences(printed, anew):
        where, _, said = line.partition(": ")
        yield Problem(where, said or "the pages differ", _GIVEN, _WARNED)


def _other_versions(files: Mapping[str, bytes]) -> list[str]:
    """Return the software that made the report in another version than runs now."""
    then, now = json.loads(files[SOFTWARE]), versions()
    other = [name for name, version in then.items() if now.get(name) != version]
    return [f"{name} {then[name]}, verified with {now.get(name, 'none')}" for name in other]
