"""What the report is made of: everything in the study, read once, with the digest of each file."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from doe import __version__
from doe.cli.open_study import RECOMMENDATION, OpenStudy
from doe.files import LOG, Folder, digest, dump_json, load_json

if TYPE_CHECKING:
    from doe.recommend.results import Recommendation
    from doe.report.inputs import Revision
    from doe.report.write import ReportInputs

SOFTWARE = "software.json"
"""The versions that made a report, among the files that it carries."""

ONLY_SHOW = ("report", "draft")
"""Commands that only show what stands in a study: their lines in the log change nothing of it."""

_LIBRARIES = ("numpy", "scipy", "statsmodels", "pandas", "pyDOE3", "matplotlib", "typst")


def report_inputs(opened: OpenStudy, made_with: Mapping[str, str] | None = None) -> "ReportInputs":
    """
    Collect what the report shows; ``made_with`` are the versions of the software, those that run now without it.

    Raises
    ------
    InputRefused
        Where the study is not fitted, or was changed since.
    """
    from functools import partial

    from doe.cli import confirmation_state
    from doe.design.plan import describe
    from doe.model.fit import fit_model
    from doe.model.measured import mean_interval, predicted_mean
    from doe.model.request import FitRequest
    from doe.recommend import choose
    from doe.report.inputs import TrialState
    from doe.report.write import ReportInputs
    from doe.study import materials

    study = opened.study()
    design, record = describe(study, opened.design(study)), opened.record(study)
    inputs = opened.fitted_inputs(design, record)
    fit, fitted = fit_model(study, design, record, FitRequest(declared=opened.declared(study)), inputs)
    advice = None
    if opened.folder.has(RECOMMENDATION):
        stored = load_json(RECOMMENDATION, opened.take(RECOMMENDATION), "inputs", "number")
        if stored["inputs"] == inputs:
            advice = _as_logged(opened, stored)
            advice = advice or choose.recommend_settings(study, design, fit, fitted, stored["number"], record)
    tried = confirmation_state.trial(opened, design, record)
    released = confirmation_state.release_of(opened, tried)
    log, text = log_before_report(opened.folder)
    used = versions() if made_with is None else dict(made_with)
    carried = {**{name: opened.folder.read(name) for name in _carried(opened)}, LOG: text, SOFTWARE: dump_json(used)}
    files = {name: digest(content) for name, content in carried.items() if name != LOG} | _sheets(log)
    return ReportInputs(
        study=study,
        design=design,
        record=record,
        fit=fit,
        recommendation=advice,
        predict={one.result.response: partial(predicted_mean, study, one) for one in fitted},
        cautions=materials.template(study.header.family).cautions,
        log=log,
        log_head=digest(text.removesuffix(b"\n").rpartition(b"\n")[2]),
        files=dict(sorted(files.items())),
        versions=used,
        interval={
            one.result.response: partial(mean_interval, study, one)
            for one in fitted
            if one.inference is not None and one.inference.of_loads
        },
        trial=TrialState()
        if tried is None
        else TrialState(
            tried.confirmation, tried.judgement, released, tried.superseded or bool(tried.stale),
            "" if tried.again is None else tried.again["why"], confirmation_state.lapsed(opened, tried),
        ),
        chosen=None if advice is None else choose.chosen_setting(study, design, fitted, advice, record),
        prepared_at=log[-1]["time"],
        fitted=fitted,
        attachments=carried,
        revision=_revision(log),
    )


def _as_logged(opened: OpenStudy, stored: Mapping[str, Any]) -> "Recommendation | None":
    """Return the recommendation as its file has it, where this version wrote just this file; else None: it is made anew."""
    from doe.recommend.stored import from_data

    line = next((line for line in reversed(opened.folder.log()) if RECOMMENDATION in line["wrote"]), None)
    if line is None or (line["version"], line["wrote"][RECOMMENDATION]) != (__version__, digest(opened.take(RECOMMENDATION))):
        return None
    return from_data(stored)


def log_before_report(folder: Folder) -> tuple[list[dict[str, Any]], bytes]:
    """Return the log up to its last line that changed something, as data and as it stands: a second report is equal."""
    lines = folder.log()
    end = 1 + max(place for place, line in enumerate(lines) if line["command"] not in ONLY_SHOW)
    return lines[:end], b"".join(text + b"\n" for text in folder.log_texts()[:end])


def _carried(opened: OpenStudy) -> list[str]:
    """Return the names of the files that go into the report: all that it was made from, and every numbered result."""
    patterns = ("recommendation*.json", "confirmation-*.json", "judgement-*.json", "release.json")
    return sorted({*opened.read, *(name for pattern in patterns for name in opened.folder.names(pattern))})


def _sheets(log: list[dict[str, Any]]) -> dict[str, str]:
    """Return the digest of each sheet as it was collected last."""
    collected = (line["read"] for line in log if line["command"] == "collect")
    return {name: value for read in collected for name, value in read.items() if name.endswith(".xlsx")}


def _revision(log: list[dict[str, Any]]) -> "Revision":
    """Return the number of this report, and those before it; reports of one and the same state are one."""
    from doe.report.inputs import Issued, Revision

    earlier: list[Issued] = []
    began = 0
    reports = [place for place, line in enumerate(log) if line["command"] == "report"]
    for place in reports:
        if _follows(log, place) == "report":
            continue
        covered = max(at for at in range(place) if log[at]["command"] not in ONLY_SHOW)
        since, detail = tuple(log[began : covered + 1]), log[place]["detail"]
        known, head = str(detail.get("study_digest", "")), log[covered + 1]["previous"]
        earlier.append(Issued(1 + len(earlier), log[covered]["time"], known, head, since))
        began = place + 1
    since = tuple(line for line in log[began:] if line["command"] not in ONLY_SHOW) if earlier else ()
    return Revision(1 + len(earlier), since, tuple(earlier))


def _follows(log: list[dict[str, Any]], place: int) -> str:
    """Return the command of the next line of the log, drafts passed over."""
    return next(str(line["command"]) for line in log[place + 1 :] if line["command"] != "draft")


def versions() -> dict[str, str]:
    """Return the versions of what makes a report, by name."""
    import platform
    from importlib.metadata import version

    return {"doe": __version__, "Python": platform.python_version(), **{name: version(name) for name in _LIBRARIES}}
