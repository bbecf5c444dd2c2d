"""The fit: from a record to coefficients, strata and verdicts, one response at a time."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from doe.design.plan import Design
from doe.model import check, findings, graded, summary
from doe.model.data import ResponseData, response_data
from doe.model.results import Coefficient, Component, Fit, JudgedFit, ResponseFit
from doe.numerics import criteria, intervals, reml, surface, terms
from doe.record.match import Record
from doe.study import scale
from doe.study.spec import Response, Study
from doe.verdicts import Verdict

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

LEAST_SQUARES = "least squares"
REML = "REML, Kenward-Roger"
NO_INFERENCE = "estimates only"


@dataclass(frozen=True)
class Fitted:
    """One response with its data and its fit, for the stages that predict."""

    data: ResponseData
    mixed: reml.MixedFit | None
    """None where the prints leave no error degree of freedom: nothing can be said about precision then."""
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
        refusal = _cannot_fit(data, response)
        if response.kind != "measured":
            judged.append(graded.judged_fit(study, (design, record), response, data, refusal))
        elif data is None or refusal is not None:
            missing.extend([refusal] if refusal else [])
        else:
            fitted.append(_fit_one(study, data))
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


def _cannot_fit(data: ResponseData | None, response: Response) -> Verdict | None:
    if data is None:
        return Verdict(
            "no values",
            "no print gave a value that counts",
            "collect the workbook again when values are in it",
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
    return Verdict(
        "model not estimable",
        cause,
        "record the missing prints, or look at a smaller model with --terms",
        response.name,
    )


@dataclass(frozen=True)
class _Strata:
    """Which variance components the prints can estimate, with the error degrees of freedom that judge them."""

    random: tuple[str, ...]
    load_dof: int | None
    """None where the study has no loads."""
    print_dof: int


def _strata(data: ResponseData) -> _Strata:
    n, columns = data.X.shape
    loads = data.loads
    if loads == 0 or loads == n:  # one print a load: the load's variation is part of the print's
        load_dof, print_dof = (n - columns if loads else None), n - columns
        random: tuple[str, ...] = ()
    else:
        both = criteria.rank(np.hstack([data.X, np.eye(loads)[data.load]]))
        load_dof, print_dof = both - columns, n - both
        random = ("load",) if load_dof >= 1 else ()
    return _Strata((*random, "print") if data.has_coupons else random, load_dof, print_dof)


def _mixed(data: ResponseData, random: Sequence[str]) -> reml.MixedFit:
    """Fit single values, or print means where coupons do not differ within any print."""
    groups = {"load": data.load, "print": np.arange(len(data.names))}
    rows = data.of_print if data.has_coupons else np.arange(len(data.names))
    values = data.values if data.has_coupons else data.means
    return reml.fit_reml(values, data.X[rows], [np.asarray(groups[name])[rows] for name in random])


def _fit_one(study: Study, data: ResponseData) -> Fitted:
    strata = _strata(data)
    mixed, trouble = None, ""
    if strata.print_dof >= 1:
        try:
            mixed = _mixed(data, strata.random)
        except ValueError as error:
            trouble = str(error)
    estimates = (
        mixed.estimates if mixed else np.asarray(np.linalg.lstsq(data.X, data.means, rcond=None)[0], dtype=float)
    )
    level = study.header.confidence
    p = len(estimates)
    result = ResponseFit(
        response=data.response.name,
        unit=data.response.display_unit,
        method=NO_INFERENCE if mixed is None else REML if strata.random else LEAST_SQUARES,
        level=level,
        terms=tuple(scale.term_label(study, term) for term in data.model),
        prints=len(data.names),
        loads=data.loads,
        values=len(data.values),
        coefficients=_coefficients(data, mixed, estimates, strata, level),
        components=() if mixed is None else _components(mixed, strata.random, len(data.values)),
        covariance=np.full((p, p), np.nan) if mixed is None else mixed.adjusted_covariance,
        lack_of_fit=check.lack_of_fit(data),
        curvature=None if mixed is None else _curvature(data, strata.random),
        stationary=_stationary(study, data, estimates),
        excluded=data.excluded,
        verdicts=(),
    )
    dof = findings.ErrorDof(strata.load_dof, strata.print_dof)
    said = (*findings.of_response(result, data, dof, trouble), *_differing_rounds(result, data))
    return Fitted(
        data, mixed, strata.random, strata.load_dof, strata.print_dof, estimates, replace(result, verdicts=said)
    )


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


def _differing_rounds(result: ResponseFit, data: ResponseData) -> Iterator[Verdict]:
    """Yield the rounds whose mean lies off the average of the rounds by more than chance."""
    for one in result.coefficients[len(result.coefficients) - len(data.rounds) + 1 :]:
        if one.p_value is not None and one.p_value < 1 - result.level:
            yield Verdict(
                "rounds differ",
                f"{one.label} lies {one.estimate:.3g} {result.unit} off the average of the rounds "
                f"(p = {one.p_value:.2g}), beyond what the model gives to their settings",
                "find out what changed between the rounds (spool, batch, nozzle), or what the model misses, before confirming",
                result.response,
            )


def _curvature(data: ResponseData, random: Sequence[str]) -> dict[str, float] | None:
    """
    Estimate how far the mean of the centre prints lies from the model through the other prints.

    It is the coefficient of an indicator of the centre, added to a model without squares. In one stratum it is the
    difference of Box, Hunter and Hunter (*Statistics for Experimenters*, 2nd ed., 2005, ch. 11).
    """
    wider = check.with_centre_indicator(data)
    if wider is None:
        return None
    try:
        found = reml.contrast(_mixed(wider, random), np.eye(wider.X.shape[1])[[-1]])
    except ValueError:  # the loads, or the prints, leave no error to judge the centre by
        return None
    estimate, se, dof = float(found.estimates[0]), float(found.se[0]), float(found.dof[0])
    return {"estimate": estimate, "se": se, "dof": dof, "p": _two_sided(estimate, se, dof)}


def _coefficients(
    data: ResponseData, mixed: reml.MixedFit | None, estimates: Array, strata: _Strata, level: float
) -> tuple[Coefficient, ...]:
    between = _varies_between_loads(data)
    p = len(estimates)
    se, dof = np.full(p, np.nan), np.full(p, np.nan)
    if mixed is not None:
        contrasts = reml.contrast(mixed, np.eye(p))
        se, dof = contrasts.se, contrasts.dof
        if strata.load_dof == 0:  # the loads are used up by these columns: no error to judge them by
            se, dof = np.where(between, np.nan, se), np.where(between, np.nan, dof)
    made = []
    for column, label in enumerate(data.labels):
        known = np.isfinite(se[column])
        limits = (
            intervals.mean_interval(estimates[[column]], se[[column]], dof[[column]], level)[0]
            if known
            else (None, None)
        )
        made.append(
            Coefficient(
                label=label,
                estimate=float(estimates[column]),
                se=float(se[column]) if known else None,
                dof=float(dof[column]) if known else None,
                low=_number(limits[0]),
                high=_number(limits[1]),
                p_value=_two_sided(float(estimates[column]), float(se[column]), float(dof[column])) if known else None,
                changes="load" if between[column] else "print",
            )
        )
    return tuple(made)


def _varies_between_loads(data: ResponseData) -> NDArray[np.bool_]:
    """Return, per column of the model, whether it is constant within every load (and loads hold several prints)."""
    if data.load is None or data.loads == len(data.names):
        return np.zeros(data.X.shape[1], dtype=bool)
    first = {code: row for row, code in reversed(list(enumerate(data.load.tolist())))}
    away = np.abs(data.X - data.X[[first[code] for code in data.load.tolist()]])
    return np.asarray(away.max(axis=0) < 1e-9)


def _components(mixed: reml.MixedFit, random: Sequence[str], values: int) -> tuple[Component, ...]:
    made = [
        Component(
            name=name,
            variance=float(mixed.variances[place]),
            dof=mixed.dof[place],
            groups=mixed.groups[place],
            at_zero=mixed.at_zero[place],
            upper_ratio=reml.upper_ratio_limit(mixed, place) if mixed.at_zero[place] else None,
        )
        for place, name in enumerate(random)
    ]
    return (*made, Component("residual", float(mixed.variances[-1]), mixed.dof[-1], values, False, None))


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


def _two_sided(estimate: float, se: float, dof: float) -> float:
    """Return the p value of Student's t for an estimate against zero."""
    return float(2 * stats.t.sf(abs(estimate) / se, dof))


def _number(value: float | None) -> float | None:
    return None if value is None else float(value)
