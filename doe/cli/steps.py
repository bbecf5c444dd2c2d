"""The steps of a study: each reads the folder, does one thing, writes its result whole with a line in the log."""

import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from doe.cli.open_study import EXPLORATORY, FIT, PAGE, RECOMMENDATION, REPORT, STUDY, Done, OpenStudy
from doe.cli.progress import after_fit, progress_of
from doe.errors import InputRefused, Problem
from doe.files import Folder, dump_json, load_json, now

if TYPE_CHECKING:
    from doe.report.inputs import ReportInputs
    from doe.study.spec import Study


def fresh_seed() -> int:
    """Return a seed that nobody chose."""
    import secrets

    return secrets.randbelow(2**31)


def require_unused(folder: Folder, what: str, remedy: str) -> None:
    """Refuse a place where there is something already; ``what`` says what starts there."""
    if folder.path.exists() and (not folder.path.is_dir() or any(folder.path.iterdir())):
        allowed = f"{what} starts in a folder of its own"
        raise InputRefused(Problem(str(folder.path), "it is already there and not empty", allowed, remedy))


def make_folder(folder: Folder) -> None:
    """Make the folder of a new study."""
    try:
        folder.path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputRefused(
            Problem(
                str(folder.path),
                f"the folder cannot be made ({error.strerror})",
                "a place where you may write",
                "choose another place",
            )
        ) from None


def outside(file: Path) -> bytes:
    """Read a file that the user named, wherever it is."""
    try:
        return file.read_bytes()
    except OSError as error:
        raise InputRefused(
            Problem(
                str(file),
                f"it cannot be read ({error.strerror})",
                "a file that exists and may be read",
                "check the name and its rights",
            )
        ) from None


def amend(folder: Folder, reason: str) -> Done:
    """Log a change of the protocol with its reason, and lock the new one."""
    from doe.design import setpoints
    from doe.report import screens
    from doe.study import amend as amendment
    from doe.study import heat, units

    with folder.locked("amend"):
        opened = OpenStudy(folder)
        study = opened.study(changed=True)
        before = amendment.locked_protocol(folder.log())
        changes = [] if before is None else amendment.changes(before, amendment.protocol(study))
        if before is None or not changes:
            found = (
                "the protocol is not locked yet" if before is None else "nothing in it differs from the locked protocol"
            )
            raise InputRefused(
                Problem(
                    STUDY, found, "an amendment changes a locked protocol", "edit study.toml first, then run this again"
                )
            )
        locked, design = type(study).model_validate(before), opened.design(study)
        verdicts = amendment.check_amendment(
            locked,
            study,
            has_plan=True,
            has_sheets=bool(folder.names("sheets/*.xlsx")),
            only_pilot=design.only_pilot,
        )
        verdicts += (*setpoints.limit_findings(study, design.runs), *heat.heat_warnings(study), *units.drying_warnings(study))
        listed = [{"key": one.key, "before": one.before, "after": one.after} for one in changes]
        opened.commit("amend", {}, reason=reason, changes=listed, protocol=amendment.protocol(study))
    return Done(
        {"reason": reason, "changes": listed, "verdicts": [one.as_data() for one in verdicts]},
        screens.verdict_tables(verdicts),
        (
            *(f"{one['key']}: {one['before']} -> {one['after']}" for one in listed),
            "The change is logged and the protocol locked again.",
        ),
    )


def sheet(folder: Folder) -> Done:
    """Write the workbook of the latest round; refused while the protocol still says what is to be written in it."""
    from doe.design import setpoints
    from doe.design.due import due_findings
    from doe.report import screens
    from doe.sheet import layout, write
    from doe.study import amend, materials, placeholders

    with folder.locked("sheet"):
        opened = OpenStudy(folder)
        study = opened.study()
        design = opened.design(study)
        number = design.rounds[-1]
        name = f"sheets/round-{number}.xlsx"
        if folder.has(name):
            raise InputRefused(
                Problem(
                    name,
                    "it is already there",
                    "operators may have written in it, so it is never overwritten",
                    "use it, or move it elsewhere and run this again",
                )
            )
        setpoints.require_settable(study, design.of_round(number))  # limits may have changed since it was planned
        left = [*placeholders.placeholder_problems(study)]
        if left:
            raise InputRefused(left)
        seal = layout.plan_digest(amend.definitions(study), design.of_round(number))
        cautions = materials.template(study.header.family).cautions
        content = write.write_workbook(study, design, number, seal, cautions, _planned_at(folder))
        opened.commit("sheet", {name: content}, round=number, digest=seal)
    due = tuple(due_findings(study, design.of_round(number), now().date()))
    told = {"verdicts": [one.as_data() for one in due]} if due else {}
    return Done(
        {"file": name, "round": number, "digest": seal, "sheets": layout.locations(study, design, number), **told},
        screens.verdict_tables(due) if due else (),
        lines=(
            f"Wrote {name} with {len(design.of_round(number))} prints. Hand it to the operators.",
            "Next, once it is filled in, even in part: doe collect",
        ),
    )


def _planned_at(folder: Folder) -> datetime.datetime | None:
    """Return when the plan was last written, so that a workbook of the same plan has the same bytes; None where no log says."""
    times = [line["time"] for line in folder.log() if "plan.csv" in line["wrote"]]
    return datetime.datetime.fromisoformat(times[-1]) if times else None


def collect(folder: Folder, books: list[Path], operator: str) -> Done:
    """Read workbooks into the record; those in ``sheets/`` where none is named."""
    from doe.cli import collecting

    return collecting.collect(folder, collecting.Asked(tuple(books), by=operator))


def fit(folder: Folder, written: str | None, *, details: bool = False) -> Done:
    """Fit the declared model, or another one that is then labelled exploratory."""
    from doe.model import agreement
    from doe.model.fit import fit_model
    from doe.model.request import FitRequest
    from doe.model.results import as_data
    from doe.report import screens
    from doe.report.agreement import agreement_tables

    with folder.locked("fit"):
        opened = OpenStudy(folder)
        study = opened.study()
        design, record = opened.design(study), opened.sound_record(study)
        progress = progress_of(design, record)
        if not progress.ended(progress.fitted):
            remedy = "run 'doe plan' first" if design.only_pilot else "fill in the workbook, then run 'doe collect'"
            found = "no print of the plan is recorded" + (" but a pilot's, which are not fitted" if progress.ended() else "")
            raise InputRefused(Problem("record/", found, "a fit needs prints of the plan", remedy))
        asked = FitRequest(_terms(written, study), opened.declared(study))
        result, _ = fit_model(study, design, record, asked, opened.declared_inputs(design, record))
        data = as_data(result)
        name = FIT if written is None else EXPLORATORY
        opened.commit("fit", {name: dump_json(data)}, exploratory=written is not None)
    lines = [] if written is None else ["This fit is exploratory: the recommendation rests on the declared model."]
    lines += [] if details else ["Checks of the models, whole factors, strata and printers: doe fit --details, or the report."]
    tables = (*screens.fit_tables(study, result, details=details), *agreement_tables(study, record))
    graded = agreement.verdicts(study, agreement.repeated_grades(study, record))
    first = screens.settle_first((*screens.fit_verdicts(result), *graded))
    return Done(data, tables, (*lines, f"Wrote {name}.", *first, f"Next: {after_fit(bool(result.responses), progress)}"))


def _terms(written: str | None, study: "Study") -> list[str] | None:
    from doe.study import scale

    if written is None:
        return None
    listed = [text.strip() for text in written.split(",") if text.strip()]
    try:
        scale.model_terms(study, listed)
    except ValueError as error:
        names = ", ".join(factor.name for factor in study.factors)
        raise InputRefused(
            Problem(
                "--terms",
                str(error),
                f"terms of the factors {names}, like 'a', 'a * b' or 'a^2', separated by commas",
                "write it anew",
            )
        ) from None
    return listed


def recommend(folder: Folder) -> Done:
    """Recommend a setting from the declared model's fit."""
    from doe.model.fit import fit_model
    from doe.model.request import FitRequest
    from doe.recommend import choose, results
    from doe.report import recommended, screens

    with folder.locked("recommend"):
        opened = OpenStudy(folder)
        study = opened.study()
        design, record = opened.design(study), opened.sound_record(study)
        inputs = opened.fitted_inputs(design, record)
        result, fitted = fit_model(study, design, record, FitRequest(declared=opened.declared(study)), inputs)
        number = _next_number(folder, opened, inputs)
        advice = choose.recommend_settings(study, design, result, fitted, number, record)
        data = results.as_data(advice)
        content, expected = dump_json(data), recommended.answer(advice, study.header.confidence)
        opened.commit("recommend", {f"recommendation-{number}.json": content, RECOMMENDATION: content}, number=number)
    return Done(
        data,
        screens.recommendation_tables(study, advice),
        (expected, "", f"Wrote {RECOMMENDATION} (number {number}).", f"Next: {advice.next}"),
    )


def _next_number(folder: Folder, opened: OpenStudy, inputs: dict[str, str]) -> int:
    """Return the latest recommendation's number where it rests on the same files, else the next one."""
    numbers = [
        int(name.removeprefix("recommendation-").removesuffix(".json"))
        for name in folder.names("recommendation-*.json")
    ]
    if not numbers:
        return 1
    name = f"recommendation-{max(numbers)}.json"
    latest = load_json(name, opened.take(name), "inputs")
    return max(numbers) if latest["inputs"] == inputs else max(numbers) + 1


def _page(inputs: "ReportInputs") -> dict[str, bytes]:
    from doe.report.page import write_page

    return {PAGE: write_page(inputs)}


def report(folder: Folder, *, page: bool = False) -> Done:
    """Write the report of everything that stands in the study now; as one page of HTML as well where that is asked for."""
    from doe.cli.report_inputs import report_inputs
    from doe.record.integrity import DRAFT, require_whole
    from doe.report.sections import study_digest
    from doe.report.write import write_report

    with folder.locked("report"):
        opened = OpenStudy(folder)
        require_whole(folder, besides=(REPORT, PAGE, DRAFT))
        inputs = report_inputs(opened)
        written = {REPORT: write_report(inputs), **(_page(inputs) if page else {})}
        issued = {"revision": inputs.revision.number, "study_digest": study_digest(inputs.attachments)}
        opened.commit("report", written, **issued)
        old = folder.has(PAGE) and not page
    more = {"page": {"file": PAGE, "bytes": len(written[PAGE])}} if page else {}
    return Done(
        {"file": REPORT, "bytes": len(written[REPORT]), **more},
        lines=(
            *(f"Wrote {folder.path / name}." for name in written),
            *([f"{PAGE} stays as it was, of an earlier report: 'doe report --html' writes it anew."] if old else []),
        ),
    )
