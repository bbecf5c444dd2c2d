"""What a plan will show: the smallest effect of each factor that it finds with the wanted probability."""

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.design import check
from doe.design.plan import Design
from doe.numerics import power, terms
from doe.numerics.batched import SharedPlan, share_plan
from doe.numerics.power import Assumptions, Effect, Simulated
from doe.study import scale
from doe.study.spec import Study

__all__ = ["Assumptions", "Detectable", "detectable"]

Array = NDArray[np.float64]

_STUDIES = 5000  # simulated studies: the Monte Carlo standard error of a power of 0.80 is 0.006
_TRUSTED = 0.03  # where approximation and simulation differ by more in power, the simulation is shown
_REACH = 10.0  # standard deviations of a print on a load of its own: no factor moves a mean farther unseen


@dataclass(frozen=True)
class Detectable:
    """
    The smallest effect of one factor that a plan finds with the wanted power.

    Parameters
    ----------
    factor : str
    effect : float or None
        In standard deviations of a print's mean between prints of one load. Numeric: difference of the mean response
        between low and high through the linear term. Categorical: largest difference between two levels, the others
        halfway between them, for the two levels that the plan compares least precisely. None where ``obstacle`` says why.
    approximate_power, simulated_power : float or None
        Both at this effect.
    standard_error : float or None
        Monte Carlo standard error of the simulated power.
    governs : {"approximation", "simulation", "neither"}
        Which of the two the effect was found with: the simulation where they differ by more than 0.03.
    dof : float or None
        Kenward-Roger degrees of freedom expected at the assumed ratio.
    obstacle : str
        Why there is no such effect; empty where there is one.
    """

    factor: str
    effect: float | None
    approximate_power: float | None
    simulated_power: float | None
    standard_error: float | None
    governs: Literal["approximation", "simulation", "neither"]
    dof: float | None
    obstacle: str = ""


def detectable(
    study: Study, runs: pd.DataFrame, assumptions: Assumptions | None = None, seed: int = 1
) -> tuple[Detectable, ...]:
    """
    Return, per factor, the smallest effect that a plan finds with the wanted power.

    A factor with one coefficient is tested with Student's t, as ``doe fit`` does, one with several levels with the F of its
    coefficients together; both with Kenward-Roger standard errors and degrees of freedom from print means, all other
    coefficients of the declared model and the printers in the fit. Prints of a pilot and of confirmations do not count.

    Parameters
    ----------
    study : Study
    runs : DataFrame
        The prints of all rounds, as in ``plan.Design``.
    assumptions : Assumptions, optional
        Ratio of load variance to the variance of a print's mean, wanted power, level of the test; without it a ratio of
        one, a power of 0.80 and the level of the study's confidence.
    seed : int
        Of the simulated studies.

    Returns
    -------
    tuple of Detectable
        One per factor, in the study's order; empty where the plan holds no print that will be fitted.
    """
    runs = Design(runs).fitted
    if runs.empty:
        return ()
    assumed = assumptions or Assumptions(level=1 - study.header.confidence)
    X, load = check.matrix(study, runs)
    try:
        plan = share_plan(X, load)
    except ValueError as error:
        cause = str(error) if terms.estimable(X) else "the plan cannot tell all terms of the declared model apart"
        return tuple(_without(factor.name, cause) for factor in study.factors)
    asked = {factor.name: _effect(study, index, plan, assumed) for index, factor in enumerate(study.factors)}
    effects = [effect for effect in asked.values() if isinstance(effect, Effect)]
    tested = iter(power.simulated_power(plan, effects, assumed, _STUDIES, seed))
    return tuple(
        _without(name, effect) if isinstance(effect, str) else _smallest(name, plan, effect, assumed, next(tested))
        for name, effect in asked.items()
    )


def _effect(study: Study, index: int, plan: SharedPlan, assumed: Assumptions) -> Effect | str:
    """Return what is tested for a factor, or why nothing can be."""
    counts = scale.level_counts(study)
    columns = terms.column_terms(scale.model_terms(study), counts)
    own = [column for column, (term, _) in enumerate(columns) if term == (index,)]
    if not own:
        return "the declared model does not have it"
    if plan.unjudged[own].any():
        return "no load error degree of freedom is left to judge it by"
    rows = np.eye(plan.model.shape[1])[own]
    found = [Effect(rows, truth @ rows) for truth in _unit_effects(counts[index])]
    return max(found, key=lambda effect: power.smallest_effect(plan, effect, assumed))


def _unit_effects(count: int) -> Iterator[Array]:
    """Yield the coefficients of a factor whose effect is one: for a categorical one, of each pair of levels."""
    if count == 0:
        yield np.array([0.5])
    for high, low in itertools.combinations(range(count), 2):
        means = np.zeros(count)
        means[[high, low]] = 0.5, -0.5
        yield means[:-1]


def _smallest(name: str, plan: SharedPlan, effect: Effect, assumed: Assumptions, simulated: Simulated) -> Detectable:
    size = power.smallest_effect(plan, effect, assumed)
    governs: Literal["approximation", "simulation"] = "approximation"
    if math.isinf(size) or abs(power.power_at(simulated, size).power - assumed.power) > _TRUSTED:
        size, governs = power.smallest_simulated_effect(simulated, assumed.power), "simulation"
    reach = _REACH * math.sqrt(1 + assumed.ratio)
    if size > reach:
        return _without(
            name, f"no effect up to {reach:.0f} standard deviations is found with a probability of {assumed.power:g}"
        )
    counted = power.power_at(simulated, size)
    return Detectable(
        factor=name,
        effect=size,
        approximate_power=power.approximate_power(plan, effect, size, assumed),
        simulated_power=counted.power,
        standard_error=counted.standard_error,
        governs=governs,
        dof=power.expected_dof(plan, effect, assumed.ratio),
    )


def _without(name: str, obstacle: str) -> Detectable:
    return Detectable(name, None, None, None, None, "neither", None, obstacle)
