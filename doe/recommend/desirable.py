"""
Choosing a setting by what is wished for, where no measured response has a requirement.

Every measured response then has an aim: a predicted mean that is worth nothing, one that is perfect, and a way between. The
setting is the one at which the weighted geometric mean of the responses' desirabilities is highest (Derringer and Suich 1980).
It is that of the predicted means, as published: an average over the posterior would pull towards settings that are well
known, where no claim about single prints is made that could be broken. How well the desirability is known is said beside
it, from the posterior.

No share of conforming prints follows from wishes: in such a study there is no conformance, only intervals of the means and
of new prints.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.model.data import ResponseData, in_response_units
from doe.model.measured import Fitted
from doe.numerics import desirability
from doe.numerics.desirability import Goal
from doe.numerics.posterior import Draws
from doe.recommend import next_step, outlook
from doe.study import scale
from doe.study.spec import Response, Study
from doe.verdicts import Verdict

Array = NDArray[np.float64]

METHOD = (
    "Each response's predicted mean is worth 0 where its aim says it is worthless, 1 where it is perfect, and between them what"
    " the straight or bent way from one to the other gives; the overall desirability is the geometric mean of these, weighted"
    " by their priorities. The setting was chosen because this is highest there, so it flatters the setting. The intervals are of"
    " the posterior at this setting, responses independent, and do not allow for the choice; those of the means and of new prints"
    " do. A desirability is no share of prints: an aim sets no limit that a single print must keep."
)

_SEED = 20  # any fixed one: the same record gives the same recommendation


@dataclass(frozen=True)
class Wish:
    """One response at the setting: its aim in words, its predicted mean in its unit, and how desirable that is."""

    response: str
    unit: str
    aim: str
    priority: float
    mean: float
    desirability: float
    low: float
    high: float


@dataclass(frozen=True)
class Desirable:
    """
    How desirable the recommended setting is.

    Parameters
    ----------
    overall : float
        Weighted geometric mean of the desirabilities of the predicted means.
    low, high : float
        Of the posterior at this setting, at the study's level; without allowance for the choice.
    wishes : tuple of Wish
    level : float
    method : str
        What it is, and what it is not.
    """

    overall: float
    low: float
    high: float
    wishes: tuple[Wish, ...]
    level: float
    method: str


@dataclass(frozen=True)
class Wishes:
    """
    What settings would be worth; stands where an ``Outlook`` stands in a study with requirements.

    Parameters
    ----------
    views : tuple of ResponseData
    estimates : tuple of ndarray of shape (p,)
        Coefficients of each response.
    drawn : tuple of Draws
        Its posterior.
    goals : tuple of Goal
        In response units.
    printers : tuple of str
        Those that printed; predictions are the average over them.
    """

    views: tuple[ResponseData, ...]
    estimates: tuple[Array, ...]
    drawn: tuple[Draws, ...]
    goals: tuple[Goal, ...]
    printers: tuple[str, ...]

    def means(self, coded: Array) -> Array:
        """Return the predicted means at settings of shape (m, k), in response units, shape (m, r)."""
        found = (view.rows(coded) @ own for view, own in zip(self.views, self.estimates, strict=True))
        return np.column_stack([in_response_units(view.response, one) for view, one in zip(self.views, found, strict=True)])

    def individual(self, coded: Array, draws: int | None = None) -> Array:
        """Return the desirability of each response's mean in every draw, shape (m, draws, r)."""
        parts = []
        for view, drawn, goal in zip(self.views, self.drawn, self.goals, strict=True):
            means = in_response_units(view.response, view.rows(coded) @ drawn.beta[:draws].T)
            parts.append(desirability.desirability(means, goal))
        return np.stack(parts, axis=2)

    def shares(self, coded: Array, draws: int | None = None) -> Array:
        """Return the overall desirability in every draw, shape (m, draws)."""
        return desirability.overall(self.individual(coded, draws), self._priorities)

    def overall(self, coded: Array) -> Array:
        """Return the overall desirability of the predicted means, shape (m,)."""
        return desirability.overall(_individual(self.means(coded), self.goals), self._priorities)

    def score(self, coded: Array, draws: int | None = None) -> Array:
        """
        Return what the recommended setting maximises, shape (m,): the overall desirability of the predicted means.

        Where it is zero, the response that is farthest from being worth something decides, by a score below zero; where it is
        one, the average over the draws does.
        """
        means = self.means(coded)
        worth = desirability.overall(_individual(means, self.goals), self._priorities)
        score = np.where(worth > 0, worth, -np.log1p(_shortfall(means, self.goals)))
        perfect = worth == 1
        if perfect.any():
            score[perfect] += self.shares(coded[perfect], draws).mean(axis=1)
        return np.asarray(score)

    @property
    def _priorities(self) -> list[float]:
        return [goal.priority for goal in self.goals]


def has_aims(study: Study) -> bool:
    """Return whether the setting is chosen by aims; the rules of a study let either all measured responses have one or none."""
    return any(response.aim is not None for response in study.responses)


def goal_of(response: Response) -> Goal:
    """
    Return a response's aim as the goal of the search.

    Parameters
    ----------
    response : Response
        With an aim and the values that go with it.

    Returns
    -------
    Goal
        In response units.
    """
    below, above, perfect = response.worthless_below, response.worthless_above, response.perfect_at
    assert response.aim is not None and perfect is not None
    low, high = (perfect if value is None else value for value in (below, above))
    if response.aim == "target":
        shape = (response.shape, response.shape if response.shape_above is None else response.shape_above)
        return Goal("target", low, high, perfect, shape, response.priority)
    return Goal(response.aim, low, high, None, (response.shape,), response.priority)


def wishes(judged: Sequence[Fitted], printers: Sequence[str]) -> Wishes:
    """
    Return what settings are worth by the fits of all responses with an aim.

    Parameters
    ----------
    judged : sequence of Fitted
        Of the responses that have an aim.
    printers : sequence of str
        Those that printed.

    Raises
    ------
    InputRefused
        Print means that do not vary about the model.
    """
    return Wishes(
        views=tuple(one.data for one in judged),
        estimates=tuple(one.estimates for one in judged),
        drawn=tuple(
            outlook.drawn_from(one.data, np.random.default_rng([_SEED, place])) for place, one in enumerate(judged)
        ),
        goals=tuple(goal_of(one.data.response) for one in judged),
        printers=tuple(printers),
    )


def desirable(view: Wishes, coded: Array, level: float) -> Desirable:
    """
    Return how desirable one setting is.

    Parameters
    ----------
    view : Wishes
    coded : ndarray of shape (1, k)
        Coded units.
    level : float
        Of the intervals.
    """
    means = view.means(coded)
    parts, drawn = _individual(means, view.goals)[0], view.individual(coded)[0]
    found = []
    for place, one in enumerate(view.views):
        low, high = _interval(drawn[:, place], level)
        response, aim = one.response, scale.describe_requirement(one.response, "{:.10g}".format)
        found.append(
            Wish(
                response.name, response.display_unit, aim, response.priority,
                float(means[0, place]), float(parts[place]), low, high,
            )
        )  # fmt: skip
    low, high = _interval(view.shares(coded)[0], level)
    return Desirable(float(view.overall(coded)[0]), low, high, tuple(found), level, METHOD)


def verdicts(found: Desirable) -> Iterator[Verdict]:
    """Yield at most one verdict: at the best setting nothing is worth anything."""
    if found.overall == 0:
        worst = [one for one in found.wishes if one.desirability == 0]
        yield Verdict(
            next_step.WORTHLESS,
            "at the best setting found "
            + "; ".join(
                f"{one.response} is predicted at {one.mean:.4g} {one.unit}".rstrip() + f" ({one.aim})" for one in worst
            ),
            "look for a region or a material in which every response is worth something, or ask whether the limits of these "
            "aims are what is really wanted",
        )


def _individual(means: Array, goals: Sequence[Goal]) -> Array:
    return np.column_stack(
        [desirability.desirability(column, goal) for column, goal in zip(means.T, goals, strict=True)]
    )


def _shortfall(means: Array, goals: Sequence[Goal]) -> Array:
    """Return by how much of its whole way the worst response falls short of being worth anything, shape (m,)."""
    missing = []
    for column, goal in zip(means.T, goals, strict=True):
        below = goal.low - column if goal.aim != "minimise" else np.full(len(column), -np.inf)
        above = column - goal.high if goal.aim != "maximise" else np.full(len(column), -np.inf)
        missing.append(np.maximum(below, above) / (goal.high - goal.low))
    return np.asarray(np.maximum(np.max(missing, axis=0), 0.0))


def _interval(values: Array, level: float) -> tuple[float, float]:
    low, high = np.quantile(values, [(1 - level) / 2, (1 + level) / 2])
    return float(low), float(high)
