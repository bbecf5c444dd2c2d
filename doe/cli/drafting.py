"""``doe report --draft``: the report before the study is whole, with what is missing on its first page."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from doe.cli.open_study import FIT, Done, OpenStudy
from doe.cli.report_inputs import log_before_report, report_inputs, versions
from doe.cli.study_status import status
from doe.errors import InputRefused
from doe.files import Folder, digest
from doe.record.integrity import DRAFT

if TYPE_CHECKING:
    from doe.design.plan import Design
    from doe.record.match import Record
    from doe.report.inputs import ReportInputs
    from doe.study.spec import Study

_COLLECT = "collect the workbook again when more is filled in (doe collect)"
_REPORT = "doe report"


@dataclass(frozen=True)
class _Standing:
    """What of a study is there."""

    study: "Study"
    design: "Design"
    record: "Record"
    """Empty where nothing was collected."""
    collected: bool
    fitted: bool
    """Whether the fit is of what is recorded now."""


def draft(folder: Folder) -> Done:
    """
    Write a draft of the report from whatever the study holds, from its plan on; it is no revision of the report.

    Raises
    ------
    InputRefused
        Where there is no plan yet, or a file of the study cannot be read.
    """
    from doe.report.write import write_report

    after = str(status(folder).data["next"])
    with folder.locked("draft"):
        opened = OpenStudy(folder)
        inputs = draft_inputs(opened, after)
        written = write_report(inputs)
        opened.commit("draft", {DRAFT: written})
    assert inputs.draft is not None
    missing = [f"Missing: {what}. To do: {remedy}." for what, remedy in inputs.draft.missing]
    data = {"file": DRAFT, "bytes": len(written), "missing": [list(one) for one in inputs.draft.missing], "next": after}
    first = f"Wrote {folder.path / DRAFT}: a draft, no revision of the report and not for the quality file."
    return Done(data, lines=(first, *missing, f"Next: {after}"))


def draft_inputs(opened: OpenStudy, after: str) -> "ReportInputs":
    """Collect what a draft shows: all that stands in the study, and what does not; ``after`` is the command that is next."""
    from doe.report.inputs import Draft

    there = _standing(OpenStudy(opened.folder))  # what is read for a fit must not have been read before by another question
    inputs = report_inputs(opened) if there.fitted else _unfitted(opened, there)
    return replace(inputs, attachments={}, draft=Draft(tuple(_missing(there, inputs)), after, there.fitted))


def _standing(opened: OpenStudy) -> _Standing:
    from doe.design.plan import describe

    study = opened.study()
    design, record = describe(study, opened.design(study)), opened.record_or_none(study)
    if record is None:
        return _Standing(study, design, _nothing_recorded(study), collected=False, fitted=False)
    return _Standing(study, design, record, collected=True, fitted=_is_fitted(opened, design, record))


def _is_fitted(opened: OpenStudy, design: "Design", record: "Record") -> bool:
    if not opened.folder.has(FIT):
        return False
    try:
        opened.fitted_inputs(design, record)
    except InputRefused:  # the record changed since
        return False
    return True


def _nothing_recorded(study: "Study") -> "Record":
    from doe.record.match import Record
    from doe.record.schema import frame, schema

    return Record(**{table: frame(columns, ()) for table, columns in schema(study).items()})


def _unfitted(opened: OpenStudy, there: _Standing) -> "ReportInputs":
    """Return what there is to show without a fit of what is recorded now."""
    from doe.model import summary
    from doe.model.results import Fit
    from doe.record.declared import without_confirmations
    from doe.report.inputs import ReportInputs
    from doe.study import materials

    study = opened.study()
    opened.design(study)
    opened.record_or_none(study)
    ended = summary.completion(study, *without_confirmations(there.design, there.record))
    log, text = log_before_report(opened.folder)
    return ReportInputs(
        study=study, design=there.design, record=there.record,
        fit=Fit(study.header.id, False, study.header.simulated, (), (), ended, (), {}),
        recommendation=None, predict={}, cautions=materials.template(study.header.family).cautions, log=log,
        log_head=digest(text.removesuffix(b"\n").rpartition(b"\n")[2]), files=opened.inputs(), versions=versions(),
        prepared_at=log[-1]["time"],
    )  # fmt: skip


def _missing(there: _Standing, inputs: "ReportInputs") -> Iterator[tuple[str, str]]:
    """Yield what the report will show and a draft cannot, each with what to do about it."""
    yield from _not_recorded(there)
    if not there.fitted:
        yield "models of the responses: what is recorded has not been fitted", "doe fit"
    if inputs.recommendation is None:
        yield "the recommended setting with its promises and its window", "doe recommend, once it is fitted"
    tried = inputs.trial
    if tried.judgement is None:
        planned = "its prints are not judged yet" if tried.confirmation is not None else "no prints have tried the setting"
        yield f"the confirmation: {planned}", "doe confirm"
    elif tried.ended:
        yield "a confirmation that still holds: something that it rests on changed", "doe confirm"
    if tried.release is None:
        yield "the release by a person", "doe release --by NAME, once it is confirmed"
    yield "the report itself, which can be verified", _REPORT


def _not_recorded(there: _Standing) -> Iterator[tuple[str, str]]:
    """Yield the prints that are not recorded and, per response, the values that recorded prints still lack."""
    from doe.report.appendix import expected_values
    from doe.report.rounds import named

    prints = there.record.prints
    ended = int((prints["outcome"] != "").sum()) if there.collected else 0
    total = len(there.design.runs)
    if ended < total:
        planned = "; ".join(named(there.design, one) for one in there.design.rounds)
        yield f"{total - ended} of {total} prints are not recorded (planned: {planned})", _COLLECT
    for response in there.study.responses:
        lacking = expected_values(response, there.record)
        if lacking:
            yield f"{len(lacking)} value{'s' if len(lacking) > 1 else ''} of {response.name.replace('_', ' ')}", _COLLECT
