"""
Maximum likelihood of a linear model with one normal error, for values of which some are only limits.

Written in scaled parameters, d = b / s and t = 1 / s, the log likelihood is concave::

    measured value y     log t - (t y - x'd)^2 / 2 - log(2 pi) / 2
    limits (l, u)        log {Phi(t u - x'd) - Phi(t l - x'd)}

so that Newton's steps, halved where they go too far, reach the only maximum.

References
----------
Tobin, "Estimation of relationships for limited dependent variables", Econometrica 26 (1958) 24. Olsen, "Note on the
uniqueness of the maximum likelihood estimator for the Tobit model", Econometrica 46 (1978) 1211.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from doe.numerics.leastsq import check_model, fit_least_squares
from doe.numerics.limits import Limits, read_limits, windows
from doe.numerics.terms import estimable

Array = NDArray[np.float64]

_STEPS = 200
_HALVINGS = 60
_SMALL = 1e-20  # Newton decrement (in log likelihood) at which the maximum is reached
_NARROW = 1e-6  # intervals below this share of the spread lose too many digits in differences of probabilities
_EXACT = 1e-12  # residuals below this share of the values are rounding


@dataclass(frozen=True)
class TobitFit:
    """
    A fitted model.

    Parameters
    ----------
    estimates : ndarray of shape (p,)
        Coefficients, response units.
    scale : float
        Standard deviation of the error: maximum likelihood, so without limits the root of residual_ss / n.
    covariance : ndarray of shape (p + 1, p + 1)
        Inverse of the observed information in the coefficients and log(scale).
    log_likelihood : float
        Densities of the measured values, probabilities of the others; no constant left out.
    """

    estimates: Array
    scale: float
    covariance: Array
    log_likelihood: float


def check_measured(limits: Limits, X: Array) -> None:
    """
    Refuse a model that the measured values alone cannot tell.

    Parameters
    ----------
    limits : Limits
    X : ndarray of shape (n, p)
        Model matrix, coded units.

    Raises
    ------
    ValueError
        Shapes that differ; numbers that are not finite; no measured value; too few of them for the coefficients;
        coefficients that rest on limits alone, which may have no finite estimate; an interval too narrow to compute
        with.
    """
    if X.ndim != 2 or limits.lower.shape != X.shape[:1]:
        raise ValueError("the limits and X need one entry for each value")
    check_model(np.zeros(len(X)), X)
    count, p = int(limits.measured.sum()), X.shape[1]
    if count == 0:
        raise ValueError("no value was measured, all are only limits, so no standard deviation can be estimated")
    if count <= p:
        raise ValueError(
            f"{count} measured {'value' if count == 1 else 'values'} cannot give {p} coefficients and a variance; "
            f"at least {p + 1} are needed beside those that are only limits"
        )
    if not estimable(X[limits.measured]):
        raise ValueError(
            "some coefficients rest on values that are only limits: the columns of X are linearly dependent where values "
            "were measured"
        )
    width, spread = limits.upper - limits.lower, float(np.std(limits.lower[limits.measured]))
    if np.any((width > 0) & (width < _NARROW * spread)):
        raise ValueError(
            f"an interval is narrower than {_NARROW:g} of the spread of the measured values: give it as a measured value"
        )


def fit_tobit(lower: ArrayLike, upper: ArrayLike, X: ArrayLike) -> TobitFit:
    """
    Fit y = X b + e, e normal with one standard deviation, by maximum likelihood.

    Parameters
    ----------
    lower, upper : arrays of shape (n,)
        Limits of each value, response units: equal where it was measured, infinite where there is none on that side.
    X : array of shape (n, p)
        Model matrix, coded units.

    Returns
    -------
    TobitFit

    Raises
    ------
    ValueError
        Limits that are no limits (see ``read_limits``); a model that the measured values alone cannot tell; measured
        values that lie on the model exactly; no convergence.
    """
    limits, model = read_limits(lower, upper), np.asarray(X, dtype=float)
    check_measured(limits, model)
    values = limits.lower[limits.measured]
    start = fit_least_squares(values, model[limits.measured])
    if np.sqrt(start.residual_ss) <= _EXACT * np.linalg.norm(values):
        raise ValueError("the measured values do not vary about the model, so no standard deviation can be estimated")
    t = 1 / np.sqrt(start.residual_variance)
    place = _climb(np.append(start.estimates * t, t), limits, model)
    return _fit_at(place, limits, model)


def _climb(place: Array, limits: Limits, X: Array) -> Array:
    """Newton's steps to the maximum of the concave log likelihood."""
    value, gradient, information = _likelihood(place, limits, X)
    for _ in range(_STEPS):
        step = np.linalg.solve(information, gradient)
        decrement = float(gradient @ step)
        for length in 0.5 ** np.arange(_HALVINGS):
            trial = place + length * step
            if trial[-1] <= 0:
                continue
            reached, slope, curvature = _likelihood(trial, limits, X)
            # The last steps change the value by less than its rounding; there the whole step is taken.
            if reached >= value + 1e-4 * length * decrement or decrement < 1e-9:
                break
        place, value, gradient, information = trial, reached, slope, curvature
        if decrement < _SMALL:
            return place
    raise ValueError(
        "the search for the most likely coefficients did not converge; check the limits against the values"
    )


def _likelihood(place: Array, limits: Limits, X: Array) -> tuple[float, Array, Array]:
    """Log likelihood, its gradient and minus its second derivatives, in the scaled parameters (d, t)."""
    d, t = place[:-1], place[-1]
    seen, open_ = limits.measured, ~limits.measured
    y, mean = limits.lower[seen], X @ d
    rest = t * y - mean[seen]
    a, b = t * limits.lower[open_] - mean[open_], t * limits.upper[open_] - mean[open_]
    found = windows(a, b)
    value = np.sum(np.log(t) - 0.5 * rest**2 - 0.5 * np.log(2 * np.pi)) + found.log_probability.sum()
    by_bounds, bend = _bound_derivatives(a, b, found.log_probability)
    # A bound moves by its own limit with t and by -x with d.
    sides = [np.column_stack([-X[open_], _finite(limit[open_])]) for limit in (limits.lower, limits.upper)]
    measured = np.column_stack([-X[seen], y])
    gradient = -measured.T @ rest + sum(side.T @ slope for side, slope in zip(sides, by_bounds, strict=True))
    information = measured.T @ measured
    for i, one in enumerate(sides):
        for j, other in enumerate(sides):
            information -= one.T @ (bend[i][j][:, None] * other)
    gradient[-1] += seen.sum() / t
    information[-1, -1] += seen.sum() / t**2
    return float(value), np.asarray(gradient), information


def _bound_derivatives(a: Array, b: Array, log_probability: Array) -> tuple[list[Array], list[list[Array]]]:
    """First and second derivatives of log {Phi(b) - Phi(a)} by a and b."""
    at_a, at_b = (np.exp(-0.5 * (bound**2 + np.log(2 * np.pi)) - log_probability) for bound in (a, b))
    by_a, by_b = -at_a, at_b
    bend_a, bend_b = _finite(a) * at_a - by_a**2, -_finite(b) * at_b - by_b**2
    return [by_a, by_b], [[bend_a, -by_a * by_b], [-by_a * by_b, bend_b]]


def _finite(bounds: Array) -> Array:
    """Bounds with zero in place of those that are not there: they meet a density of zero."""
    return np.where(np.isinf(bounds), 0.0, bounds)


def _fit_at(place: Array, limits: Limits, X: Array) -> TobitFit:
    """Turn the maximum back to coefficients and log(scale); the gradient is zero there, so the information turns along."""
    value, _, information = _likelihood(place, limits, X)
    estimates, scale, p = place[:-1] / place[-1], float(1 / place[-1]), X.shape[1]
    turn = np.eye(p + 1) / scale  # derivatives of (d, t) by (b, log scale)
    turn[:p, p], turn[p, p] = -estimates / scale, -1 / scale
    covariance = np.asarray(np.linalg.inv(turn.T @ information @ turn))
    return TobitFit(estimates, scale, covariance, value)
