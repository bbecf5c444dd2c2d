"""
The share of future prints that meet every requirement, for each draw from the posterior.

Given one draw, a response at a setting is normal about its model, so its share within the requirement is a normal
probability. Responses are taken as independent given the setting (``correlated.py`` states what their correlation does);
the scatter of the actual setting about the setpoint, which all responses of a print share, is averaged over a few nodes.

What all prints of a printer share, the error of its calibration, is drawn once per draw: :func:`shifted` moves the model
by it, so that a setpoint x stands for the actual setting x + delta(x). It widens the posterior of the conformance rather
than lowering the conformance, and it costs the search nothing. Where printers differ in it, each has margins of its own,
and :func:`by_printer` keeps them apart; their mean is the share of the fleet's prints. A fleet with one setpoint is
:func:`shifted` with each printer's line as the (known) offset and slope, next to its error.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from doe.numerics.calibration import Line
from doe.numerics.posterior import Draws
from doe.numerics.terms import Term, column_terms

Array = NDArray[np.float64]
Single = NDArray[np.float32]
"""Single precision: the shares are wanted to three digits, and half the bytes are twice the speed."""

_LINEAR, _CUBIC = np.float32(1.5976), np.float32(0.07056599)
_FULL_FACTORIAL = 3
_ONE, _SPAN = 0.02, 0.03
_SEVERAL = 0.0275  # from an effective number of 1.25 responses on
_BLOCK = 1 << 16  # numbers that stay next to the processor while they are worked on


@dataclass(frozen=True)
class Margins:
    """
    The distance of a response from its requirement in standard deviations, linear in the model row.

    Parameters
    ----------
    coefficients : ndarray of shape (size, p), single precision
        A model row, whose first entry is the 1 of the intercept, times these gives the distance from the first limit.
    width : ndarray of shape (size,) or None
        Distance between the two limits; None where there is one.
    falls : bool
        Whether the distance falls as the response rises: the only limit is an upper one.
    """

    coefficients: Single
    width: Single | None
    falls: bool

    @cached_property
    def mean(self) -> Array:
        """Mean of the coefficients over the draws, shape (p,)."""
        return np.asarray(self.coefficients.mean(axis=0, dtype=float))

    def at_mean(self, rows: Array) -> Array:
        """Return the distance from the nearer limit at the posterior mean, shape (m,); negative where it is not met."""
        distance: Array = rows @ self.mean
        return distance if self.width is None else np.minimum(distance, float(self.width.mean(dtype=float)) - distance)


def future_sd(draws: Draws, coupons: int) -> Array:
    """
    Return the standard deviation of a future value: a new print on a new load, the mean over its coupons.

    Parameters
    ----------
    draws : Draws
    coupons : int
        1 for a single coupon.

    Returns
    -------
    ndarray of shape (size,)
        Response units.
    """
    return np.asarray(np.sqrt(draws.load_var + draws.print_var + draws.coupon_var / coupons))


def margins(draws: Draws, sd: Array, at_least: float | None, at_most: float | None) -> Margins:
    """
    Return how far a response is from its limits, per draw.

    Parameters
    ----------
    draws : Draws
        The first coefficient is the intercept.
    sd : ndarray of shape (size,)
        Of a future value, from :func:`future_sd`.
    at_least, at_most : float or None
        Limits, response units.

    Raises
    ------
    ValueError
        Neither limit is given.
    """
    limit, sign = (at_most, -1.0) if at_least is None else (at_least, 1.0)
    if limit is None:
        raise ValueError("a requirement needs at least one limit")
    above = draws.beta.copy()
    above[:, 0] -= limit  # before anything is rounded to single precision
    both = at_least is not None and at_most is not None
    width = ((at_most - at_least) / sd).astype(np.float32) if both else None  # type: ignore[operator]
    return Margins((sign * above / sd[:, None]).astype(np.float32), width, at_least is None)


def line_error(
    line: Line, centre: float, half_range: float, size: int, generator: np.random.Generator
) -> tuple[Array, Array]:
    """
    Draw the error of a printer's line, as an offset and a slope of the actual setting for :func:`shifted`.

    A printer whose line also told the actual settings of the study's own prints was off by as much there, and the two
    errors cancel at its setpoint. The error counts for printers that were not in the study or were checked anew since,
    and for the differences among printers that the study averages.

    Parameters
    ----------
    line : Line
        Of one factor on one printer.
    centre, half_range : float
        Of the factor's range, its unit: what 0 and 1 stand for in coded units.
    size : int
        How many draws.
    generator : Generator

    Returns
    -------
    offset, slope : ndarray of shape (size,)
        delta(x) = offset + slope x, coded units. Its standard deviation at any x is ``calibration.standard_error`` at
        the setpoint of x, over ``half_range``.

    Raises
    ------
    ValueError
        Readings that leave no degree of freedom for the scatter about the line.
    """
    if math.isnan(line.residual_sd):
        raise ValueError("the readings of the check leave no degree of freedom, so the error of its line is unknown")
    level = generator.normal(0, line.residual_sd / math.sqrt(line.n), size)
    tilt = generator.normal(0, line.residual_sd / math.sqrt(line.spread), size) if line.spread else np.zeros(size)
    tilt = tilt / line.slope  # per unit of the actual setting, not of the setpoint
    middle = line.intercept + line.slope * line.mean
    return (level + tilt * (centre - middle)) / half_range, tilt


def shifted(draws: Draws, terms: Sequence[Term], levels: Sequence[int], offset: Array, slope: Array) -> Draws:
    """
    Return the draws as seen from a setpoint, where the actual setting is off by offset + slope x in each draw.

    A polynomial of x + delta(x) is one of x, so the model keeps its terms: f(x + delta(x))'b = f(x)'c with coefficients c
    that are exact, for models of any degree. Measured: 3.5 ms for 2,000 draws of a quadratic in four factors, once for
    each printer and response; afterwards a setting costs what it did.

    Parameters
    ----------
    draws : Draws
        The coefficients of the model's columns come first; others (printers, rounds) stay.
    terms : sequence of Term
        The model, with all parents of its terms.
    levels : sequence of int, length k
        0 for numeric, the number of levels for categorical.
    offset, slope : ndarray of shape (size, k)
        Coded units; zero for a categorical factor. All responses of a printer need the same ones. An offset alone says
        that the error is u at every setting; a known line of a printer may be added.

    Returns
    -------
    Draws

    Raises
    ------
    ValueError
        A term without its parents; an error of a categorical factor.
    """
    place = {column: number for number, column in enumerate(column_terms(terms, levels))}
    beta = draws.beta.copy()
    for factor in np.flatnonzero(np.any((offset != 0) | (slope != 0), axis=0)).tolist():
        if levels[factor]:
            raise ValueError(f"factor number {factor + 1} has named levels, and no error of calibration")
        beta = _substituted(beta, place, factor, offset[:, factor], 1 + slope[:, factor])
    return replace(draws, beta=beta)


def _substituted(
    beta: Array, place: dict[tuple[Term, tuple[int, ...]], int], factor: int, offset: Array, stretch: Array
) -> Array:
    """Return the coefficients after x is replaced by offset + stretch x in one factor, by the binomial theorem."""
    result = beta.copy()
    result[:, list(place.values())] = 0
    for (term, contrasts), column in place.items():
        power = term.count(factor)
        others = tuple(one for one in term if one != factor)
        for left in range(power + 1):
            parent = tuple(sorted((*others, *(factor,) * left))), contrasts
            if parent not in place:
                raise ValueError(f"term {term} is in the model, and its parent {parent[0]} is not")
            weight = math.comb(power, left) * offset ** (power - left) * stretch**left
            result[:, place[parent]] += beta[:, column] * weight
    return result


def setpoint_nodes(sd: Array) -> Array:
    """
    Return the points over which a setting's scatter about its setpoint is averaged, with equal weights.

    They are corners at one standard deviation: all of them for up to three factors that scatter, and beyond that the
    rows of a Hadamard matrix with both signs (8 points for four factors, 16 for up to eight). Every product of up to
    three factors averages as it does under the normal distribution: the rule has degree 3 (Stroud 1971).

    Measured against 4,096 Sobol points on 200 truths of three quadratic responses (those of
    ``tests/studies/recommendation.py``), at a setting whose conformance is at most 0.05 below the best: wrong by up to 0.0012
    with standard deviations of 0.10, 0.10, 0.15 and 0.05, by 0.0018 with 0.15, 0.10, 0.15 and 0.10, and by 0.0026 with 0.15 in
    all four factors, mostly too high. Farther away, where the conformance is 0.2 to 0.7, the errors are larger: at most 0.3
    below the best up to 0.0030, 0.0035 and 0.0045, and for random responses at any setting as much. They come from fourth
    moments of the scatter, which corners at one standard deviation have too small.

    Parameters
    ----------
    sd : ndarray of shape (k,)
        Standard deviations, coded units; 0 for a factor that is not averaged over.

    Returns
    -------
    ndarray of shape (m, k)
        Offsets from the setting, coded units; one row of zeros where nothing scatters.

    References
    ----------
    Stroud, *Approximate Calculation of Multiple Integrals* (1971), rules of degree 3 (from memory).
    """
    active = np.flatnonzero(sd > 0)
    if len(active) <= _FULL_FACTORIAL:
        signs = np.array(list(itertools.product([-1.0, 1.0], repeat=len(active))))
    else:
        half = linalg.hadamard(1 << (len(active) - 1).bit_length(), dtype=float)[:, : len(active)]
        signs = np.vstack([half, -half])
    nodes = np.zeros((len(signs), len(sd)))
    nodes[:, active] = signs * sd[active]
    return nodes


def met(rows: Array | Single, requirement: Margins) -> Single:
    """
    Return the probability that a future value meets its requirement.

    Parameters
    ----------
    rows : ndarray of shape (m, p)
        Model rows, coded units.
    requirement : Margins

    Returns
    -------
    ndarray of shape (m, size)
        One column a draw; wrong by up to 0.00014 (0.00028 between two limits), see :func:`_normal_share`.
    """
    distance: Single = rows.astype(np.float32, copy=False) @ requirement.coefficients.T
    if requirement.width is None:
        return _normal_share(distance)
    between: Single = _normal_share(distance) + _normal_share(requirement.width - distance) - 1
    return np.maximum(between, np.float32(0))


def conformance(rows: Sequence[Array], requirements: Sequence[Margins]) -> Single:
    """
    Return the share of future prints that meet every requirement, per setting and draw.

    Parameters
    ----------
    rows : sequence of ndarray of shape (nodes, m, p)
        One entry a response: the model rows of m settings at each node that is averaged over (setpoint scatter,
        printers). The nodes are the same for every response; p may differ.
    requirements : sequence of Margins
        One a response.

    Returns
    -------
    ndarray of shape (m, size)
    """
    size = len(requirements[0].coefficients)
    total: Single = np.zeros((rows[0].shape[1], size), dtype=np.float32)
    single: list[Single] = [one.astype(np.float32) for one in rows]
    step = max(1, _BLOCK // size)
    for start in range(0, len(total), step):
        part = total[start : start + step]
        for node in range(len(rows[0])):
            share = met(single[0][node, start : start + step], requirements[0])
            for response, requirement in zip(single[1:], requirements[1:], strict=True):
                share *= met(response[node, start : start + step], requirement)
            part += share
    return total / np.float32(len(rows[0]))


def by_printer(rows: Sequence[Sequence[Array]], requirements: Sequence[Sequence[Margins]]) -> Single:
    """
    Return the share of each printer's future prints that meet every requirement, per setting and draw.

    Parameters
    ----------
    rows : sequence of sequences of ndarray of shape (nodes, m, p)
        One entry a printer, as for :func:`conformance`.
    requirements : sequence of sequences of Margins
        One entry a printer; the same for all where they share one calibration.

    Returns
    -------
    ndarray of shape (printers, m, size)
        The mean over the first axis is the share of the fleet's prints when every printer makes equally many.
    """
    return np.stack([conformance(own, wanted) for own, wanted in zip(rows, requirements, strict=True)])


def bound_level(failing: Sequence[float]) -> float:
    """
    Return the posterior quantile that bounds the conformance at a setting that was chosen by it.

    Choosing the best looking setting favours lucky errors. With several responses that fail about equally often the
    posterior is conservative enough to pay for it; one response that causes most failures leaves no such slack. Between
    2 % and 5 % the quantile follows the effective number of responses, 1 / sum of squared shares of the failures.

    Parameters
    ----------
    failing : sequence of float
        Expected share of failures of each response alone.

    Returns
    -------
    float
        Between 0.02 and 0.05.
    """
    shares = np.asarray(failing, dtype=float)
    if shares.sum() <= 0:
        return _ONE
    effective = 1 / float(((shares / shares.sum()) ** 2).sum())
    return _ONE + _SPAN * min(1.0, max(0.0, effective - 1))


def bound_coverage(level: float) -> float:
    """
    Return in what share of studies, or more, the posterior quantile of this level is a true bound.

    Measured, not derived: the rule of :func:`bound_level` was fixed first, then tried on simulated studies, each with a
    random truth of its own: four factors, one to three responses, quadratic with a cubic part of up to 0.25, load ratios
    up to 3, the best conformance between 0.85 and 0.99. It held in 96 % of 1000 with 30 prints on 6 loads, 97 % of 500
    with 40 on 8 and 99 % of 300 with 24 on 4. With a single response it held in 93 % of 925, 92 % of 558 and 99 % of 90.

    Parameters
    ----------
    level : float
        From :func:`bound_level`.

    Returns
    -------
    float
        0.95; 0.90 where one response causes nearly all failures.
    """
    return 0.95 if level >= _SEVERAL else 0.90


def _normal_share(z: Single) -> Single:
    """Return the normal distribution function, wrong by up to 0.00014; a logistic of a cubic, eight times as fast."""
    share: Single = -_CUBIC * z
    share *= z
    share -= _LINEAR
    share *= z
    with np.errstate(over="ignore"):  # far below the limit the exponential overflows, and the share is zero
        np.exp(share, out=share)
    share += 1
    np.reciprocal(share, out=share)
    return share
