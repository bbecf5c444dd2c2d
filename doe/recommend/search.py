"""The search among the settings that may be recommended, from coarse to fine."""

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from doe.design import calibrated, setpoints
from doe.design.calibrated import Lines
from doe.model.data import ResponseData
from doe.numerics import calibration, coding
from doe.study.spec import Factor, Printer, Study
from doe.study.z_direction import limits_of

Array = NDArray[np.float64]
Indices = NDArray[np.int64]
"""Settings as places on the axes, shape (m, k)."""
Score = Callable[[Array, int | None], Array]
"""From coded settings, shape (m, k), and a number of draws (None for all) to what is to be large, shape (m,)."""

_SLACK = 1e-9
_COARSE_LEVELS = 5
_MOST_COARSE = 3125
_MOST_NEIGHBOURS = 400
_QUICK = 200
_KEPT = 12


@dataclass(frozen=True)
class Axis:
    """The values of one factor that can be set, were printed, and reach no printer's limit."""

    factor: Factor
    natural: Array
    """Natural units, ascending; level indices for a categorical factor. Shape (n,)."""
    coded: Array

    def value(self, place: int) -> float | str:
        """Return one value as people write it."""
        level = self.factor.levels
        return float(self.natural[place]) if level is None else level[int(self.natural[place])]

    def coarse(self) -> Indices:
        """Return up to five places from end to end, or all levels."""
        if self.factor.levels is not None:
            return np.arange(len(self.natural))
        return np.unique(np.linspace(0, len(self.natural) - 1, _COARSE_LEVELS).round().astype(np.int64))

    def around(self, place: int, step: int) -> list[int]:
        """Return the place and its neighbours a step away, or all levels."""
        if self.factor.levels is not None:
            return list(range(len(self.natural)))
        return [place, *(near for near in (place - step, place + step) if 0 <= near < len(self.natural))]


@dataclass(frozen=True)
class Region:
    """What may be recommended: the axes' values, less what breaks a constraint or lies outside what was printed."""

    axes: tuple[Axis, ...]
    weights: Array
    """Constraints in natural units: weights @ setting <= limits. Shape (c, k)."""
    limits: Array
    views: tuple[ResponseData, ...]

    def coded(self, places: Indices) -> Array:
        """Return settings in coded units, shape (m, k)."""
        return np.column_stack([axis.coded[column] for axis, column in zip(self.axes, places.T, strict=True)])

    def keeps_constraints(self, places: Indices) -> NDArray[np.bool_]:
        """Whether each setting keeps the study's constraints, shape (m,)."""
        natural = np.column_stack([axis.natural[column] for axis, column in zip(self.axes, places.T, strict=True)])
        return np.asarray((natural @ self.weights.T <= self.limits + _SLACK).all(axis=1), dtype=bool)

    def allows(self, places: Indices) -> NDArray[np.bool_]:
        """
        Whether each setting keeps the constraints and lies inside what was printed, shape (m,).

        Inside means that x'(X'X)^-1 x is at most the largest of the prints' own settings, all of them on the average of
        printers and rounds: within the range of every single factor a combination may still be far from every print
        (Montgomery, Peck and Vining 2012, section 3.8, where the largest leverage is the limit; the same without blocks).
        """
        allowed = self.keeps_constraints(places)
        coded = self.coded(places)
        for view, root, limit in self.reaches:
            reach = np.sum((view.rows(coded) @ root) ** 2, axis=1)
            allowed = allowed & (reach <= limit)
        return np.asarray(allowed, dtype=bool)

    @cached_property
    def reaches(self) -> tuple[tuple[ResponseData, Array, float], ...]:
        """Of every different model matrix its response, a root of (X'X)^-1, shape (p, p), and how far its prints reach."""
        different: list[ResponseData] = []
        for view in self.views:
            if not any(_same_prints(view, other) for other in different):
                different.append(view)
        roots = [np.linalg.inv(np.linalg.qr(view.X)[1]) for view in different]
        # Of the prints' settings as they are looked at here: on the average of printers and rounds.
        farthest = [float(np.sum((v.rows(v.coded) @ root) ** 2, axis=1).max()) for v, root in zip(different, roots, strict=True)]
        return tuple(zip(different, roots, (limit * (1 + _SLACK) for limit in farthest), strict=True))


def _same_prints(one: ResponseData, other: ResponseData) -> bool:
    return one.model == other.model and one.levels == other.levels and np.array_equal(one.X, other.X)


def region(
    study: Study, views: Sequence[ResponseData], printers: Sequence[str], lines: Lines | None = None
) -> Region:
    """
    Return the settings among which the recommendation is chosen.

    Parameters
    ----------
    study : Study
    views : sequence of ResponseData
        Of the responses that have a requirement; a setting must lie inside what each of them saw.
    printers : sequence of str
        Those that printed: a value must be within the limits of each, and so must its setpoint.
    lines : mapping of (printer, factor) to PrinterLine, optional
        From ``calibrated.lines_of`` with the record's readings, so that setpoints are those of the cards; by default those of
        the study file alone.
    """
    known = calibrated.lines_of(study) if lines is None else lines
    used = [printer for printer in study.printers if printer.name in printers]
    axes = tuple(
        _axis(factor, [view.coded[:, place] for view in views], used, known) for place, factor in enumerate(study.factors)
    )
    names = [factor.name for factor in study.factors]
    weights = np.array([[one.coef.get(name, 0.0) for name in names] for one in study.constraints]).reshape(-1, len(names))
    return Region(axes, weights, np.array([one.limit for one in study.constraints]), tuple(views))


def _axis(factor: Factor, printed: Sequence[Array], printers: Sequence[Printer], lines: Lines) -> Axis:
    if factor.levels is not None:
        seen = set.intersection(*({int(level) for level in column} for column in printed))
        natural = np.array(sorted(seen), dtype=float)
        return Axis(factor, natural, natural)
    assert factor.low is not None and factor.high is not None and factor.increment is not None
    steps = int((factor.high - factor.low) / factor.increment + _SLACK)
    natural = coding.round_to_increment(factor.low + factor.increment * np.arange(steps + 1), factor.increment, factor.low)
    coded = factor.coding.coded(natural)
    ends = np.array([max(column.min() for column in printed), min(column.max() for column in printed)])
    usable = _near_prints(factor, natural, coded, ends) & _within_limits(factor, natural, printers, lines)
    return Axis(factor, natural[usable], coded[usable])


def _near_prints(factor: Factor, natural: Array, coded: Array, ends: Array) -> NDArray[np.bool_]:
    """
    Return which values lie within what was printed, ``ends`` in coded units.

    Actual settings lie beside the increments, as setpoints do not reach every target: half an increment is not beyond.
    """
    assert factor.increment is not None
    if factor.has_nonlinear_scale:
        lowest, highest = factor.coding.natural(ends)
        half = factor.increment * (0.5 + _SLACK)
        return np.asarray((natural >= lowest - half) & (natural <= highest + half))
    half = factor.increment / factor.half_range / 2 + _SLACK
    return np.asarray((coded >= ends[0] - half) & (coded <= ends[1] + half))


def _within_limits(
    factor: Factor, natural: Array, printers: Sequence[Printer], lines: Lines
) -> NDArray[np.bool_]:
    usable = np.ones(len(natural), dtype=bool)
    for printer in printers:
        limits = limits_of(factor, printer)
        if limits is not None:
            low, high = limits
            known = lines.get((printer.name, factor.name))
            to_set = natural if known is None else setpoints.on_grid(factor, calibration.to_set(known.line, natural))
            for values in (natural, to_set):
                usable &= (values >= low - _SLACK) & (values <= high + _SLACK)
    return usable


def best_setting(area: Region, score: Score, generator: np.random.Generator) -> Indices | None:
    """
    Search the region for the setting with the highest score.

    Up to five levels a factor, and the settings that were printed, are screened with few draws; the best twelve start a
    walk over neighbours one step away in any combination of factors (in one or two at a time, where there are many
    factors), with all draws and steps that halve down to one increment. Where it ends, larger moves of every two factors
    at once are screened, since a slanting limit can hide the better setting from its neighbours. More than 3125 coarse
    settings are sampled.

    Parameters
    ----------
    area : Region
    score : Score
        The same draws at every call, so that settings are compared without noise.
    generator : Generator
        For the sample of coarse settings.

    Returns
    -------
    ndarray of shape (k,) or None
        Places on the axes; None where the region is empty.
    """
    known: dict[tuple[int, ...], float] = {}
    _add(known, area, score, _screened(area, score, _starts(area, generator)))
    if not known:
        return None
    step = np.array([max(1, -(-(len(axis.natural) - 1) // (_COARSE_LEVELS - 1))) for axis in area.axes])
    while True:
        best = max(known, key=known.__getitem__)
        near = _neighbours(area, best, step)
        _add(known, area, score, near[area.allows(near)])
        if max(known, key=known.__getitem__) != best:
            continue
        if (step > 1).any():
            step = np.maximum(1, step // 2)
            continue
        _add(known, area, score, _screened(area, score, _slices(area, best)))
        if max(known, key=known.__getitem__) == best:
            return np.array(best)


def _screened(area: Region, score: Score, places: Indices) -> Indices:
    """Return the twelve best of the allowed settings by a quick look."""
    if not len(places):
        return places
    allowed = places[area.allows(places)]
    if not len(allowed):
        return allowed
    return allowed[np.argsort(-score(area.coded(allowed), _QUICK), kind="stable")[:_KEPT]]


def _starts(area: Region, generator: np.random.Generator) -> Indices:
    """Return the coarse settings, and the printed ones at the nearest values that can be set."""
    if any(len(axis.natural) == 0 for axis in area.axes):
        return np.zeros((0, len(area.axes)), dtype=np.int64)
    coarse = [axis.coarse() for axis in area.axes]
    if np.prod([float(len(places)) for places in coarse]) <= _MOST_COARSE:
        grid = np.array(list(itertools.product(*coarse)))
    else:
        grid = np.column_stack([generator.choice(places, _MOST_COARSE) for places in coarse])
    printed = np.vstack([view.coded for view in area.views])
    nearest = np.column_stack(
        [np.abs(axis.coded[:, None] - column).argmin(axis=0) for axis, column in zip(area.axes, printed.T, strict=True)]
    )
    return np.unique(np.vstack([grid, nearest]), axis=0)


def _neighbours(area: Region, best: tuple[int, ...], step: Indices) -> Indices:
    choices = [axis.around(place, size) for axis, place, size in zip(area.axes, best, step.tolist(), strict=True)]
    if np.prod([float(len(places)) for places in choices]) <= _MOST_NEIGHBOURS:
        return np.array(list(itertools.product(*choices)))
    return _pairs(best, choices)


def _slices(area: Region, best: tuple[int, ...]) -> Indices:
    """Return settings that differ in any two factors, by as much as keeps their number to that of the coarse ones."""
    pairs = max(1, len(best) * (len(best) - 1) // 2)
    width = int(np.sqrt(_MOST_COARSE / pairs))
    choices = []
    for axis, place in zip(area.axes, best, strict=True):
        nearest = np.argsort(np.abs(np.arange(len(axis.natural)) - place), kind="stable")
        choices.append(nearest.tolist() if axis.factor.levels is not None else nearest[:width].tolist())
    return _pairs(best, choices)


def _pairs(best: tuple[int, ...], choices: Sequence[Sequence[int]]) -> Indices:
    """Return every setting that differs from the best in two factors at most."""
    found = {best}
    for one, other in itertools.combinations(range(len(best)), 2):
        for first, second in itertools.product(choices[one], choices[other]):
            found.add((*best[:one], first, *best[one + 1 : other], second, *best[other + 1 :]))
    return np.array(sorted(found))


def _add(known: dict[tuple[int, ...], float], area: Region, score: Score, places: Indices) -> None:
    """Score the settings that are not known yet."""
    new = [key for key in map(tuple, places.tolist()) if key not in known]
    if new:
        known.update(zip(new, score(area.coded(np.array(new)), None).tolist(), strict=True))


@dataclass(frozen=True)
class Edge:
    """A side on which the region, and not the score, ended the search."""

    axis: Axis
    side: str
    """``low`` or ``high``."""
    reason: str
    """``end of the range``, ``constraint`` or ``prints``: the prints leave the neighbour out."""


def edges(area: Region, best: Indices, score: Score) -> list[Edge]:
    """Return on which sides of the setting conformance might still rise, but no setting is allowed."""
    found = []
    here = float(score(area.coded(best[None]), None)[0])
    for place, axis in enumerate(area.axes):
        for side, step in (("low", -1), ("high", 1)):
            near = best.copy()
            near[place] += step
            if axis.factor.levels is not None or len(axis.natural) == 1:
                continue
            if not 0 <= near[place] < len(axis.natural):
                found.append(Edge(axis, side, "end of the range"))
            elif not area.allows(near[None])[0] and float(score(area.coded(near[None]), None)[0]) > here:
                kept = area.keeps_constraints(near[None])[0]
                found.append(Edge(axis, side, "prints" if kept else "constraint"))
    return found
