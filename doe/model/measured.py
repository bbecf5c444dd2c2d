"""The fit of one measured response, with what the stages that predict need of it."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from doe.model import (
    check,
    choice,
    coefficients,
    covariate_checks,
    covariates,
    diagnosed,
    diagnostics,
    effects,
    findings,
    inference,
    limits,
    printers,
    sensitivity,
    structure,
)
from doe.model.data import ResponseData, in_response_units
from doe.model.results import ResponseFit
from doe.numerics import reml, surface
from doe.study import scale
from doe.study.spec import Factor, Study
from doe.verdicts import Verdict

Array = NDArray[np.float64]

LEAST_SQUARES = "least squares"
REML = "REML, Kenward-Roger"
NO_LOADS = "REML, Kenward-Roger, for what changes within loads; nothing is known of the variation from load to load"
FEW_LOADS = "REML, Kenward-Roger; what changes from load to load by a posterior that rests on a weak prior"
NO_INFERENCE = "estimates only"


@dataclass(frozen=True)
class Fitted:
    """One response with its data and its fit, for the stages that predict."""

    data: ResponseData
    """What the fit rests on: limits as the values that they act like."""
    measured: ResponseData
    """The measured values alone."""
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


def fit_measured(
    study: Study,
    values: tuple[ResponseData, ResponseData],
    extra: covariates.Covariates,
    seen: Mapping[str, Array],
    *,
    examine: bool = True,
) -> Fitted:
    """
    Fit one measured response.

    Parameters
    ----------
    study : Study
    values : tuple of two ResponseData
        Measured values, whose model's columns can be told apart; and these with those that are only limits.
    extra : Covariates
        What becomes of the covariates.
    seen : mapping of covariate to array of shape (n,)
        Their values at the prints of the measured values.
    examine : bool
        Whether the model is examined as well.

    Returns
    -------
    Fitted
    """
    data, everything = (covariates.with_columns(one, extra) for one in values)
    found = structure.strata(data)
    fitted = structure.mixed_or_trouble(data, found)
    used, said = _with_limits(data, everything, found, fitted)
    mixed = used.mixed
    estimates = mixed.estimates if mixed else np.asarray(np.linalg.lstsq(data.X, data.means, rcond=None)[0], dtype=float)
    inferred = None if mixed is None else inference.infer(used.data, mixed, found.random, found.load_dof)
    result = _result(study, data, used, found, inferred, estimates)
    if examine:
        judged_by, more = _examined(data, used, (fitted, found), result.level)
        result, said = replace(result, **judged_by), (*said, *more)
    if study.covariates:
        judged = covariate_checks.response_covariates(study, data, extra, seen, result.coefficients)
        result = replace(result, covariates=judged)
        said = (*said, *extra.verdicts, *covariate_checks.check_verdicts(judged))
    counted = everything if used.count is not None and used.count.used else data
    doubted = sensitivity.sensitivity(counted, mixed)
    if doubted is not None:
        result = replace(result, sensitivity=doubted)
        said = (*said, *sensitivity.verdicts(doubted, data.response.name))
    said = (*findings.of_response(result, everything, found, fitted.trouble), *said, *findings.of_rounds(result, data))
    return Fitted(
        data=used.data,
        measured=data,
        mixed=mixed,
        inference=inferred,
        random=found.random,
        load_dof=found.load_dof,
        print_dof=found.print_dof,
        estimates=estimates,
        result=replace(result, verdicts=said),
    )


def _examined(
    data: ResponseData, used: "_Used", measured: tuple[structure.Mixed, structure.Strata], level: float
) -> tuple[dict[str, Any], tuple[Verdict, ...]]:
    """
    Return what examines the model, by its key in the result, with its verdicts.

    Joint tests are those of the reported fit; all else looks at the measured values alone, which the tables say.
    """
    fitted, found = measured
    name, unit = data.response.name, data.response.display_unit
    looked = diagnostics.diagnose(data, fitted.fit, found.random)
    joint = effects.effects(used.data, used.mixed, found.random)
    said = (*diagnosed.verdicts(looked, name, unit), *effects.verdicts(joint))
    parts: dict[str, Any] = {"diagnostics": looked, "effects": joint, "strata": effects.strata_table(data)}
    smaller = choice.choose(data, fitted.fit, found.random)
    if smaller is not None:
        parts["choice"] = smaller
        said = (*said, *choice.verdicts(smaller))
    if len(data.printers) > 1:
        parts["printers"] = printers.printer_effects(data, found.random, level)
        said = (*said, *printers.verdicts(parts["printers"]))
    return parts, said


def _result(
    study: Study,
    data: ResponseData,
    used: "_Used",
    found: structure.Strata,
    inferred: inference.Inference | None,
    estimates: Array,
) -> ResponseFit:
    """Return the fit as values, verdicts and what stands beside it left out."""
    level, p = study.header.confidence, len(estimates)
    return ResponseFit(
        response=data.response.name,
        unit=data.response.display_unit,
        method=_method(used.mixed, found, inferred),
        level=level,
        terms=tuple(scale.term_label(study, term) for term in data.model),
        prints=len(used.data.names),
        loads=used.data.loads,
        values=len(used.data.values),
        coefficients=coefficients.coefficients(used.data, inferred, estimates, found, level),
        components=() if used.mixed is None else coefficients.components(used.mixed, found.random, len(used.data.values)),
        covariance=np.full((p, p), np.nan)
        if used.mixed is None or found.load_dof == 0
        else used.mixed.adjusted_covariance,
        lack_of_fit=check.lack_of_fit(data),
        curvature=None if used.mixed is None else check.curvature(data, found.random),
        stationary=_stationary(study, data, estimates),
        excluded=data.excluded,
        verdicts=(),
        limits=used.count,
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
    if not inferred.of_loads:
        return NO_LOADS
    return REML if found.random else LEAST_SQUARES


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
    return in_response_units(one.data.response, mean)


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
    return in_response_units(one.data.response, np.column_stack([found.low, found.high]))


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
        factor.name: _in_unit(factor, float(value)) for factor, value in zip(study.factors, point.point, strict=True)
    }
    return {
        "point": natural,
        "coded": point.point.tolist(),
        "value": float(estimates[0] + point.offset),
        "eigenvalues": point.eigenvalues.tolist(),
        "nature": point.nature,
    }


def _in_unit(factor: Factor, coded: float) -> float:
    """Return a coded value in the factor's unit; NaN where none stands for it."""
    return float(factor.coding.natural(coded) if factor.has_nonlinear_scale else coded * factor.half_range + factor.centre)
