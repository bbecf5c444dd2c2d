"""The fit: from a record to models of every response, with what they cannot say."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from doe.design import calibrated, calibration_findings
from doe.design.plan import PILOT, Design
from doe.model import covariates, findings, graded, summary
from doe.model.completion import completion_fit
from doe.model.data import ResponseData, in_response_units, response_data
from doe.model.measured import Fitted, fit_measured
from doe.model.request import FitRequest
from doe.model.results import Fit, JudgedFit
from doe.model.settings import readings
from doe.numerics import terms
from doe.record.declared import without_confirmations
from doe.record.match import Record
from doe.study import nonlinear_scales, scale
from doe.study.spec import Response, Study
from doe.verdicts import Verdict

DECLARED = FitRequest()
_NO_VALUES, _NOT_ESTIMABLE = "no values", "model not estimable"
_LEAST_DOF = 4
"""Error degrees of freedom that a smaller model is to leave before it is offered; common practice, no source."""


def fit_model(
    study: Study,
    design: Design,
    record: Record,
    request: FitRequest = DECLARED,
    inputs: Mapping[str, str] | None = None,
) -> tuple[Fit, tuple[Fitted, ...]]:
    """
    Fit the declared model, or another one, to every response, and count the graded and pass-fail ones.

    Prints of rounds that confirm a recommendation are left out: they judge the fit (``record/declared.py``).

    Parameters
    ----------
    study : Study
    design : Design
    record : Record
    request : FitRequest, optional
    inputs : mapping of str to str, optional
        SHA-256 of the files that were read.

    Returns
    -------
    Fit
        Results as values.
    tuple of Fitted
        The measured responses with their arrays, for predictions.
    """
    design, record = without_confirmations(design, record)
    model = scale.model_terms(study, request.terms)
    fitted: list[Fitted] = []
    judged: list[JudgedFit] = []
    missing: list[Verdict] = []
    for response in study.responses:
        data = response_data(study, design, record, response, model)
        everything = response_data(study, design, record, response, model, limits=True)
        refusal = _while_some_are_to_come(cannot_fit(study, data, response, limited=everything is not None), design, record)
        if response.kind != "measured":
            judged.append(graded.judged_fit(study, (design, record), response, data, refusal))
        elif data is None or everything is None or refusal is not None:
            missing.extend([refusal] if refusal else [])
        else:
            found = covariates.covariate_columns(study, design, record, data, request.declared)
            seen = covariates.observed(study, design, record, data.names)
            fitted.append(fit_measured(study, (data, everything), found, seen, examine=request.examine))
    read = readings(study, design, record)
    fit = Fit(
        study=study.header.id,
        exploratory=request.terms is not None,
        simulated=study.header.simulated,
        responses=tuple(one.result for one in fitted),
        summaries=summary.summaries(study, design, record),
        completion=summary.completion(study, design, record),
        verdicts=(*missing, *_averaged_over_rounds(fitted), *findings.of_record(record), *findings.of_corrections(record, study),
            *findings.of_readings(read, study), *_of_lines(study, design, record), *nonlinear_scales.verdicts(study)),
        inputs=dict(inputs or {}),
        judged=tuple(judged),
        printed=completion_fit(study, design, record, model, study.header.confidence),
        readings=read,
    )
    return fit, tuple(fitted)


def _of_lines(study: Study, design: Design, record: Record) -> Iterator[Verdict]:
    """Yield what is to be said of the printers' readings: drift, setpoints beyond them, probes overdue."""
    lines = calibrated.lines_of(study, record.checks)
    yield from calibration_findings.line_findings(study, lines)
    yield from calibration_findings.beyond_findings(study, design.runs, lines)
    yield from calibration_findings.overdue_findings(study, record.checks)


def _while_some_are_to_come(refusal: Verdict | None, design: Design, record: Record) -> Verdict | None:
    """Return why a model cannot be fitted; where prints are not recorded yet, that is the cause, no smaller model the remedy."""
    planned = set(design.runs.loc[design.runs["round"] != PILOT, "print"])
    ended = set(record.prints.loc[record.prints["outcome"] != "", "print"])
    to_come = len(planned - ended)
    if refusal is None or not to_come or refusal.name not in (_NOT_ESTIMABLE, _NO_VALUES):
        return refusal
    are = "print is" if to_come == 1 else "prints are"
    return replace(
        refusal,
        cause=f"{to_come} of {len(planned)} {are} still to come; {refusal.cause}",
        next_step="collect the workbook again when they are in (doe collect), then fit",
    )


def cannot_fit(study: Study, data: ResponseData | None, response: Response, limited: bool) -> Verdict | None:
    """Return why the model cannot be fitted, with what can be said all the same; None where it can."""
    if data is None and limited:
        return Verdict(
            "only limits",
            "every value is only a limit (a coupon that did not break where it should, or what came off the bed): nothing was "
            "measured to fit a model to",
            "change the test so that coupons break where they should; where prints came off, print within other ranges",
            response.name,
        )
    if data is None:
        return Verdict(
            _NO_VALUES,
            "no print gave a value that counts",
            "collect the workbook again when values are in it; where every print failed, the settings of the failed prints are "
            "the result, and the next round needs other ranges",
            response.name,
        )
    if terms.rank(data.X) == data.X.shape[1]:
        return None
    if len(data.names) < data.X.shape[1]:
        cause = f"{len(data.names)} prints gave values, and the model has {data.X.shape[1]} coefficients"
    else:
        groups = terms.confounded_columns(data.X)
        cause = "the prints that gave values cannot tell apart " + "; ".join(
            ", ".join(data.labels[column] for column in group) for group in groups
        )
    return Verdict(_NOT_ESTIMABLE, f"{cause}; {_seen(data)}", _smaller_model(study, data), response.name)


def _seen(data: ResponseData) -> str:
    """Return what the values themselves say, whatever the model."""
    if data.response.kind != "measured":
        return f"{len(data.names)} prints gave values, counted per setting"
    values = in_response_units(data.response, data.means)
    unit = f" {data.response.display_unit}" if data.response.display_unit else ""
    low, high, middle = (f"{part:.4g}" for part in (values.min(), values.max(), values.mean()))
    return f"the {len(values)} print means lie from {low} to {high}{unit}, {middle} on average"


def _smaller_model(study: Study, data: ResponseData) -> str:
    """Return what to do: record what is missing, or look at the largest part of the model that these prints can tell."""
    blocks = data.X[:, data.X.shape[1] - data.blocks :]
    kept: list[terms.Term] = [()]
    for term in (one for one in data.model if one):
        wider = np.hstack([terms.model_matrix(data.coded, (*kept, term), data.levels), blocks])
        if set(terms.with_hierarchy([term])) <= {*kept, term} and terms.rank(wider) == wider.shape[1] <= len(wider) - _LEAST_DOF:
            kept.append(term)
    if len(kept) == 1:
        return "record the missing prints: these cannot carry any part of the model"
    written = ", ".join(scale.term_label(study, term) for term in kept[1:])
    return f'record the missing prints, or look at what these can tell with: doe fit --terms "{written}"'


def _averaged_over_rounds(fitted: Sequence[Fitted]) -> Iterator[Verdict]:
    """Yield for which rounds the predictions hold, where prints of several are fitted together."""
    rounds = max((one.data.rounds for one in fitted), key=len, default=())
    if len(rounds) > 1:
        yield Verdict(
            "average over the rounds",
            f"prints of rounds {', '.join(rounds)} are fitted together with a fixed difference between rounds, and every "
            "prediction holds for the average of these rounds",
            "keep material, printers and conditions as they were: what changes between rounds is not in the intervals",
        )
