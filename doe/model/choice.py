"""Smaller models beside the declared one: which terms they would keep, what their mean predicts.

The declared model is the model; what is found here is a sensitivity and replaces nothing. ``numerics/reductions.py``
has the parts of the model, their AICc and their weights.

Measured on simulated studies, 150 of each kind: 30 prints in 6 loads, quadratic in four factors of which one is fixed
within loads; load variance none, or that of a print. Root mean square error of predictions over the region, in print
standard deviations, by the declared, the reduced and the averaged model:

- a hierarchical part of the model is true, with effects of 0.7 to 2: 0.50, 0.41, 0.39 without and 0.82, 0.75, 0.72 with
  load variance. The reduced model had every true term in 85 % and 76 %, and was the true one in 49 % and 37 %.
- every term has an effect, of standard deviation 2: 0.52, 0.60, 0.57 and 0.81, 0.89, 0.86. The reduced model had every
  true term in 1 % and 0 %.
- no term has an effect: 0.50, 0.31, 0.29 and 0.79, 0.63, 0.59. It kept a linear term that varies within loads in 18 to
  23 %, and the one that varies between loads in 23 % and, with load variance, 38 %.

So the smaller models predict better where effects are few, and worse where they are many; hence beside, not instead. The
averaged mean was within 1.96 of its unconditional standard errors of the truth in 93 to 98 % of settings without load
variance and 87 to 90 % with it: no interval is made of it.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.model.data import ResponseData
from doe.numerics import reductions, reml, terms
from doe.numerics.reductions import Reductions
from doe.numerics.reml import MixedFit
from doe.verdicts import Verdict

Array = NDArray[np.float64]

LEAST_LEFT = 5
"""
n - k - 1 of the declared model, what AICc's correction divides by, below which it favours smaller models whatever the values
are: then no verdict rests on it and no alternative is recommended by it.

A quadratic in two factors that is true, its top flat, 30 simulated studies: with 1 (9 prints, no loads) the verdict that the
recommendation depends on the model came in all, with 2 in 63 %, with 3 in 13 % (and in 77 % with 12 prints in 6 loads), with 4
in none, with 6 (15 prints in 6 loads) in 3 %.
"""

_MOVED = 3.0
"""Standard errors of the declared prediction; see :func:`verdicts` for how rarely a sound model moves as far."""

CAUTION = (
    "A model that the same values chose looks surer than it is: p-values and intervals computed as if it had been declared"
    " are too good, so none are given for it."
)


@dataclass(frozen=True)
class TermWeight:
    """How much speaks for one term of the declared model."""

    term: str
    importance: float
    """Sum of the weights of all models that have it, 0 to 1."""
    kept: bool
    """Whether the reduced model has it."""


@dataclass(frozen=True)
class Beside:
    """The mean at the centre by the declared, the reduced and the averaged model; response units, or their logarithm."""

    declared: float
    declared_se: float
    reduced: float
    averaged: float
    averaged_se: float
    """With the choice among the models in it (Burnham and Anderson 2002, eq. 4.9, from memory)."""


@dataclass(frozen=True)
class Choice:
    """
    A hierarchical reduction of the declared model by AICc, and the mean over all of them.

    Parameters
    ----------
    response, unit : str
    log : bool
        Whether values are natural logarithms.
    reason : str
        Why no models are compared; empty where they are. All below is then empty or None.
    prints : int
        n in AICc.
    left : int
        n - k - 1 for the declared model: what AICc's correction divides by.
    models : int
        How many were looked at.
    complete : bool
        Whether these are all hierarchical parts of the declared model.
    declared_aicc : float or None
        None where it does not exist: n - k - 1 < 1.
    declared_weight : float
        Akaike weight, 0 where there is no AICc.
    reduced_aicc : float or None
        The lowest.
    reduced_weight : float
    evidence : float or None
        Declared less reduced AICc.
    charge : float or None
        What AICc charges the declared model more for its parameters, whatever the values.
    dropped : tuple of str
        Terms that the reduced model does without.
    importance : tuple of TermWeight
        Per term of the declared model, the intercept aside.
    centre : Beside or None
        Numeric factors at the middle of their ranges, the average over levels and printers.
    moved : float or None
        The largest difference between reduced and declared prediction at a printed setting, in standard errors of the
        declared one.
    moved_at : str
        That print.
    moved_by : float or None
        The difference there, reduced less declared; response units or logarithms.
    reduced_model : tuple of Term
        For predictions.
    reduced, averaged : tuple of float
        Coefficients in the order of the declared model's columns, 0 for what is left out.
    method : str
    """

    response: str
    unit: str
    log: bool
    reason: str
    prints: int
    left: int = 0
    models: int = 0
    complete: bool = True
    declared_aicc: float | None = None
    declared_weight: float = 0.0
    reduced_aicc: float | None = None
    reduced_weight: float = 0.0
    evidence: float | None = None
    charge: float | None = None
    dropped: tuple[str, ...] = ()
    importance: tuple[TermWeight, ...] = ()
    centre: Beside | None = None
    moved: float | None = None
    moved_at: str = ""
    moved_by: float | None = None
    reduced_model: tuple[terms.Term, ...] = ()
    reduced: tuple[float, ...] = ()
    averaged: tuple[float, ...] = ()
    method: str = ""


def choose(data: ResponseData, mixed: MixedFit | None, random: Sequence[str]) -> Choice | None:
    """
    Compare the declared model with its hierarchical parts.

    Parameters
    ----------
    data : ResponseData
    mixed : MixedFit or None
        The declared fit.
    random : sequence of str
        Its components before the residual.

    Returns
    -------
    Choice or None
        None where there is nothing to compare: no fit, or a model of the intercept alone. With ``reason`` where the
        comparison cannot be made.
    """
    if mixed is None or len(data.model) < 2:
        return None
    load, reason = None, ""
    if "load" in random:
        load = data.load
    elif data.load is not None and 1 < data.loads < len(data.names):
        reason = "the declared model leaves no error degree of freedom between loads to weigh smaller models by"
    if not reason:
        try:
            found = reductions.reductions(data.means, data.X, data.model, data.levels, load)
        except ValueError as error:
            reason = str(error)
    if reason:
        return Choice(
            data.response.name, data.response.display_unit, data.response.transform == "log", reason, len(data.names)
        )
    return _chosen(data, mixed, found)


def _chosen(data: ResponseData, mixed: MixedFit, found: Reductions) -> Choice:
    best, names = found.best, _term_names(data)
    kept = found.kept[best]
    declared, reduced = _number(found.aicc[0]), float(found.aicc[best])
    moved, place, by = _furthest(data, mixed, found.estimates[best])
    pairs = list(zip(names, found.importance.tolist(), kept.tolist(), strict=True))[1:]
    return Choice(
        response=data.response.name,
        unit=data.response.display_unit,
        log=data.response.transform == "log",
        reason="",
        prints=len(data.names),
        left=len(data.names) - int(found.parameters[0]) - 1,
        models=len(found.kept),
        complete=found.complete,
        declared_aicc=declared,
        declared_weight=float(found.weights[0]),
        reduced_aicc=reduced,
        reduced_weight=float(found.weights[best]),
        evidence=None if declared is None else declared - reduced,
        charge=None if declared is None else declared - reduced - float(found.deviance[0] - found.deviance[best]),
        dropped=tuple(name for name, _, stays in pairs if not stays),
        importance=tuple(TermWeight(*pair) for pair in pairs),
        centre=_beside(mixed, found),
        moved=moved,
        moved_at=data.names[place],
        moved_by=by,
        reduced_model=tuple(term for term, stays in zip(data.model, kept.tolist(), strict=True) if stays),
        reduced=tuple(found.estimates[best].tolist()),
        averaged=tuple(found.averaged.tolist()),
        method=_method(data, found),
    )


def _number(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


def _term_names(data: ResponseData) -> list[str]:
    """Return a name per term of the model: the label of its first column without the levels in brackets."""
    found: dict[terms.Term, str] = {}
    columns = terms.column_terms(data.model, data.levels)
    for (term, _), label in zip(columns, data.labels, strict=False):
        found.setdefault(term, re.sub(r" \[[^\]]*\]", "", label))
    return [found[term] for term in data.model]


def _beside(mixed: MixedFit, found: Reductions) -> Beside:
    """Return the predictions at the centre: there every column but the intercept's is zero, or averages to it."""
    row = np.eye(len(mixed.estimates))[:1]
    mean, se = reductions.averaged(found, row)
    declared = reml.contrast(mixed, row)
    return Beside(
        declared=float(declared.estimates[0]),
        declared_se=float(declared.se[0]),
        reduced=float(found.estimates[found.best, 0]),
        averaged=float(mean[0]),
        averaged_se=float(se[0]),
    )


def _furthest(data: ResponseData, mixed: MixedFit, reduced: Array) -> tuple[float, int, float]:
    """Return where among the prints the reduced model is furthest from the declared one, in its standard errors."""
    rows = data.rows(data.coded)
    by = rows @ (reduced - mixed.estimates)
    moved = np.abs(by) / reml.contrast(mixed, rows).se
    place = int(moved.argmax())
    return float(moved[place]), place, float(by[place])


def _method(data: ResponseData, found: Reductions) -> str:
    looked = (
        f"all {len(found.kept)} models that are hierarchical parts of the declared one"
        if found.complete
        else f"{len(found.kept)} hierarchical parts of the declared model, on a way down from it and around the best"
    )
    means = " Prints with unequal numbers of coupons count the same." if np.ptp(data.counts) > 0 else ""
    return (
        f"AICc of {looked}: maximum likelihood on the means of {len(data.names)} prints, each print counted as one. With"
        " loads this is lenient to terms that vary only between loads. The averaged model weighs each by exp(-difference in"
        f" AICc / 2).{means} {CAUTION}"
    )


def verdicts(found: Choice) -> Iterator[Verdict]:
    """
    Yield one verdict where leaving out terms moves a prediction at a printed setting by far more than its standard error.

    In the simulated studies above, whatever the truth, the largest move was beyond 2.5 standard errors in 5 % of studies
    or less, and the level that it passed in 1 % was 2.5 to 3.2; the verdict takes 3.

    Parameters
    ----------
    found : Choice

    Yields
    ------
    Verdict
    """
    if found.left < LEAST_LEFT or found.moved is None or found.moved <= _MOVED or not found.dropped or found.moved_by is None:
        return
    amount = (
        f"{100 * abs(np.expm1(found.moved_by)):.2g} %"
        if found.log
        else f"{abs(found.moved_by):.2g} {found.unit}".rstrip()
    )
    side = "above" if found.moved_by > 0 else "below"
    listed = ", ".join(found.dropped)
    yield Verdict(
        "a smaller model predicts otherwise",
        f"of {found.models} models that leave out terms, the one that these prints favour does without {listed}; at the "
        f"setting of print {found.moved_at} its prediction is {amount} {side} that of the declared model, {found.moved:.1f} "
        "times the standard error",
        "keep the declared model, and before relying on predictions near that setting print it again on a new load",
        found.response,
    )
