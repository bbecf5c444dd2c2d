"""What a fit says of new prints at one setting: their mean, each of them, the chance to catch a drop.

With rows x_1 ... x_P of the setting, one a printer, everything needed of the fit is P numbers and P x P matrices, so that it
can be frozen before the prints are made and used whichever of them complete. m new prints, one on each of m new loads, with
weights w on the printers (their shares of the m) and c_i coupons::

    variance of mean - prediction = w'(X Cov X')w + (s_load + s_print) / m + s_coupon sum(1 / c_i) / m^2

with degrees of freedom after Satterthwaite, as in ``reml.prediction``.

The setting was chosen because its prediction is the best, so its errors flatter it. The part of the variance that is the
prediction's own is therefore multiplied by ``choice_factor``: the squared ratio of the normal quantile of Bonferroni's interval
for six times as many means as coefficients to the plain one, 3.1 for 15 coefficients; of a posterior, which few load error
degrees of freedom ask for and which is wider to begin with, by its root. Found by simulation: ``tests/studies/confirmation.csv``
says how often an unchanged material was called changed with it, and without it.

References
----------
Satterthwaite, "An approximate distribution of estimates of variance components", Biometrics Bulletin 2 (1946) 110. Johnson
and Welch, "Applications of the non-central t-distribution", Biometrika 31 (1940) 362, for the chance to catch a drop (from
memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from doe.numerics.mixture import Mixture, mixture_interval
from doe.numerics.reml import MixedFit

Array = NDArray[np.float64]

_MEANS_PER_COEFFICIENT = 6
_LEAST_DOF = 1.0
_NODES = 2000
_LEAST_OWN = 1e-12  # of the variance that a coupon has by itself


@dataclass(frozen=True)
class Prospect:
    """
    What a fit says of one setting on each of P printers.

    Parameters
    ----------
    estimates : ndarray of shape (P,)
        Predicted means, response units.
    covariance, adjusted : ndarray of shape (P, P)
        Of the predictions: at the estimated components, and with the inflation of Kenward and Roger.
    slopes : ndarray of shape (K + 1, P, P)
        Derivative of ``covariance`` by each component.
    variances : ndarray of shape (K + 1,)
        Components, the residual last, response units squared.
    variances_covariance : ndarray of shape (K + 1, K + 1)
        Of the estimated components, their units squared.
    coefficients : int
        How many the model has.
    of_coupons : bool
        Whether the residual is the coupons' (and not the prints').
    posterior : Mixture or None
        Of the P means, where intervals come from it.
    """

    estimates: Array
    covariance: Array
    adjusted: Array
    slopes: Array
    variances: Array
    variances_covariance: Array
    coefficients: int
    of_coupons: bool
    posterior: Mixture | None


@dataclass(frozen=True)
class NewPrints:
    """
    New prints, each on a new load.

    Parameters
    ----------
    printer : tuple of int
        The place of each one's printer among the P.
    coupons : tuple of int
        How many coupons each one's mean is of.
    """

    printer: tuple[int, ...]
    coupons: tuple[int, ...]


@dataclass(frozen=True)
class Ahead:
    """The mean of new prints, before it is known: estimate, standard error of its difference from it, dof, and limits."""

    estimate: float
    se: float
    dof: float
    low: float
    high: float


def prospect(fit: MixedFit, rows: ArrayLike, *, of_coupons: bool, posterior: Mixture | None = None) -> Prospect:
    """
    Reduce a fit to what it says of one setting.

    Parameters
    ----------
    fit : MixedFit
    rows : array of shape (P, p)
        Model rows of the setting, one a printer.
    of_coupons : bool
        Whether the fit was made from single coupons, with a print component.
    posterior : Mixture, optional
        Where intervals come from it: of all p coefficients.

    Returns
    -------
    Prospect

    Raises
    ------
    ValueError
        Rows of another length than p.
    """
    X = np.atleast_2d(np.asarray(rows, dtype=float))
    if X.shape[1] != len(fit.estimates):
        raise ValueError(f"rows need {len(fit.estimates)} columns, not {X.shape[1]}")
    reduced = posterior
    if posterior is not None:
        reduced = Mixture(
            posterior.ratios,
            posterior.weights,
            posterior.q,
            posterior.centres @ X.T,
            X @ posterior.covariances @ X.T,
            posterior.dof,
        )
    return Prospect(
        estimates=X @ fit.estimates,
        covariance=X @ fit.covariance @ X.T,
        adjusted=X @ fit.adjusted_covariance @ X.T,
        slopes=X @ fit.covariance_slopes @ X.T,
        variances=fit.variances,
        variances_covariance=fit.variances_covariance,
        coefficients=len(fit.estimates),
        of_coupons=of_coupons,
        posterior=reduced,
    )


def choice_factor(coefficients: int, level: float) -> float:
    """Return by what the variance of a prediction is multiplied at a setting that was chosen by it; see above."""
    error = (1 - level) / 2
    chosen = stats.norm.isf(error / (_MEANS_PER_COEFFICIENT * coefficients))
    return float((chosen / stats.norm.isf(error)) ** 2)


def mean_ahead(known: Prospect, new: NewPrints, level: float, *, chosen: bool = True) -> Ahead:
    """
    Predict the mean of new prints.

    Parameters
    ----------
    known : Prospect
    new : NewPrints
        One or more.
    level : float
        Two-sided.
    chosen : bool
        Whether the setting was chosen by its predictions.

    Returns
    -------
    Ahead

    Raises
    ------
    ValueError
        No print, or a level outside (0, 1).
    """
    if not new.printer or not 0 < level < 1:
        raise ValueError("at least one print and a level between 0 and 1 are needed")
    weights = np.bincount(new.printer, minlength=len(known.estimates)) / len(new.printer)
    extra = _extra(known, new)
    added = float(extra @ known.variances)
    variance = weights @ known.covariance @ weights + added
    slopes = np.einsum("p,kpq,q->k", weights, known.slopes, weights) + extra
    dof = float(2 * variance**2 / (slopes @ known.variances_covariance @ slopes))
    own = float(weights @ known.adjusted @ weights)
    centre = float(weights @ known.estimates)
    if known.posterior is None:
        factor = choice_factor(known.coefficients, level) if chosen else 1.0
        reach = stats.t.isf((1 - level) / 2, dof) * np.sqrt(factor * own + added)
        low, high = centre - reach, centre + reach
    else:
        factor = np.sqrt(choice_factor(known.coefficients, level)) if chosen else 1.0
        low, high = _of_posterior(known.posterior, weights, extra, factor, level)
    return Ahead(centre, float(np.sqrt(own + added)), dof, float(low), float(high))


def _extra(known: Prospect, new: NewPrints) -> Array:
    """Return how much of each variance the mean of the prints has, residual last."""
    m = len(new.printer)
    residual = sum(1 / count for count in new.coupons) / m**2 if known.of_coupons else 1 / m
    return np.array([1 / m] * (len(known.variances) - 1) + [residual])


def _of_posterior(found: Mixture, weights: Array, extra: Array, factor: float, level: float) -> tuple[float, float]:
    """Return limits from the posterior; the part of their distance that is the prediction's own is widened for the choice."""
    if found.ratios.shape[1] + 1 != len(extra):  # of print means: the coupons' part is in the residual
        extra = np.full(found.ratios.shape[1] + 1, extra[0])
    centre = float(found.weights @ (found.centres @ weights))
    own, whole = mixture_interval(found, weights, level=level)[0], mixture_interval(found, weights, extra, level)[0]
    low, high = np.sqrt((whole - centre) ** 2 + (factor - 1) * (own - centre) ** 2)
    return centre - float(low), centre + float(high)


def each_ahead(known: Prospect, new: NewPrints, level: float, *, chosen: bool = True) -> tuple[Ahead, ...]:
    """
    Predict each of some new prints, with intervals that hold for all of them together (Bonferroni).

    Parameters
    ----------
    known : Prospect
    new : NewPrints
    level : float
        Of all together, at least.
    chosen : bool
        Whether the setting was chosen by its predictions.

    Returns
    -------
    tuple of Ahead, one a print
    """
    count = max(1, len(new.printer))
    single = 1 - (1 - level) / count
    return tuple(
        mean_ahead(known, NewPrints((printer,), (coupons,)), single, chosen=chosen)
        for printer, coupons in zip(new.printer, new.coupons, strict=True)
    )


def new_print_sd(known: Prospect, coupons: int) -> float:
    """Return the standard deviation of a new print's mean over its coupons on a new load, all components, response units."""
    return float(np.sqrt(_extra(known, NewPrints((0,), (coupons,))) @ known.variances))


def chance_to_catch(known: Prospect, new: NewPrints, level: float, drop: float) -> float:
    """
    Return the chance that the mean of new prints falls below its interval where the true mean has dropped.

    The noncentral t at the estimated components, taken as if the prediction did not flatter: where it does, a drop is caught
    more often.

    Parameters
    ----------
    known : Prospect
    new : NewPrints
    level : float
        Of the interval that the mean is judged by.
    drop : float
        Response units, positive.

    Returns
    -------
    float
    """
    ahead = mean_ahead(known, new, level)
    beyond = (ahead.estimate - ahead.low) / ahead.se
    return float(stats.nct.sf(beyond, max(ahead.dof, _LEAST_DOF), drop / ahead.se))


def chance_of_misses(known: Prospect, missed: int, counts: Sequence[int], share: float) -> float:
    """
    Return the chance that so many values of new prints, or more, miss their requirement where a share of values meets it.

    Coupons of one print are alike: given what load and print do, each misses with the same chance. That is a normal one whose
    mean over the prints is ``1 - share``, with the components' estimated part of the variance (averaged over 2,000 prints of
    equal probability).

    Parameters
    ----------
    known : Prospect
        Of a fit of coupons, which tells how much alike they are; values of a fit of print means are independent.
    missed : int
        How many values of all the prints missed their requirement.
    counts : sequence of int
        Values of each print.
    share : float
        Between 0 and 1.

    Returns
    -------
    float
    """
    total = float(known.variances.sum())
    alike = float(known.variances[:-1].sum()) / total if known.of_coupons and total > 0 else 0.0
    of_print = stats.norm.ppf((np.arange(_NODES) + 0.5) / _NODES)
    failing = stats.norm.cdf((stats.norm.ppf(1 - share) - np.sqrt(alike) * of_print) / np.sqrt(max(1 - alike, _LEAST_OWN)))
    of_count = {
        count: stats.binom.pmf(np.arange(count + 1), count, failing[:, None]).mean(axis=0) for count in set(counts)
    }
    chances = np.ones(1)
    for count in counts:
        chances = np.convolve(chances, of_count[count])
    return float(chances[missed:].sum())
