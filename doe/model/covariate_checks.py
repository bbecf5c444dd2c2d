"""What covariates do, whether fitted or left out of the model.

A covariate that is only checked is added to the model for a test of its own (t after Kenward and Roger), at the prints that have
it. With several checks in a study p is multiplied by their number (Bonferroni), so that at most about one study in twenty
without any such drift has a verdict: in the simulated studies that ``doe.model.covariates`` speaks of, p of a single check was
below 0.05 in 2 to 6 %. A covariate that changes from load to load only is not tested where two or fewer degrees of freedom are
left for loads.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from doe.model import structure
from doe.model.coefficients import Coefficient
from doe.model.covariates import Covariates, FittedColumn, described, p_text, scaled, widened
from doe.model.data import ResponseData, without
from doe.model.inference import FEW_LOAD_DOF
from doe.numerics import reml
from doe.numerics.terms import rank
from doe.study.spec import Covariate, Study
from doe.verdicts import Verdict

Array = NDArray[np.float64]

TELLS = 0.05
"""A checked covariate tells where its p, times the number of checks, is below this."""


@dataclass(frozen=True)
class CovariateEffect:
    """What a fitted covariate does to a response: per unit of the covariate, response units (or their logarithm)."""

    column: FittedColumn
    estimate: float
    low: float | None
    high: float | None
    p: float | None


@dataclass(frozen=True)
class CovariateCheck:
    """Whether a covariate that is not in the model tells what the model leaves over."""

    covariate: str
    unit: str
    prints: int
    """With a value of the covariate and of the response."""
    low: float | None
    """Least and greatest value seen; days from the first date."""
    high: float | None
    slope: float | None
    """Per unit of the covariate, response units (or their logarithm)."""
    p: float | None
    adjusted_p: float | None
    """``p`` times the number of checks, at most 1."""
    reason: str
    """Why there is no test; empty where there is."""
    since: str = ""
    """Date from which days count; empty for a number."""

    @property
    def tells(self) -> bool:
        """Whether a drift with it is told."""
        return self.adjusted_p is not None and self.adjusted_p < TELLS


@dataclass(frozen=True)
class ResponseCovariates:
    """The covariates of one response, fitted and checked."""

    response: str
    unit: str
    log: bool
    level: float
    effects: tuple[CovariateEffect, ...]
    checks: tuple[CovariateCheck, ...]


def covariate_effects(found: Covariates, coefficients: Sequence[Coefficient]) -> tuple[CovariateEffect, ...]:
    """
    Return what the fitted covariates do, per unit.

    Parameters
    ----------
    found : Covariates
    coefficients : sequence of Coefficient
        Of the fit to ``with_columns(data, found)``.

    Returns
    -------
    tuple of CovariateEffect
    """
    by_label = {one.label: one for one in coefficients}
    made = []
    for column in found.columns:
        one = by_label[column.name]
        low, high = (None if end is None else end / column.half_range for end in (one.low, one.high))
        made.append(CovariateEffect(column, one.estimate / column.half_range, low, high, one.p_value))
    return tuple(made)


def check_covariate(data: ResponseData, one: Covariate, values: Array, checks: int = 1) -> CovariateCheck:
    """
    Test whether a covariate tells what the model leaves over: it is added to the model, at the prints that have it.

    Parameters
    ----------
    data : ResponseData
        With the fitted covariates as columns, where there are any.
    one : Covariate
    values : ndarray of shape (n,)
        At the prints of the data, its unit; nan where missing.
    checks : int
        How many covariates are checked on how many responses in the study, for the adjustment of p.

    Returns
    -------
    CovariateCheck
    """
    column = described(one, values)
    rest = without(data, np.isnan(values)[data.of_print])
    if column is None or rest is None:
        return CovariateCheck(one.name, one.display_unit, 0, None, None, None, None, None, "it was not written down")
    rest = _carried(rest)
    untested = CovariateCheck(
        one.name, one.display_unit, len(rest.names), column.low, column.high, None, None, None, "", column.since
    )
    wider = widened(rest, scaled(column, values[~np.isnan(values)])[:, None], (one.name,))
    if reason := _untestable(rest, wider, column):
        return replace(untested, reason=reason)
    found = structure.strata(wider)
    fitted = structure.mixed_or_trouble(wider, found).fit
    if fitted is None:
        return replace(untested, reason="the values leave no estimate of their variation")
    slope = reml.contrast(fitted, np.eye(wider.X.shape[1])[-1:])
    p = float(2 * stats.t.sf(abs(slope.estimates[0]) / slope.se[0], slope.dof[0]))
    return replace(untested, slope=float(slope.estimates[0]) / column.half_range, p=p, adjusted_p=min(1.0, p * checks))


def _carried(data: ResponseData) -> ResponseData:
    """Return the data without columns of printers, rounds and covariates that the prints left do not need."""
    split = data.X.shape[1] - data.blocks
    kept = list(range(split))
    for place in range(split, data.X.shape[1]):
        if rank(data.X[:, [*kept, place]]) > rank(data.X[:, kept]):
            kept.append(place)
    return replace(data, X=data.X[:, kept], labels=tuple(data.labels[place] for place in kept))


def _untestable(rest: ResponseData, wider: ResponseData, column: FittedColumn) -> str:
    """Return why there is no test; empty where there is one."""
    if column.half_range <= 1e-9 * max(abs(column.low), abs(column.high)):
        return "it was the same at every print"
    if rank(rest.X) < rest.X.shape[1]:
        return "the prints that have it cannot carry the model"
    if rank(wider.X) < wider.X.shape[1]:
        return "it cannot be told apart from the model"
    found = structure.strata(wider)
    if found.print_dof < 1:
        return "no print is left to judge it by"
    if structure.varies_between_loads(wider)[-1] and (found.load_dof or 0) <= FEW_LOAD_DOF:
        return "it changes from load to load, and too few loads are left to judge it by"
    return ""


def response_covariates(
    study: Study, data: ResponseData, found: Covariates, values: Mapping[str, Array], coefficients: Sequence[Coefficient]
) -> ResponseCovariates:
    """
    Return the covariates of one response, fitted and checked.

    Parameters
    ----------
    study : Study
    data : ResponseData
        The measured values, with the fitted covariates as columns.
    found : Covariates
    values : mapping of str to ndarray of shape (n,)
        As of :func:`observed`, at the prints of the data.
    coefficients : sequence of Coefficient
        Of the fit, as in :func:`covariate_effects`.

    Returns
    -------
    ResponseCovariates
    """
    checks = len(found.checked) * sum(one.kind == "measured" for one in study.responses)
    return ResponseCovariates(
        response=data.response.name,
        unit=data.response.display_unit,
        log=data.response.transform == "log",
        level=study.header.confidence,
        effects=covariate_effects(found, coefficients),
        checks=tuple(check_covariate(data, one, values[one.name], checks) for one in found.checked),
    )


def check_verdicts(result: ResponseCovariates) -> Iterator[Verdict]:
    """Yield a verdict for each covariate that is not in the model and tells all the same."""
    for one in result.checks:
        if one.p is None or one.adjusted_p is None or not one.tells:
            continue
        yield Verdict(
            "covariate tells",
            f"{one.covariate} is not in the model, and {result.response} changed with it: {_change(result, one)} "
            f"(p {p_text(one.p)}, {p_text(one.adjusted_p)} allowing for all that was checked; {one.prints} prints)",
            "in the next round hold it constant, or keep to the random order so that it falls on all settings alike; to have it "
            "in the model, declare it with fit = true before the first sheet of the next study",
            result.response,
        )


def _change(result: ResponseCovariates, one: CovariateCheck) -> str:
    assert one.slope is not None and one.low is not None and one.high is not None
    per = f"per {one.unit}" if one.unit not in ("", "1") else "per unit"
    per = "per day" if one.unit == "days" else per
    spread = f"over {one.low:.4g} to {one.high:.4g} {'' if one.unit == '1' else one.unit}".rstrip()
    if result.log:
        whole = 100 * np.expm1(one.slope * (one.high - one.low))
        return f"{100 * np.expm1(one.slope):+.2g} % {per}, {whole:+.2g} % {spread}"
    return f"{one.slope:+.2g} {result.unit} {per}, {one.slope * (one.high - one.low):+.2g} {result.unit} {spread}"
