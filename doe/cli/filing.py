"""What the report is made of: everything in the study, read once, with the digest of each file."""

from typing import TYPE_CHECKING, Any

from doe import __version__
from doe.cli.desk import RECOMMENDATION, Desk
from doe.files import digest

if TYPE_CHECKING:
    from doe.report.write import ReportInputs

_LIBRARIES = ("numpy", "scipy", "statsmodels", "pandas", "pyDOE3", "matplotlib", "typst")


def report_inputs(desk: Desk) -> "ReportInputs":
    """
    Collect what the report shows.

    Raises
    ------
    InputRefused
        Where the study is not fitted, or was changed since.
    """
    import json
    from functools import partial

    from doe.cli import trial
    from doe.design.plan import describe
    from doe.model.fit import fit_model
    from doe.model.measured import mean_interval, predicted_mean
    from doe.model.request import FitRequest
    from doe.recommend import choose
    from doe.report.sections import TrialState
    from doe.report.write import ReportInputs
    from doe.study import materials

    study = desk.study()
    design, record = describe(study, desk.design(study)), desk.record(study)
    inputs = desk.fitted_inputs(study, design, record)
    fit, fitted = fit_model(study, design, record, FitRequest(declared=desk.declared(study)), inputs)
    advice = None
    if desk.folder.has(RECOMMENDATION):
        stored: dict[str, Any] = json.loads(desk.take(RECOMMENDATION))
        if stored["inputs"] == inputs:
            advice = choose.recommend_settings(study, design, fit, fitted, stored["number"], record)
    tried = trial.trial(desk, study, design, record)
    released = trial.release_of(desk, tried)
    log = desk.folder.log()
    before_reports = [line for line in log if line["command"] != "report"]
    files = {name: digest(desk.folder.read(name)) for name in [*desk.read, *desk.folder.names("sheets/*.xlsx")]}
    return ReportInputs(
        study=study,
        design=design,
        record=record,
        fit=fit,
        recommendation=advice,
        predict={one.result.response: partial(predicted_mean, study, one) for one in fitted},
        cautions=materials.template(study.header.family).cautions,
        log=before_reports,
        log_head=desk.folder.log_head("report"),
        files=dict(sorted(files.items())),
        versions=_versions(),
        interval={
            one.result.response: partial(mean_interval, study, one)
            for one in fitted
            if one.inference is not None and one.inference.of_loads
        },
        trial=TrialState()
        if tried is None
        else TrialState(tried.confirmation, tried.judgement, released, tried.superseded or bool(tried.stale)),
        chosen=None if advice is None else choose.chosen_setting(study, design, fitted, advice, record),
        prepared_at=before_reports[-1]["time"],
    )


def _versions() -> dict[str, str]:
    import platform
    from importlib.metadata import version

    return {"doe": __version__, "Python": platform.python_version(), **{name: version(name) for name in _LIBRARIES}}
