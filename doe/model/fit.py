"""The fit: from a record to coefficients, strata and verdicts, one response at a time."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from doe.design.plan import Design
from doe.model import check, coefficients, findings, graded, inference, limits, sensitivity, structure, summary
from doe.model.data import ResponseData, response_data
from doe.model.results import Fit, JudgedFit, ResponseFit
from doe.numerics import criteria, reml, surface, terms
from doe.record.match import Record
from doe.study import scale
from doe.study.spec import Response, Study
from doe.verdicts import Verdict

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

LEAST_SQUARES = "least squares"
REML = "REML, Kenward-Roger"
FEW_LOADS = "REML, Kenward-Roger; what changes from load to load by a posterior that rests on a weak prior"
NO_INFERENCE = "estimates only"


@dataclass(frozen=True)
class Fitted:
    """One response with its data and its fit, for the stages that predict."""

    data: ResponseData
    mixed: reml.MixedFit | None
    """None where the prints leave no error degree of freedom: nothing can be said about precision then."""
    inference: inference.Inference | None
    """What its intervals come from; None where ``mixed`` is."""
    random: tuple[str, ...]
    """Names of the variance components before the residual: a part of ``load``, ``print``."""
    load_dof: int | None
    """Load error degrees of freedom; None where the study has no loads."""
    print_dof: int
    """Error degrees of freedom of the prints."""
    estimates: Array
    """Coefficients, shape (p,), response units (or their logarithm)."""
    result: ResponseFit


def fit_model(
    study: Study,
    design: Design,
    record: Record,
    written_terms: Sequence[str] | None = None,
    inputs: Mapping[str, str] | None = None,
) -> tuple[Fit, tuple[Fitted, ...]]:
    """
    Fit the declared model, or the terms given, to every response, and count the graded and pass-fail ones.

    Parameters
    ----------
    study : Study
    design : Design
    record : Record
    written_terms : sequence of str, optional
        Terms of another model; the result is then labelled exploratory.
    inputs : mapping of str to str, optional
        SHA-256 of the files that were read.

    Returns
    -------
    Fit
        Results as values.
    tuple of Fitted
        The measured responses with their arrays, for predictions.
    """
    model = scale.model_terms(study, written_terms)
    fitted: list[Fitted] = []
    judged: list[JudgedFit] = []
    missing: list[Verdict] = []
    for response in study.responses:
        data = response_data(study, design, record, response, model)
        everything = response_data(study, design, record, response, model, limits=True)
        refusal = _cannot_fit(study, data, response, limited=everything is not None)
        if response.kind != "measured":
            judged.append(graded.judged_fit(study, (design, record), response, data, refusal))
        elif data is None or everything is None or refusal is not None:
            missing.extend([refusal] if refusal else [])
        else:
            fitted.append(_fit_one(study, data, everything))
    fit = Fit(
        study=study.header.id,
        exploratory=written_terms is not None,
        simulated=study.header.simulated,
        responses=tuple(one.result for one in fitted),
        summaries=summary.summaries(study, design, record),
        completion=summary.completion(study, design, record),
        verdicts=(*missing, *_averaged_over_rounds(fitted), *findings.of_record(record)),
        inputs=dict(inputs or {}),
        judged=tuple(judged),
    )
    return fit, tuple(fitted)


def predicted_mean(study: Study, one: Fitted, settings: Mapping[str, Array]) -> Array:
    """
    Return the predicted mean at some settings, the average over the printers, in response units.

    Parameters
    ----------
    study : Study
    one : Fitted
    settings : mapping of factor name to array of shape (m,)
        Natural units, or level names.

    Returns
    -------
    ndarray of shape (m,)
        With ``transform = "log"`` the median of the response.
    """
    mean: Array = one.data.rows(scale.coded(study, settings)) @ one.estimates
    return np.exp(mean) if one.data.response.transform == "log" else mean


def mean_interval(study: Study, one: Fitted, settings: Mapping[str, Array]) -> Array:
    """
    Return the confidence interval of the mean at some settings, each for itself, the average over the printers.

    Parameters
    ----------
    study : Study
    one : Fitted
        With an inference.
    settings : mapping of factor name to array of shape (m,)
        Natural units, or level names.

    Returns
    -------
    ndarray of shape (m, 2)
        Response units; with ``transform = "log"`` those of the median.
    """
    assert one.inference is not None
    found = inference.means(one.inference, one.data.rows(scale.coded(study, settings)), study.header.confidence)
    limits = np.column_stack([found.low, found.high])
    return np.exp(limits) if one.data.response.transform == "log" else limits


def _cannot_fit(study: Study, data: ResponseData | None, response: Response, limited: bool) -> Verdict | None:
    """Return why the model cannot be fitted, with what can be said all the same; None where it can."""
    if data is None and limited:
        return Verdict(
            "only limits",
            "every value is only a limit (no break, broke in grips, broke in handling): nothing was measured to fit a model to",
            "change the test so that coupons break where they should, and test again",
            response.name,
        )
    if data is None:
        return Verdict(
            "no values",
            "no print gave a value that counts",
            "collect the workbook again when values are in it; where every print failed, the settings of the failed prints are "
            "the result, and the next round needs other ranges",
            response.name,
        )
    if criteria.rank(data.X) == data.X.shape[1]:
        return None
    if len(data.names) < data.X.shape[1]:
        cause = f"{len(data.names)} prints gave values, and the model has {data.X.shape[1]} coefficients"
    else:
        groups = terms.confounded_columns(data.X)
        cause = "the prints that gave values cannot tell apart " + "; ".join(
            ", ".join(data.labels[column] for column in group) for group in groups
        )
    return Verdict("model not estimable", f"{cause}; {_seen(data)}", _smaller_model(study, data), response.name)


def _seen(data: ResponseData) -> str:
    """Return what the values themselves say, whatever the model."""
    if data.response.kind != "measured":
        return f"{len(data.names)} prints gave values, counted per setting"
    values = np.exp(data.means) if data.response.transform == "log" else data.means
    unit = f" {data.response.display_unit}" if data.response.display_unit else ""
    low, high, middle = (f"{part:.4g}" for part in (values.min(), values.max(), values.mean()))
    return f"the {len(values)} print means lie from {low} to {high}{unit}, {middle} on average"


def _smaller_model(study: Study, data: ResponseData) -> str:
    """Return what to do: record what is missing, or look at the largest part of the model that these prints can tell."""
    blocks = data.X[:, data.X.shape[1] - data.blocks :]
    kept: list[terms.Term] = [()]
    for term in (one for one in data.model if one):
        wider = np.hstack([terms.model_matrix(data.coded, (*kept, term), data.levels), blocks])
        if set(terms.with_hierarchy([term])) <= {*kept, term} and criteria.rank(wider) == wider.shape[1] < len(wider):
            kept.append(term)
    if len(kept) == 1:
        return "record the missing prints: these cannot carry any part of the model"
    written = ", ".join(scale.term_label(study, term) for term in kept[1:])
    return f'record the missing prints, or look at what these can tell with: doe fit --terms "{written}"'


def _fit_one(study: Study, data: ResponseData, everything: ResponseData) -> Fitted:
    """Fit one measured response: ``data`` are its measured values, ``everything`` has those that are only limits too."""
    found = structure.strata(data)
    fitted = structure.tried(data, found)
    used, said = _with_limits(data, everything, found, fitted)
    mixed, shown = used.mixed, used.data
    estimates = mixed.estimates if mixed else np.asarray(np.linalg.lstsq(data.X, data.means, rcond=None)[0], dtype=float)
    inferred = None if mixed is None else inference.infer(shown, mixed, found.random, found.load_dof)
    level, p = study.header.confidence, len(estimates)
    doubted = sensitivity.sensitivity(data, fitted.fit)
    result = ResponseFit(
        response=data.response.name,
        unit=data.response.display_unit,
        method=_method(mixed, found, inferred),
        level=level,
        terms=tuple(scale.term_label(study, term) for term in data.model),
        prints=len(shown.names),
        loads=shown.loads,
        values=len(shown.values),
        coefficients=coefficients.coefficients(shown, inferred, estimates, found, level),
        components=() if mixed is None else coefficients.components(mixed, found.random, len(data.values)),
        covariance=np.full((p, p), np.nan) if mixed is None else mixed.adjusted_covariance,
        lack_of_fit=check.lack_of_fit(data),
        curvature=None if mixed is None else check.curvature(data, found.random),
        stationary=_stationary(study, data, estimates),
        excluded=data.excluded,
        verdicts=(),
        limits=used.count,
        sensitivity=doubted,
    )
    verdicts = (
        *findings.of_response(result, data, found, fitted.trouble),
        *said,
        *findings.of_rounds(result, data),
        *(sensitivity.verdicts(doubted, data.response.name) if doubted else ()),
    )
    return Fitted(
        shown, mixed, inferred, found.random, found.load_dof, found.print_dof, estimates, replace(result, verdicts=verdicts)
    )


@dataclass(frozen=True)
class _Used:
    """The values and the model that a response is reported by."""

    data: ResponseData
    mixed: reml.MixedFit | None
    count: limits.LimitCount | None


def _with_limits(
    data: ResponseData, everything: ResponseData, found: structure.Strata, fitted: structure.Mixed
) -> tuple[_Used, tuple[Verdict, ...]]:
    """Return the fit in which limits count, where there are any and it can be had; else that of the measured values."""
    if everything.limits is None:
        return _Used(data, fitted.fit, None), ()
    name = data.response.name
    limited: limits.Limited | str = "the measured values alone leave no estimate of their variation"
    if fitted.fit is not None:
        limited = limits.fit_limited(everything, found)
    if isinstance(limited, str):
        count = limits.counted(everything, used=False)
        return _Used(data, fitted.fit, count), tuple(limits.verdicts(count, name, limited, converged=True))
    count = limits.counted(everything, used=True)
    return _Used(limited.data, limited.mixed, count), tuple(limits.verdicts(count, name, "", limited.converged))


def _method(mixed: reml.MixedFit | None, found: structure.Strata, inferred: inference.Inference | None) -> str:
    if mixed is None or inferred is None:
        return NO_INFERENCE
    if inferred.mixture is not None:
        return FEW_LOADS
    return REML if found.random else LEAST_SQUARES


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


def _stationary(study: Study, data: ResponseData, estimates: Array) -> dict[str, object] | None:
    """Return the stationary point of a full quadratic in numeric factors, in natural units and coded."""
    k = len(data.levels)
    if any(data.levels) or max(map(len, data.model)) > 2 or not all((index, index) in data.model for index in range(k)):
        return None
    try:
        point = surface.stationary_point(*surface.quadratic_form(estimates[: len(data.model)], data.model, range(k)))
    except ValueError:  # no curvature at all: a plane, or a constant response
        return None
    natural = {
        factor.name: float(value * factor.half_range + factor.centre)
        for factor, value in zip(study.factors, point.point, strict=True)
    }
    return {
        "point": natural,
        "coded": point.point.tolist(),
        "value": float(estimates[0] + point.offset),
        "eigenvalues": point.eigenvalues.tolist(),
        "nature": point.nature,
    }
