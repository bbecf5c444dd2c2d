"""A simulated shop whose truth is known. Everything here is invented.

The truth is deliberately not the model that is fitted: a little cubic in drying time, so that nothing is too easy.
"""

import itertools
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from doe.design import check
from doe.design.plan import Design
from doe.numerics.strength import FORMULAS
from doe.study import scale
from doe.study.spec import Response, Study

Array = NDArray[np.float64]

_PRINTER_BIAS = {"A": -6.0, "B": 0.0}
"""Actual nozzle temperature minus the printer's reading, degC."""
_PRINTER_EFFECT = {"A": -0.25, "B": 0.25}
"""What a printer adds to the strength beyond its temperature, MPa."""
_SIZES = {"width": (5.0, 0.04), "thickness": (2.0, 0.03)}
"""Nominal size of a coupon and its standard deviation, mm."""


@dataclass(frozen=True)
class Scatter:
    """Standard deviations from load to load, print to print and coupon to coupon, response units."""

    load: float
    print: float
    coupon: float

    @property
    def one_coupon(self) -> float:
        """Standard deviation of one coupon of a new print on a new load."""
        return float(np.sqrt(self.load**2 + self.print**2 + self.coupon**2))


SCATTER = {"z_strength": Scatter(0.55, 0.7, 1.2), "first_layer_peel": Scatter(0.05, 0.09, 0.12)}


def truth(response: str, x: Array) -> Array:
    """
    Return the true mean of a response.

    Parameters
    ----------
    response : str
        ``z_strength`` (MPa) or ``first_layer_peel`` (N/mm).
    x : ndarray of shape (..., 4)
        Actual nozzle temperature, bed temperature, Z offset and drying time, coded units.

    Returns
    -------
    ndarray of shape (...,)
        On average over the printers, response units.
    """
    nozzle, bed, gap, dry = np.moveaxis(x, -1, 0)
    if response == "z_strength":
        strength: Array = (
            31.5
            - 2.6 * (nozzle - 0.35) ** 2
            - 0.6 * (bed - 0.1) ** 2
            - 1.5 * (gap + 0.1) ** 2
            - 2.0 * (dry - 0.45) ** 2
            + 0.7 * nozzle * dry
            + 0.25 * dry**3
        )
        return strength
    peel: Array = (
        2.25
        - 0.2 * (nozzle - 0.5) ** 2
        - 0.25 * (bed - 0.3) ** 2
        - 0.3 * (gap + 0.35) ** 2
        - 0.12 * (dry - 0.6) ** 2
        + 0.1 * bed * gap
    )
    return peel


def true_optimum(study: Study) -> tuple[dict[str, float], float]:
    """
    Return the setting with the highest true conformance on the increments within the declared ranges, and that share.

    The search is from coarse to fine, on seven values of each factor around the best so far.

    Parameters
    ----------
    study : Study
        With the four factors of the demo, all numeric.

    Returns
    -------
    settings : dict of str to float
        By factor, natural units.
    share : float
        As of :func:`true_conformance`.
    """
    steps = [
        np.round((f.high - f.low) / f.increment)
        for f in study.factors
        if f.high is not None and f.low is not None and f.increment
    ]
    counts = np.array(steps, dtype=int)
    stride = np.maximum(counts // 6, 1)
    best = counts // 2
    share = 0.0
    while True:
        around = np.array(list(itertools.product(*[range(-3, 4)] * len(counts)))) * stride + best
        around = around[((around >= 0) & (around <= counts)).all(axis=1)]
        shares = true_conformance(study, _coded_steps(study, around, counts))
        best, share = around[int(shares.argmax())], float(shares.max())
        if (stride == 1).all():
            break
        stride = np.maximum(stride // 2, 1)
    names = [factor.name for factor in study.factors]
    values = [
        float((f.low or 0.0) + index * (f.increment or 0.0)) for f, index in zip(study.factors, best, strict=True)
    ]
    return dict(zip(names, values, strict=True)), share


def true_conformance(study: Study, x: Array) -> Array:
    """
    Return the true share of prints of which one random coupon per measured response meets its requirement.

    The scatter of setpoints is included by a rule of degree 3: the mean over the corners at one standard deviation.

    Parameters
    ----------
    study : Study
    x : ndarray of shape (m, k)
        Targets, coded units.

    Returns
    -------
    ndarray of shape (m,)
        The mean over the printers.
    """
    corners = np.array(list(itertools.product([-1.0, 1.0], repeat=len(study.factors))))
    total = np.zeros(len(x))
    for effect, corner in itertools.product(_PRINTER_EFFECT.values(), corners):
        share, actual = np.ones(len(x)), _scattered(study, x, corner)
        for response in study.responses:
            if response.name in SCATTER and response.at_least is not None:
                mean = truth(response.name, actual) + (effect if response.name == "z_strength" else 0.0)
                share *= stats.norm.cdf((mean - response.at_least) / SCATTER[response.name].one_coupon)
        total += share
    result: Array = total / (len(corners) * len(_PRINTER_EFFECT))
    return result


def _coded_steps(study: Study, steps: Array, counts: Array) -> Array:
    """Return settings that are so many increments above the lows, coded units."""
    columns = []
    for factor, own, count in zip(study.factors, steps.T, counts, strict=True):
        natural = (factor.low or 0.0) + own * (factor.increment or 0.0)
        columns.append(factor.coding.coded(natural) if factor.has_nonlinear_scale else 2 * own / count - 1)
    return np.column_stack(columns)


def _scattered(study: Study, x: Array, corner: Array) -> Array:
    """Return where settings are that miss by so many standard deviations of the setpoint, coded units."""
    each = zip(study.factors, x.T, corner, strict=True)
    return np.column_stack([factor.coding.moved(column, by * factor.setpoint_sd) for factor, column, by in each])


@dataclass(frozen=True)
class Results:
    """What the simulated operators write down: sheet -> (row identifier, column key) -> value."""

    prints: dict[tuple[str, str], object]
    coupons: dict[tuple[str, str], object]
    loads: dict[tuple[str, str], object]


def run(study: Study, design: Design, seed: int) -> Results:
    """
    Print and test every planned coupon in the simulated shop.

    Parameters
    ----------
    study : Study
        The demo's study.
    design : Design
    seed : int

    Returns
    -------
    Results
    """
    generator = np.random.default_rng(seed)
    runs = design.runs.reset_index(drop=True)
    actual = _actual(study, runs, generator)
    load = check.codes(list(runs["load"]))
    by_load = {name: generator.normal(0, s.load, load.max() + 1) for name, s in SCATTER.items()}
    prints: dict[tuple[str, str], object] = {}
    coupons: dict[tuple[str, str], object] = {}
    for row, x in enumerate(actual):
        one = runs.iloc[row]
        outcome = _outcome(x, generator)
        prints |= {(one["print"], "outcome"): outcome, (one["print"], "operator"): "simulated"}
        prints[one["print"], "bed_grade"] = 0 if outcome == "detached" else _grade(x, generator)
        if outcome != "completed":
            prints[one["print"], "note"] = "simulated: came off the bed"
        for name, scatter in SCATTER.items():
            mean = float(truth(name, x)) + by_load[name][load[row]] + generator.normal(0, scatter.print)
            mean += _PRINTER_EFFECT[one["printer"]] if name == "z_strength" else 0.0
            response = next(item for item in study.responses if item.name == name)
            for number in range(1, response.coupons + 1):
                coupon = f"{one['print']}-{number}"
                if outcome == "completed":
                    coupons |= _measured(response, coupon, mean + generator.normal(0, scatter.coupon), generator)
                coupons[coupon, "outcome"] = outcome
    return Results(prints, coupons, _loads(runs, generator))


def _actual(study: Study, runs: pd.DataFrame, generator: np.random.Generator) -> Array:
    """Return what the printers really reach: reading plus bias plus scatter, coded."""
    settings = check.settings_of(study, runs, "set")
    bias = np.array([_PRINTER_BIAS[name] for name in runs["printer"]])
    settings["nozzle_temperature"] = settings["nozzle_temperature"] + bias
    for factor in study.factors:
        each = generator.normal(0, factor.setpoint_sd, len(runs))
        if factor.change == "load":  # one oven run, one error
            load = check.codes(list(runs["load"]))
            each = each[load]
        settings[factor.name] = settings[factor.name] + each
    return scale.coded(study, settings)


def _outcome(x: Array, generator: np.random.Generator) -> str:
    """Detached more often on a cold bed with a wide gap."""
    chance = stats.logistic.cdf(-4.5 - 1.6 * x[1] + 1.8 * x[2])
    return "detached" if generator.random() < chance else "completed"


def _grade(x: Array, generator: np.random.Generator) -> int:
    latent = 4.4 + 0.8 * x[1] - 0.7 * x[2] - 0.5 * x[1] ** 2 + generator.normal(0, 0.5)
    return int(np.clip(np.floor(latent), 1, 5))


def _measured(
    response: Response, coupon: str, value: float, generator: np.random.Generator
) -> dict[tuple[str, str], object]:
    """Return the cells of one tested coupon: force and sizes where the value is computed from them, else the value itself."""
    if response.formula is None:
        return {(coupon, response.name): round(max(value, 0.01), 3)}
    force, *sizes = response.inputs
    cells: dict[tuple[str, str], object] = {}
    for key in sizes:
        nominal, sd = _SIZES[response.inputs[key].key]
        cells[coupon, key] = round(nominal + generator.normal(0, sd), 2)
    of_one_newton = float(FORMULAS[response.formula].function(1.0, *cells.values()))
    return {(coupon, force): round(max(value, 0.1) / of_one_newton, 1), **cells}


def _loads(runs: pd.DataFrame, generator: np.random.Generator) -> dict[tuple[str, str], object]:
    cells: dict[tuple[str, str], object] = {}
    for number, name in enumerate(dict.fromkeys(runs["load"]), 1):
        before = round(float(generator.normal(1250, 15)), 1)
        cells |= {
            (name, "spool"): f"simulated spool {number}",
            (name, "mass_before"): before,
            (name, "mass_after"): round(before - float(generator.normal(9, 0.8)), 1),
            (name, "oven_reading"): round(float(generator.normal(80, 0.6)), 1),
        }
    return cells
