"""The report as plain data, in reading order: page one with the answer, then sections of text, tables, figures.

The templates in ``templates/report`` only set what is said here; what is said is a matter of this module and of
``doe.report.rows``.
"""

import datetime
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from doe.design import calibrated
from doe.files import digest, digest_of
from doe.model.agreement import repeated_grades
from doe.model.agreement import verdicts as grading_verdicts
from doe.model.results import JudgedFit
from doe.recommend.counted import prints_that_meet
from doe.recommend.desirable import has_aims
from doe.recommend.results import Recommendation
from doe.report import drawn, front, map_views, numbers, pieces, rows, views
from doe.report.agreement import agreement_table
from doe.report.appendix import log_rows, value_tables
from doe.report.chosen_plan import why_blocks
from doe.report.completion import completion_tables
from doe.report.confirmation import caught_changes, forecast_tables, judgement_tables, power_sentences
from doe.report.consequences import consequence_rows
from doe.report.filament import filament_rows
from doe.report.glossary import glossary_rows
from doe.report.inputs import Issued, ReportInputs
from doe.report.judged import judged_tables
from doe.report.model_section import model_blocks, sensitivity_blocks
from doe.report.pieces import Block
from doe.report.printers import lines_table
from doe.report.protocol import evidence_rows, spool_rows
from doe.report.recommended import falls_short, recommendation_tables
from doe.report.residual_views import coverage_view
from doe.report.revisions import revision_rows
from doe.report.rounds import seeds
from doe.report.tables import words
from doe.report.verify import DRAFT_MARK
from doe.report.who_printed import not_recorded_table, printed_table
from doe.study.spec import Response

PREVAIL = (
    "The safety data sheet of the material, local codes, the rules of the site and qualified people prevail over this report."
)
SIMULATED = "SIMULATED DATA: no print was made. This report shows the method, not a material."
DRAFT = "DRAFT: written before the study is whole. Figures and conclusions may still change; not for the quality file."
_CARRIES_NONE = "A draft carries no files of the study, and cannot be verified."
_CARRIES = (
    "The files that this report was made from are attached inside report.pdf. 'doe verify' takes them out of it, fits and"
    " recommends anew, and says which of the printed figures it found again; it needs nothing else. The study digest of this"
    " report covers them all."
)
_KEEP = (
    "The workbooks of the operators are not attached: the record holds what was read from them. Keep them with this report, as"
    " they were collected last; their digests below tell them from any other version."
)
_GLOSSARY_AT = -2
"""Before the provenance and the appendix."""
_NOT_YET = "Not yet: what is recorded has not been fitted."
EXPLORATORY = "EXPLORATORY MODEL: not the declared one. It cannot feed a confirmation."

_TYPES = {"toml": "application/toml", "csv": "text/csv", "json": "application/json", "jsonl": "application/jsonl"}


def document(inputs: ReportInputs) -> dict[str, Any]:
    """
    Return the report as JSON values.

    Parameters
    ----------
    inputs : ReportInputs
        Nothing else is read, so that equal inputs give equal reports.

    Returns
    -------
    dict
        ``title``, ``id``, ``facts``, ``loud``, ``answer``, ``sections``, ...; every text holds only letters of the report's
        fonts, and figures are SVG text.
    """
    header = inputs.study.header
    day = datetime.datetime.fromisoformat(inputs.prepared_at).date()
    draft = inputs.draft is not None
    cries = ((DRAFT, draft), (SIMULATED, _simulated(inputs)), (EXPLORATORY, inputs.fit.exploratory))
    loud = [text for text, due in cries if due]
    made: dict[str, Any] = {
        "title": header.title, "id": header.id, "material": header.material, "simulated": _simulated(inputs),
        "draft": draft,
        "description": f"{'Draft: q' if draft else 'Q'}ualification report of study {header.id}: {header.material}",
        "keywords": [header.id, header.material, *([DRAFT_MARK] if draft else [])],
        "day": day.isoformat(), "date": [day.year, day.month, day.day], "loud": loud,
        "facts": front.facts(inputs),
        "digests": [*([] if draft else [["study", study_digest(inputs.attachments)]]), ["log head", inputs.log_head]],
        "attachments": [
            {"name": name, "text": content.decode(), "type": _TYPES[name.rpartition(".")[2]]}
            for name, content in sorted(inputs.attachments.items())
        ],
        "answer": front.blocks(inputs),
        "sections": [
            pieces.section("Question and requirements", _question(inputs)),
            pieces.section("Plan and why it was chosen", _plan(inputs)),
            pieces.section("Deviations, failures and amendments", _deviations(inputs)),
            pieces.section("Data", _data(inputs)),
            pieces.section("Models of the measured responses", _models(inputs)),
            pieces.section("Graded and pass-fail responses", _counted(inputs)),
            pieces.section("Recommendation", _recommendation(inputs)),
            pieces.section("Confirmation", _confirmation(inputs)),
            pieces.section("Sensitivity", _sensitivity(inputs)),
            pieces.section("Cautions", _cautions(inputs)),
            pieces.section("Provenance", _provenance(inputs)),
            pieces.section("Appendix: every value", _every_value(inputs)),
        ],
    }
    used = glossary_rows(text for part in (made["answer"], made["sections"]) for text in pieces.texts(part))
    made["sections"].insert(_GLOSSARY_AT, pieces.section("Terms", [pieces.table(used)]))
    return {key: value if key == "attachments" else pieces.printable(value) for key, value in made.items()}


def study_digest(attachments: Mapping[str, bytes]) -> str:
    """Return the SHA-256 over the names and digests of the files that a report carries."""
    return digest_of({name: digest(content) for name, content in attachments.items()})


def _simulated(inputs: ReportInputs) -> bool:
    return inputs.study.header.simulated or inputs.fit.simulated


def _is_unfitted(inputs: ReportInputs) -> bool:
    return inputs.draft is not None and not inputs.draft.fitted


def _question(inputs: ReportInputs) -> list[Block]:
    study = inputs.study
    what = "Aims" if has_aims(study) else "Requirements"
    wanted = (
        "come nearest to the aims below, weighted by their priorities?" if has_aims(study)
        else f"meet every requirement below, in at least {numbers.level(study.header.conformance)} of future prints?"
    )
    asked = (
        f"Which setting of the factors makes prints of {study.header.material} {wanted} Intervals are stated at"
        f" {numbers.level(study.header.confidence)} confidence. {what} and model were fixed before the data."
    )
    tables = (rows.requirement_rows(study), rows.factor_rows(study), rows.condition_rows(study), rows.instrument_rows(study))
    filament = [table for table in (filament_rows(study),) if table.rows]
    return [pieces.text(asked), *(pieces.table(table) for table in (*tables, *filament))]


def _plan(inputs: ReportInputs) -> list[Block]:
    design = inputs.design
    blocks = [pieces.table(rows.plan_facts(inputs.study, design)), *why_blocks(inputs.log)]
    if design.facts.get("aliases"):
        blocks.append(pieces.table(rows.alias_rows(design)))
    blocks += pieces.verdicts(design.verdicts)
    covered = coverage_view(inputs.study, design)
    blocks += [drawn.block(covered)] if covered is not None else []
    return [*blocks, pieces.table(rows.plan_table(inputs.study, design))]


def _deviations(inputs: ReportInputs) -> list[Block]:
    tables = [
        consequence_rows(inputs.study, inputs.design, inputs.record, None if _is_unfitted(inputs) else inputs.fit),
        rows.completion_rows(inputs.fit),
        rows.failure_rows(inputs.fit),
    ]
    tables += completion_tables(inputs.fit.printed) if inputs.fit.printed is not None else ()
    said = () if inputs.fit.printed is None else inputs.fit.printed.verdicts
    rest = (rows.correction_rows(inputs.record), rows.amendment_rows(inputs.log))
    return [*map(pieces.table, tables), *pieces.verdicts(said), *map(pieces.table, rest)]


def _data(inputs: ReportInputs) -> list[Block]:
    lines = lines_table(inputs.study, calibrated.lines_of(inputs.study, inputs.record.checks))
    summary = rows.data_summary(inputs.study, inputs.record, inputs.design.confirmations)
    tables = (rows.load_rows(inputs.record), spool_rows(inputs.record), rows.check_rows(inputs.study, inputs.record), lines)
    unknown = not_recorded_table(inputs.study, inputs.record)
    return [pieces.table(table) for table in (summary, *tables, unknown) if table.rows]


def _models(inputs: ReportInputs) -> list[Block]:
    return [pieces.text(_NOT_YET)] if _is_unfitted(inputs) else model_blocks(inputs)


def _counted(inputs: ReportInputs) -> list[Block]:
    if _is_unfitted(inputs):
        return [pieces.text(_NOT_YET)]
    if not inputs.fit.summaries:
        return [pieces.text("The study has none.")]
    without = "" if has_aims(inputs.study) else " or its conformance"
    meaning = (
        "These responses are counted per setting, and modelled where the prints can carry it. They do not enter the choice of"
        f" the recommended setting{without}: judge it by the chances and by what was seen at and near it. A failed"
        " print has no grade and is counted as failed."
    )
    blocks = [pieces.text(meaning)]
    by_name = {response.name: response for response in inputs.study.responses}
    repeated = repeated_grades(inputs.study, inputs.record)
    said = list(grading_verdicts(inputs.study, repeated))
    for summary, table in zip(inputs.fit.summaries, rows.summary_rows(inputs.fit), strict=True):
        response = by_name[summary.response]
        prints = _counted_prints(inputs, response)
        blocks += [pieces.heading(words(response.name)), pieces.table(table)]
        for fit in (one for one in inputs.fit.judged if one.response == response.name):
            blocks += _judged(fit)
        agreed = agreement_table(summary.response, repeated)
        blocks += [pieces.table(agreed)] if agreed.rows else []
        blocks += pieces.verdicts(tuple(one for one in said if one.about == response.name))
        if prints is not None:
            blocks.append(drawn.block(views.share_view(inputs.study, response, prints, inputs.study.header.confidence)))
    return blocks


def _judged(fit: JudgedFit) -> list[Block]:
    return [*(pieces.table(table) for table in judged_tables(fit)), *pieces.verdicts(fit.verdicts)]


def _counted_prints(inputs: ReportInputs, response: Response) -> views.Prints | None:
    """Return the prints with a grade or a pass; one with several values meets the requirement where all of them do."""
    if response.kind == "graded" and response.at_least is None and response.at_most is None:
        return None
    met, runs = prints_that_meet(response, inputs.record), inputs.design.fitted
    runs = runs[runs["print"].isin(list(met))]
    if runs.empty:
        return None
    settings = pd.DataFrame({factor.name: runs[f"target.{factor.name}"].to_numpy() for factor in inputs.study.factors})
    return views.Prints(settings, np.array([met[name] for name in runs["print"]], dtype=float))


def _recommendation(inputs: ReportInputs) -> list[Block]:
    found = inputs.recommendation
    if found is None:
        return [pieces.text("No setting is recommended.")]
    level = inputs.study.header.confidence
    last = (
        "The desirability says what the predicted means are worth by the aims; it is no share of prints."
        if found.desirable is not None else "The conformance says which share of future prints meets the measured requirements,"
        " given that they complete; the bound is one-sided."
    )
    promises = (
        "The interval of the mean says where the long-run mean at this setting lies. The prediction interval says where one"
        f" new print, its mean over coupons, on a new drying load will lie. {last} None of them speaks of"
        f" another lot, oven or printer. {_standing(found)}"
    )
    shown = [pieces.table(table) for table in recommendation_tables(replace(found, alternatives=None), level)]
    shown += [drawn.block(view) for view in _maps(inputs, found)]
    return [pieces.text(promises), *shown, *pieces.verdicts(found.verdicts), pieces.strong(f"Next step: {found.next}")]


def _standing(found: Recommendation) -> str:
    """Return in a sentence what the setting is before prints have tried it."""
    if falls_short(found):
        return "The setting is the best one found, and does not meet the requirements: not a setting to work with."
    return "The setting is a hypothesis until prints confirm it."


def _maps(inputs: ReportInputs, found: Recommendation) -> list[drawn.View]:
    """Return the map of the bound and the margins of each requirement around the setting."""
    if inputs.chosen is None or found.window is None:
        return []
    whole = map_views.map_view(inputs.chosen, found.window)
    margins = map_views.margin_views(inputs.chosen, found.window, inputs.study.header.confidence)
    return [*([] if whole is None else [whole]), *margins]


def _confirmation(inputs: ReportInputs) -> list[Block]:
    planned, judged = inputs.trial.confirmation, inputs.trial.judgement
    if planned is None:
        return [pieces.text("No prints have tried the recommendation. Until they do it is a hypothesis.")]
    blocks = [pieces.table(table) for table in forecast_tables(planned)] + [pieces.text(one) for one in power_sentences(planned)]
    if judged is None:
        return [*blocks, pieces.text("Its prints are not judged yet.")]
    caught = "; ".join(caught_changes(planned, judged))
    said = [*judged.reasons, *([f"its prints would have caught {caught}"] if caught else []), *judged.remarks]
    said += [f"judged again by the plan as it was made: {inputs.trial.again}"] if inputs.trial.again else []
    blocks += [pieces.strong(f"Judged: {judged.verdict}.")] + [pieces.text(f"{one[:1].upper()}{one[1:]}.") for one in said]
    return [*blocks, *(pieces.table(table) for table in judgement_tables(judged))]


def _sensitivity(inputs: ReportInputs) -> list[Block]:
    return [pieces.text(_NOT_YET)] if _is_unfitted(inputs) else sensitivity_blocks(inputs)


def _cautions(inputs: ReportInputs) -> list[Block]:
    blocks = [pieces.strong(PREVAIL)]
    return [*blocks, {"kind": "list", "items": list(inputs.cautions)}] if inputs.cautions else blocks


def _provenance(inputs: ReportInputs) -> list[Block]:
    text = (
        f"Seed of the run order: {seeds(inputs.design)}. Prepared at {inputs.prepared_at}. Lines in the log: {len(inputs.log)};"
        " the log head of this report covers the last of them, and each line covers the one before it."
    )
    carried = _CARRIES_NONE if inputs.draft is not None else _CARRIES
    apart = [] if inputs.draft is not None else _apart(inputs)
    laid = evidence_rows(inputs.log)
    tables = (rows.file_digest_rows(inputs.files), *((laid,) if laid.rows else ()), rows.version_rows(inputs.versions))
    revised = [] if inputs.draft is not None else [pieces.table(revision_rows(_revisions(inputs)))]
    written = pieces.table(log_rows(inputs.log))
    return [*revised, pieces.text(text), pieces.text(carried), *apart, *map(pieces.table, tables), written]


def _apart(inputs: ReportInputs) -> list[Block]:
    """Return the workbooks of the operators, which the report does not carry, each with its digest."""
    books = {name: digest for name, digest in inputs.files.items() if name.endswith(".xlsx") and name not in inputs.attachments}
    if not books:
        return []
    return [pieces.text(_KEEP), pieces.table(replace(rows.file_digest_rows(books), title="Not attached: keep with this report"))]


def _revisions(inputs: ReportInputs) -> tuple[Issued, ...]:
    """Return every revision of the report, this one last."""
    now = inputs.revision
    own = Issued(now.number, inputs.prepared_at, study_digest(inputs.attachments), inputs.log_head, now.since)
    return (*now.earlier, own)


def _every_value(inputs: ReportInputs) -> list[Block]:
    tables = (*value_tables(inputs.study, inputs.design, inputs.record), printed_table(inputs.design, inputs.record))
    tables = tuple(table for table in tables if table.rows)
    return [pieces.table(table) for table in tables] or [pieces.text("Nothing was recorded yet.")]
