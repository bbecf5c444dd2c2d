"""The power of a plan: how probably a true effect of a given size is found, by approximation or by simulation.

Everything is in units of the standard deviation between prints of one load; the loads add their own with variance
``ratio``. A test is the one of the fit: Student's t of one contrast, or the F of several, with Kenward-Roger standard
errors and degrees of freedom (``precision.py``).

The approximation takes the noncentral t or F with the variance and the degrees of freedom at the assumed ratio, as if it
did not have to be estimated. The simulation makes studies, fits them and counts. Coefficients are linear in the effect
and the error contrasts do not depend on it, so that one set of simulated errors serves all sizes of the effect: each
study's test statistic is a quadratic in it.

References
----------
Kenward and Roger, "Small sample inference for fixed effects from restricted maximum likelihood", Biometrics 53 (1997)
983. Stroup, "Power analysis based on spatial effects mixed models: a tool for comparing design and analysis strategies
in the presence of spatial variability", J. Agric. Biol. Environ. Stat. 7 (2002) 491, for the approximation (from
memory).
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, stats

from doe.numerics.batched import SharedPlan, fit_batch
from doe.numerics.precision import joint_precision

Array = NDArray[np.float64]

_CHUNK = 2000  # studies that are fitted together: more would only take more memory
_WIDEST = 1e4  # print standard deviations; no effect of interest lies beyond


@dataclass(frozen=True)
class Assumptions:
    """
    What a statement about power assumes.

    Parameters
    ----------
    ratio : float
        Load variance over print variance, 0 or more.
    power : float
        Wanted probability of finding an effect.
    level : float
        Probability of finding one that is not there (two-sided).

    Raises
    ------
    ValueError
        A ratio below 0, or a power that is not between the level and 1.
    """

    ratio: float = 1.0
    power: float = 0.80
    level: float = 0.05

    def __post_init__(self) -> None:
        if not (math.isfinite(self.ratio) and self.ratio >= 0):
            raise ValueError(f"the ratio of load to print variance must be 0 or more, and it is {self.ratio:g}")
        if not 0 < self.level < self.power < 1:
            raise ValueError(
                f"level and power must be between 0 and 1, the level below the power; they are {self.level:g} and "
                f"{self.power:g}"
            )


@dataclass(frozen=True)
class Effect:
    """
    What is tested, and the truth that grows with the effect.

    Parameters
    ----------
    rows : ndarray of shape (q, p)
        Linear functions of the coefficients that are tested to be zero, together.
    direction : ndarray of shape (p,)
        True coefficients where the effect is one.
    """

    rows: Array
    direction: Array


@dataclass(frozen=True)
class Simulated:
    """
    The tests of R simulated studies, for every size of an effect.

    Parameters
    ----------
    curves : ndarray of shape (R, 3)
        A study finds an effect of size z where c0 + c1 z + c2 z^2 is above zero: its test statistic less the critical
        value.
    """

    curves: Array


@dataclass(frozen=True)
class Counted:
    """A share of simulated studies with its Monte Carlo standard error."""

    power: float
    standard_error: float


def _f_tail(critical: ArrayLike, ndf: int, ddf: ArrayLike, noncentrality: ArrayLike) -> Array:
    away, central = np.asarray(noncentrality, dtype=float), stats.f.sf(critical, ndf, ddf)
    if not np.any(away > 0):  # the library's noncentral distribution does not reach zero
        return np.broadcast_to(central, np.broadcast_shapes(np.shape(central), away.shape)).copy()
    tail = stats.ncf.sf(critical, ndf, ddf, np.where(away > 0, away, 1.0))
    return np.asarray(np.where(away > 0, tail, central), dtype=float)


@dataclass(frozen=True)
class _Expected:
    """What the test of an effect of one is at the assumed ratio: noncentrality, degrees of freedom, critical value of F."""

    noncentrality: float
    ndf: int
    ddf: float
    critical: float

    def power(self, size: float) -> float:
        """Return the power for an effect of this size."""
        return float(_f_tail(self.critical, self.ndf, self.ddf, self.noncentrality * size**2))


def expected_dof(plan: SharedPlan, effect: Effect, ratio: float) -> float:
    """
    Return the Kenward-Roger (denominator) degrees of freedom of a test at an assumed ratio.

    Parameters
    ----------
    plan : SharedPlan
    effect : Effect
    ratio : float
        Load over print variance.

    Raises
    ------
    ValueError
        Where no load error degree of freedom judges what is tested.
    """
    _require_judged(plan, effect)
    return float(joint_precision(plan, [ratio], effect.rows).ddf[0])


def approximate_power(plan: SharedPlan, effect: Effect, size: float, assumed: Assumptions) -> float:
    """
    Return the approximate power for an effect of some size.

    Parameters
    ----------
    plan : SharedPlan
    effect : Effect
    size : float
        In units of ``effect.direction``.
    assumed : Assumptions
        Ratio and level.

    Raises
    ------
    ValueError
        Where no load error degree of freedom judges what is tested.
    """
    return _expected(plan, effect, assumed).power(size)


def smallest_effect(plan: SharedPlan, effect: Effect, assumed: Assumptions) -> float:
    """
    Return the smallest effect that is found with the wanted power, by the approximation.

    Parameters
    ----------
    plan : SharedPlan
    effect : Effect
    assumed : Assumptions

    Returns
    -------
    float
        Infinity where no effect up to ten thousand standard deviations of a print is.

    Raises
    ------
    ValueError
        Where no load error degree of freedom judges what is tested.
    """
    expected = _expected(plan, effect, assumed)
    return _crossing(lambda size: expected.power(size) - assumed.power, _WIDEST)


def _crossing(excess: Callable[[float], float], widest: float) -> float:
    """Return where a function that rises from below zero reaches zero; infinity where it does not."""
    high = 1.0
    while not excess(high) >= 0:
        high *= 2
        if high > widest:
            return math.inf
    return float(optimize.brentq(excess, 0.0, high, xtol=1e-12, rtol=1e-12))


def _expected(plan: SharedPlan, effect: Effect, assumed: Assumptions) -> _Expected:
    """
    Take the fit's own covariance and degrees of freedom at the assumed ratio for the true ones.

    Where loads exist and the fit has no component for them (one print a load, or loads that the model uses up), its
    variances are not the true ones: the noncentrality takes the true, the critical value what the fit compares with.
    """
    _require_judged(plan, effect)
    found = joint_precision(plan, [assumed.ratio], effect.rows)
    values, ndf = effect.rows @ effect.direction, len(effect.rows)
    critical = stats.f.isf(assumed.level, ndf, found.ddf[0]) / found.scale[0]
    true, stated = _covariances(plan, found.covariance[0], found.adjusted[0], effect.rows, assumed.ratio)
    noncentrality = float(values @ np.linalg.solve(true, values))
    inflation = np.trace(np.linalg.solve(true, stated)) / ndf
    return _Expected(noncentrality, ndf, float(found.ddf[0]), float(critical * inflation))


def _covariances(
    plan: SharedPlan, covariance: Array, adjusted: Array, rows: Array, ratio: float
) -> tuple[Array, Array]:
    """Return the true covariance of the estimates and the one that the fit states, on average."""
    if plan.fits_loads or plan.load is None:
        return (covariance + adjusted) / 2, (covariance + adjusted) / 2
    Z = np.eye(plan.load.max() + 1)[plan.load]
    away = rows @ plan.least_squares @ Z
    residual = 1 + ratio * float(np.sum((plan.unmoved.T @ Z) ** 2)) / plan.contrasts
    return covariance + ratio * away @ away.T, residual * covariance


def _require_judged(plan: SharedPlan, effect: Effect) -> None:
    if np.any(effect.rows[:, plan.unjudged] != 0):
        raise ValueError("no load error degree of freedom is left to judge what changes only from load to load")


def simulated_power(
    plan: SharedPlan,
    effects: Sequence[Effect],
    assumed: Assumptions,
    studies: int,
    seed: int = 1,
) -> tuple[Simulated, ...]:
    """
    Simulate studies of a plan, fit them as results would be fitted, and test each effect in each of them.

    Parameters
    ----------
    plan : SharedPlan
    effects : sequence of Effect
        Each is tested on the same simulated errors.
    assumed : Assumptions
        Ratio and level.
    studies : int
        How many, at least 1.
    seed : int
        Of the errors.

    Returns
    -------
    tuple of Simulated
        One per effect; :func:`power_at` counts what they find.

    Raises
    ------
    ValueError
        No studies, or an effect that no load error degree of freedom judges.
    """
    if studies < 1:
        raise ValueError(f"at least one study must be simulated, and {studies} were asked for")
    for effect in effects:
        _require_judged(plan, effect)
    sizes = [min(_CHUNK, studies - first) for first in range(0, studies, _CHUNK)]
    root = np.random.SeedSequence(seed)
    seeds = root.spawn(len(sizes))
    parts = [_simulate(plan, effects, assumed, size, own) for size, own in zip(sizes, seeds, strict=True)]
    return tuple(Simulated(np.vstack([part[place] for part in parts])) for place in range(len(effects)))


def _simulate(
    plan: SharedPlan, effects: Sequence[Effect], assumed: Assumptions, studies: int, seed: np.random.SeedSequence
) -> list[Array]:
    """Return per effect the curves of some studies."""
    generator = np.random.default_rng(seed)
    values = generator.standard_normal((studies, len(plan.model)))
    if plan.load is not None:
        loads = generator.standard_normal((studies, int(plan.load.max()) + 1))
        values += math.sqrt(assumed.ratio) * loads[:, plan.load]
    fit = fit_batch(plan, values)
    curves = []
    for effect in effects:
        found, ndf = joint_precision(plan, fit.ratios, effect.rows), len(effect.rows)
        weight = found.scale / (ndf * fit.residual_variances)
        errors, truth = fit.estimates @ effect.rows.T, effect.rows @ effect.direction
        of_errors = np.linalg.solve(found.adjusted, errors[:, :, None])[:, :, 0]
        of_truth = np.linalg.solve(found.adjusted, np.tile(truth, (studies, 1))[:, :, None])[:, :, 0]
        critical = stats.f.isf(assumed.level, ndf, found.ddf)
        constant = weight * np.sum(errors * of_errors, axis=1) - critical
        curves.append(np.column_stack([constant, 2 * weight * (of_errors @ truth), weight * (of_truth @ truth)]))
    return curves


def power_at(simulated: Simulated, size: float) -> Counted:
    """
    Count the studies that find an effect of some size.

    Parameters
    ----------
    simulated : Simulated
    size : float
        In units of the effect's direction.

    Returns
    -------
    Counted
        The standard error is that of a share, sqrt(p (1 - p) / R).
    """
    share = float(np.mean(simulated.curves @ [1.0, size, size**2] > 0))
    return Counted(share, math.sqrt(share * (1 - share) / len(simulated.curves)))


def smallest_simulated_effect(simulated: Simulated, power: float) -> float:
    """
    Return the smallest effect that at least the wanted share of the simulated studies finds.

    Parameters
    ----------
    simulated : Simulated
    power : float
        The wanted share.

    Returns
    -------
    float
        Infinity where no effect up to ten thousand standard deviations of a print is.
    """
    return _crossing(lambda size: power_at(simulated, size).power - power + 1e-12, _WIDEST)
