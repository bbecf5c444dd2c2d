"""The results of a fit as frozen values: what ``fit.json``, the terminal or the report show."""

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from doe.model.choice import Choice
from doe.model.coefficients import Coefficient, Component
from doe.model.completion import CompletionFit
from doe.model.covariate_checks import ResponseCovariates
from doe.model.diagnosed import Diagnostics
from doe.model.effects import Effects, StratumRow
from doe.model.limits import LimitCount
from doe.model.printers import PrinterEffects
from doe.model.sensitivity import Sensitivity
from doe.model.settings import Readings
from doe.verdicts import Verdict

Array = NDArray[np.float64]


@dataclass(frozen=True)
class ResponseFit:
    """The declared (or an exploratory) model fitted to one measured response."""

    response: str
    unit: str
    method: str
    """In words, one of the constants of ``measured``: ``REML, Kenward-Roger``, ``least squares``, ..., ``estimates only``."""
    level: float
    terms: tuple[str, ...]
    prints: int
    loads: int
    values: int
    """How many single values (coupons, or prints where one value a print)."""
    coefficients: tuple[Coefficient, ...]
    components: tuple[Component, ...]
    covariance: Array
    """Kenward-Roger adjusted covariance of the coefficients, shape (p, p)."""
    lack_of_fit: dict[str, float] | None
    """``ss_lof, df_lof, ss_pe, df_pe, f, p`` on print means, within loads and printers; None where it cannot be tested."""
    curvature: dict[str, float] | None
    """``estimate, se, dof, p`` of centre minus corners for a two-level plan with centre points; else None."""
    stationary: dict[str, object] | None
    """``point`` (natural units by factor), ``coded``, ``value``, ``eigenvalues``, ``nature``; quadratic models only."""
    excluded: tuple[tuple[str, str], ...]
    """(print or coupon, reason) for every value that did not enter, with the outcome."""
    verdicts: tuple[Verdict, ...]
    limits: LimitCount | None = None
    """Values that are only limits; None where there are none."""
    sensitivity: Sensitivity | None = None
    """The same model without the values in doubt; None where none is."""
    diagnostics: Diagnostics | None = None
    """Checks of the fit of the measured values, and every print with its residual."""
    effects: Effects | None = None
    """Joint tests of whole terms and factors."""
    strata: tuple[StratumRow, ...] = ()
    """Sums of squares by stratum; empty where some values are only limits."""
    printers: PrinterEffects | None = None
    """Whether factors act differently on the printers; None with one printer or none."""
    choice: Choice | None = None
    """Smaller models beside the declared one; None where nothing was left to judge by."""
    covariates: ResponseCovariates | None = None
    """Those in the model, and those that are only checked; None where the study has none."""


@dataclass(frozen=True)
class Summary:
    """A graded or pass-fail response, counted per setting."""

    response: str
    kind: str
    rows: tuple[dict[str, object], ...]
    """One row a setting: ``setting`` (text), ``values`` (how many), ``counts`` (by grade, or pass and fail), ``meets``."""


@dataclass(frozen=True)
class JudgedColumn:
    """One column of the model of a graded or pass-fail response; coded units of the factors."""

    label: str
    """In words, as in ``Coefficient``; ``intercept, grade 4 or better`` for each boundary between grades that were seen."""
    estimate: float
    """Change of the log odds of a better grade, or of passing; for an intercept the log odds where all else is 0."""
    low: float | None
    """Limits of its interval at the level of the fit, differences of loads allowed for; None where there is none."""
    high: float | None


@dataclass(frozen=True)
class JudgedSetting:
    """One planned setting that was printed: what was seen there, and the chance of meeting the requirement."""

    cell: int
    """The plan's cell."""
    setting: str
    """In words."""
    values: int
    """How many prints (or coupons, with that unit) were judged."""
    meets: int
    """How many of them meet the requirement."""
    failed: int
    """Prints that failed there: they have no value."""
    chance: float | None
    """That one on a load taken at random meets the requirement, given that the print completes; None without a model."""
    low: float | None
    """Limits of the confidence interval of the chance, for this setting alone."""
    high: float | None


@dataclass(frozen=True)
class JudgedFit:
    """The declared (or an exploratory) model fitted to one graded or pass-fail response."""

    response: str
    kind: str
    """``graded`` or ``pass_fail``."""
    requirement: str
    unit: str
    """What a chance is of: ``print``, ``coupon``, or ``print, judged by its worst coupon``."""
    method: str
    """The model in words; ``counts only`` where the prints cannot carry it."""
    level: float
    terms: tuple[str, ...]
    prints: int
    """Prints that were judged."""
    loads: int
    values: int
    """How many single values (coupons, or prints where one value a print)."""
    failed: int
    """Prints that failed, and so have no value."""
    columns: tuple[JudgedColumn, ...]
    """Those of the model, the printers and the rounds; empty without a model."""
    settings: tuple[JudgedSetting, ...]
    load_sd: float | None
    """Standard deviation of loads, logits (median of its posterior); None where no load holds several prints."""
    proportionality: dict[str, float] | None
    """``statistic, dof, p`` of the test of equal effects at every grade; None where there is none."""
    untested: str
    """Why there is no such test; empty where there is."""
    excluded: tuple[tuple[str, str], ...]
    """(print or coupon, reason) for every value that did not enter, with the outcome."""
    verdicts: tuple[Verdict, ...]


@dataclass(frozen=True)
class Completion:
    """How the prints ended, per outcome and per setting with failures."""

    outcomes: dict[str, int]
    failures: tuple[dict[str, object], ...]
    """One row a failed print: ``print``, ``printer``, ``load``, ``outcome``, ``setting``."""


@dataclass(frozen=True)
class Fit:
    """All responses of a study, fitted and counted."""

    study: str
    exploratory: bool
    simulated: bool
    responses: tuple[ResponseFit, ...]
    summaries: tuple[Summary, ...]
    completion: Completion
    verdicts: tuple[Verdict, ...]
    inputs: dict[str, str]
    """SHA-256 of each file the fit was made from."""
    judged: tuple[JudgedFit, ...] = ()
    """Models of the graded and pass-fail responses, in the order of ``summaries``."""
    printed: CompletionFit | None = None
    """Whether prints complete: counts and model; None where no print was tried."""
    readings: tuple[Readings, ...] = ()
    """What readings of actual values at the prints are worth, of the factors whose reading the study trusts."""


def as_data(value: Any) -> Any:  # noqa: ANN401 - any result
    """Return a result as plain data for JSON: dataclasses to objects, arrays and tuples to lists, no number to null."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: as_data(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {str(key): as_data(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [as_data(item) for item in value]
    if isinstance(value, np.ndarray):
        return as_data(value.tolist())
    if isinstance(value, np.generic):
        return as_data(value.item())
    if isinstance(value, float) and not np.isfinite(value):
        return None
    return value
