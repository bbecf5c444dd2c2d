"""Firth's penalised likelihood of a binomial logit model: its maximum, its profile in any direction.

The penalty is half the log determinant of the information (Jeffreys' prior), so that estimates and limits are finite
whatever the data. Everything works on m parameter vectors at once: a profile has two ends in each of many directions.

References
----------
Firth, "Bias reduction of maximum likelihood estimates", Biometrika 80 (1993) 27. Heinze and Schemper, "A solution to the
problem of separation in logistic regression", Stat. Med. 21 (2002) 2409. Both from memory.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

Array = NDArray[np.float64]

_STEPS = 200
_PROFILE_STEPS = 40
_HALVINGS = 30
_CONVERGED = 1e-24  # squared Newton decrement
_PROFILED = 1e-7  # error of a limit, in standard errors
_LONGEST = 2.0  # factor by which a limit may move away from the estimate in one step
_FURTHEST = 4.0  # logits that one step may change a print's linear predictor by
_FLATTEST = 1e-6  # relative size that a direction's curvature is raised to


@dataclass(frozen=True)
class Trials:
    """Successes and trials a print, shape (n,), and the model matrix, shape (n, p), of full column rank."""

    successes: Array
    trials: Array
    X: Array


@dataclass(frozen=True)
class Points:
    """
    The penalised log likelihood at m parameter vectors.

    Parameters
    ----------
    parameters : ndarray of shape (m, p)
        Logits per coded unit.
    value : ndarray of shape (m,)
        Penalty included; minus infinity where the information is singular.
    gradient : ndarray of shape (m, p)
        First derivatives of ``value``.
    curvature : ndarray of shape (m, p, p)
        Minus the second derivatives, penalty included; far from the maximum not always positive definite.
    information : ndarray of shape (m, p, p)
        X'WX, without the penalty's part.
    residuals : ndarray of shape (m, n)
        Derivatives by the linear predictor of each print: the gradient is X' times these.
    """

    parameters: Array
    value: Array
    gradient: Array
    curvature: Array
    information: Array
    residuals: Array


def evaluate(data: Trials, parameters: Array) -> Points:
    """Return the penalised log likelihood and its derivatives at each row of ``parameters``, shape (m, p)."""
    X, predictor = data.X, parameters @ data.X.T
    share = special.expit(predictor)
    w = data.trials * share * (1 - share)
    information = (X.T * w[:, None, :]) @ X
    sign, log_det = np.linalg.slogdet(information)
    regular = (sign > 0) & np.isfinite(log_det)
    inverse = np.linalg.inv(np.where(regular[:, None, None], information, np.eye(X.shape[1])))
    products = X @ inverse @ X.T
    leverage = w * np.diagonal(products, axis1=1, axis2=2)
    from_half = 0.5 - share
    residuals = data.successes - data.trials * share + leverage * from_half
    joint = 2 * (w * from_half)[:, :, None] * products**2 * (w * from_half)[:, None, :]
    joint[:, *np.diag_indices(len(X))] += w + leverage * (share * (1 - share) - 2 * from_half**2)
    curvature = X.T @ joint @ X
    likelihood = special.log_expit(predictor) @ data.successes
    likelihood = likelihood + special.log_expit(-predictor) @ (data.trials - data.successes)
    value = np.where(regular, likelihood + 0.5 * np.where(regular, log_det, 0.0), -np.inf)
    return Points(parameters, value, residuals @ X, curvature, information, residuals)


def _positive(curvature: Array) -> Array:
    """Return the curvature, made positive definite where it is not, so that Newton's step climbs."""
    try:
        np.linalg.cholesky(curvature)
    except np.linalg.LinAlgError:
        sizes, axes = np.linalg.eigh(curvature)
        least = _FLATTEST * np.abs(sizes).max(axis=1, keepdims=True)
        return np.asarray((axes * np.maximum(np.abs(sizes), least)[:, None, :]) @ np.swapaxes(axes, 1, 2))
    return curvature


def maximise(data: Trials) -> Points:
    """Return the maximum, with m = 1."""
    here = evaluate(data, np.zeros((1, data.X.shape[1])))
    for _ in range(_STEPS):
        step = np.asarray(np.linalg.solve(_positive(here.curvature), here.gradient[..., None])[..., 0], dtype=float)
        if np.sum(step * here.gradient) < _CONVERGED:
            break
        here = _better(data, here, _capped(data, step))
    return here


def profile(data: Trials, best: Points, directions: Array, drops: Array) -> Array:
    """
    Return where the profile in a direction has dropped by so much on either side.

    Parameters
    ----------
    data : Trials
    best : Points
        From ``maximise``.
    directions : ndarray of shape (m, p)
        Linear functions of the coefficients.
    drops : ndarray of shape (m,)
        Root of twice the drop of the penalised log likelihood: a quantile of the normal distribution.

    Returns
    -------
    ndarray of shape (m, 2)
        Lower and upper ends of directions @ coefficients; nan where the search does not settle, which happens where
        half as many coefficients as prints give the penalised likelihood several maxima.

    References
    ----------
    Venzon and Moolgavkar, "A method for computing profile-likelihood-based confidence intervals", Appl. Stat. 37 (1988)
    87, from memory: each step moves the end and the other coefficients together.
    """
    sides = np.tile([-1.0, 1.0], len(directions))
    target = np.repeat(drops, 2) * sides
    paths = _paths(np.repeat(directions, 2, axis=0))
    along = paths.directions @ np.linalg.inv(best.information[0])
    se = np.sqrt(np.sum(along * paths.directions, axis=1))
    parameters = best.parameters + along * (target / se)[:, None]
    going = np.arange(len(target))
    for _ in range(_PROFILE_STEPS):
        step, is_there = _towards(data, best, parameters[going], _at(paths, going), target[going])
        parameters[going] += step
        going = going[~is_there]
        if not going.size:
            break
    parameters[going] = np.nan
    return np.asarray(np.sum(paths.directions * parameters, axis=1).reshape(-1, 2))


@dataclass(frozen=True)
class _Paths:
    """Directions (m, p), the steps (m, p) that raise them by one, and bases (m, p, p - 1) of what leaves them alone."""

    directions: Array
    units: Array
    rest: Array


def _paths(directions: Array) -> _Paths:
    p = directions.shape[1]
    full = np.linalg.qr(directions[..., None], mode="complete")[0]
    units = directions / np.sum(directions**2, axis=1, keepdims=True)
    return _Paths(directions, units, full[..., 1:] if p > 1 else np.zeros((len(directions), p, 0)))


def _at(paths: _Paths, places: NDArray[np.intp]) -> _Paths:
    return _Paths(paths.directions[places], paths.units[places], paths.rest[places])


def _towards(
    data: Trials, best: Points, parameters: Array, paths: _Paths, target: Array
) -> tuple[Array, NDArray[np.bool_]]:
    """
    Return the next step of a profile's ends, and which ends are where they should be.

    The root of twice the drop is nearly linear in the end, so that the end moves by Newton's method on the root; the
    drop is the one expected after the other coefficients' own step.
    """
    here = evaluate(data, parameters)
    curvature = here.curvature @ paths.rest
    own = _positive(np.swapaxes(paths.rest, 1, 2) @ curvature)
    pull = np.einsum("mpq,mp->mq", paths.rest, here.gradient)
    tilt = np.einsum("mpq,mp->mq", curvature, paths.units)
    solved = np.linalg.solve(own, np.stack([pull, tilt], axis=2))
    climb, follow = solved[..., 0], solved[..., 1]
    gain = np.sum(pull * climb, axis=1)
    slope = np.sum(paths.units * here.gradient, axis=1) - np.sum(tilt * climb, axis=1)
    root = np.sign(target) * np.sqrt(np.maximum(2 * (best.value - here.value) - gain, 0.0))
    away = np.sum(paths.directions * (parameters - best.parameters), axis=1)
    is_downhill = (slope * target < 0) & (root != 0)
    change = np.where(is_downhill, (root - target) * root / np.where(is_downhill, slope, 1.0), 0.0)
    change = np.clip(change / away, 1 / _LONGEST - 1, _LONGEST - 1) * away
    step = np.einsum("mpq,mq->mp", paths.rest, climb - follow * change[:, None]) + paths.units * change[:, None]
    is_there = (np.abs(target - root) < _PROFILED) & (gain < _PROFILED**2) & is_downhill
    return _capped(data, step), is_there


def _capped(data: Trials, step: Array) -> Array:
    """Return steps, shape (m, p), shortened where they move some print's linear predictor too far."""
    reach = np.abs(step @ data.X.T).max(axis=1, initial=_FURTHEST)
    return np.asarray(step * (_FURTHEST / reach)[:, None])


def _better(data: Trials, here: Points, step: Array) -> Points:
    """Return the first point along a step, halving it, that is no worse."""
    for halving in range(_HALVINGS):
        there = evaluate(data, here.parameters + step / 2**halving)
        if there.value[0] >= here.value[0] - 1e-12 * abs(here.value[0]):
            break
    return there
