"""``doe verify``: take the study out of a report, fit and recommend anew, and print the report anew beside it."""

import json
import tempfile
from collections.abc import Container, Iterator, Mapping
from pathlib import Path
from typing import Any

from doe.cli.desk import FIT, RECOMMENDATION, Desk, Done
from doe.cli.filing import SOFTWARE, report_inputs, versions
from doe.cli.steps import outside
from doe.errors import InputRefused, NotReproduced, Problem
from doe.files import LOG, Folder, dump_json

_MOST = 40
"""Lines of differences that are shown of each kind."""
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
    from doe.report.verify import carried, page_words
    from doe.report.write import write_report

    content = outside(file)
    files = carried(content, file.name)
    with tempfile.TemporaryDirectory() as place:
        folder = Folder(Path(place))
        for name, text in files.items():
            target = folder.locate(name)
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(text)
        problems = [*_altered(folder, files)]
        problems += _computed(folder, files, {problem.where for problem in problems})
        if not problems:  # else the report that would be made is another one, or none
            anew = write_report(report_inputs(Desk(folder), json.loads(files[SOFTWARE])))
            printed = page_words(content, file.name)
            problems += [] if anew == content else _pages(printed, page_words(anew, "the report made anew"))
    if problems:
        raise NotReproduced(problems)
    same = anew == content
    words = sum(map(len, printed))
    return Done(
        {"files": sorted(files), "words": words, "identical": same, "versions": _other_versions(files)},
        lines=(
            f"{len(files)} files are carried, and are as their log says.",
            f"Fitted and recommended anew: every number of {FIT} and {RECOMMENDATION} came out again."
            if RECOMMENDATION in files else f"Fitted anew: every number of {FIT} came out again.",
            f"Printed anew: all {words} words and numbers on its pages are the same"
            + (", to the byte." if same else "; the bytes are not."),
            *(f"Made with {one}." for one in _other_versions(files)),
        ),
    )  # fmt: skip


def _altered(folder: Folder, files: Mapping[str, bytes]) -> Iterator[Problem]:
    """Yield the carried files that are not as the log, which is carried too, says."""
    from doe.record.integrity import examine

    for problem in examine(folder).problems:
        if (problem.where in files and problem.where != SOFTWARE) or problem.where.startswith(LOG):
            yield problem


def _computed(folder: Folder, files: Mapping[str, bytes], altered: Container[str]) -> Iterator[Problem]:
    """Yield the numbers of the carried results that come out otherwise; what refuses to be computed is a problem, too."""
    try:
        yield from _compared(folder, files, altered)
    except InputRefused as refused:
        yield from refused.problems


def _compared(folder: Folder, files: Mapping[str, bytes], altered: Container[str]) -> Iterator[Problem]:
    from doe.model.fit import fit_model
    from doe.model.request import FitRequest
    from doe.model.results import as_data
    from doe.recommend import choose

    desk = Desk(folder)
    study = desk.study()
    design, record = desk.design(study), desk.record(study)
    inputs = desk.declared_inputs(study, design, record)
    fit, fitted = fit_model(study, design, record, FitRequest(declared=desk.declared(study)), inputs)
    yield from _differing(files, FIT, as_data(fit), altered)
    if RECOMMENDATION not in files:
        return
    number = json.loads(files[RECOMMENDATION]).get("number")
    if not isinstance(number, int):
        yield Problem(RECOMMENDATION, "it has no number", "recommendations are numbered", _WARNED)
        return
    advice = choose.recommend_settings(study, design, fit, fitted, number, record)
    yield from _differing(files, RECOMMENDATION, choose.as_data(advice), altered)


def _differing(files: Mapping[str, bytes], name: str, anew: Mapping[str, Any], altered: Container[str]) -> Iterator[Problem]:
    from doe.report.verify import data_differences

    stored = json.loads(files[name])
    made = json.loads(dump_json(anew))
    found = list(data_differences(stored, made, name))
    if not found and name in altered:  # a digit so far back that another processor might have rounded it so
        found = list(data_differences(stored, made, name, close=0.0))
    for line in found[:_MOST]:
        place, _, said = line.rpartition(": ")
        yield Problem(name, f"{place.removeprefix(name).lstrip(', ')}: {said}", _GIVEN, _WARNED)


def _pages(printed: list[list[str]], anew: list[list[str]]) -> Iterator[Problem]:
    from doe.report.verify import page_differences

    for line in list(page_differences(printed, anew))[:_MOST]:
        where, _, said = line.partition(": ")
        yield Problem(where, said or "the pages differ", _GIVEN, _WARNED)


def _other_versions(files: Mapping[str, bytes]) -> list[str]:
    """Return the software that made the report in another version than runs now."""
    then, now = json.loads(files[SOFTWARE]), versions()
    other = [name for name, version in then.items() if now.get(name) != version]
    return [f"{name} {then[name]}, verified with {now.get(name, 'none')}" for name in other]
