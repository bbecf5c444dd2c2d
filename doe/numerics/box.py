"""
The widest box of settings about a chosen one in which every setting of a grid is allowed: a process window.

The half-width of a box along a factor is counted in units of that factor's scale, say the error of its setpoint, so
that half-widths of different factors can be compared. The widest box is the one whose smallest half-width is largest;
of equal ones that whose second smallest is largest, and so on. A side of it that could move by a step would make one
half-width larger and no other smaller, so no side can: a factor without effect has its whole range. The chosen setting
lies inside, not always in the middle.

A categorical factor has levels without order: the box is found at the chosen level, and those levels are added at which
the whole box is allowed too.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import product

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Indices = NDArray[np.int64]
Check = Callable[[Indices], Flags]
Side = tuple[int, int]
"""A numeric axis and -1 for its lower side or +1 for its upper side, or a categorical axis and one of its levels."""

_DECIMALS = 9  # of a half-width in units of the scale; what differs by less is rounding of the axis


@dataclass(frozen=True)
class Box:
    """
    A box of grid settings.

    Parameters
    ----------
    places : tuple of k tuples of int
        Indices along each axis, ascending; without gaps on a numeric axis.
    half_widths : tuple of k float or None
        In units of the scale; 0 where the box holds one value, None for a categorical axis.
    """

    places: tuple[tuple[int, ...], ...]
    half_widths: tuple[float | None, ...]


@dataclass(frozen=True)
class GrownBox:
    """
    A box that was grown one step at a time.

    Parameters
    ----------
    box : Box
        Every setting of the grid in it was evaluated and is allowed.
    evaluations : int
        How many settings were evaluated, each once.
    untried : tuple of pairs of int
        Sides that might move further (axis, and -1 or +1) and categorical levels that might be added (axis and level),
        but that the number of evaluations did not suffice for; where there are none, no side can move.
    """

    box: Box
    evaluations: int
    untried: tuple[Side, ...]


def widest_box(
    ok: ArrayLike, chosen: Sequence[int], axes: Sequence[ArrayLike], scale: Sequence[float | None]
) -> Box | None:
    """
    Find the widest box of allowed settings that holds the chosen one; exact.

    Parameters
    ----------
    ok : bool array of shape (n_1, ..., n_k)
        Whether each setting of the grid is allowed.
    chosen : sequence of k int
        Place of the chosen setting on each axis.
    axes : sequence of k arrays
        Values of each axis, ascending, natural or coded units; of a categorical one only the number counts.
    scale : sequence of k float or None
        Unit of the half-width along each axis, in the units of the axis, above zero; None marks a categorical axis.

    Returns
    -------
    Box or None
        None where the chosen setting is not allowed. Of boxes with the same half-widths that in which the chosen setting
        lies deepest, its distances from the sides taken in the same order. Levels of several categorical axes are added
        one after the other, by axis and level.

    Raises
    ------
    ValueError
        Where the sizes do not agree, an axis does not ascend, a scale is not above zero, or the chosen setting is not
        on the grid.

    Notes
    -----
    Among the boxes at least so wide along each axis, only the shortest intervals matter, one for each lower end, and
    whether all of each combination of them is allowed follows from one axis after the other. So each trial of a width
    costs a few passes over the grid, and the width is found by bisection.
    """
    allowed = np.asarray(ok, dtype=bool)
    values = _checked(chosen, axes, scale)
    if allowed.shape != tuple(len(one) for one in values):
        raise ValueError("the map of allowed settings has one entry for each combination of the values of the axes")
    if not allowed[tuple(chosen)]:
        return None
    numeric = [i for i, unit in enumerate(scale) if unit is not None]
    layer = allowed[tuple(slice(None) if i in numeric else chosen[i] for i in range(len(values)))]
    lines = [_line(values[i], chosen[i], scale[i]) for i in numeric]
    layer, lines = _cropped(layer, lines)
    places: list[tuple[int, ...]] = [(place,) for place in chosen]
    for i, (low, high) in zip(numeric, _deepest(layer, lines, _widest(layer, lines)), strict=True):
        places[i] = tuple(range(low, high + 1))
    for i, level in _other_levels(chosen, values, scale):
        if allowed[np.ix_(*places[:i], (level,), *places[i + 1 :])].all():
            places[i] = tuple(sorted((*places[i], level)))
    return _box(places, values, scale)


def grow_box(
    check: Check, chosen: Sequence[int], axes: Sequence[ArrayLike], scale: Sequence[float | None], most: int = 20_000
) -> GrownBox | None:
    """
    Grow a box of allowed settings about the chosen one, where it takes long to tell whether a setting is allowed.

    The axis with the smallest half-width moves first, by one step, on the side nearer to the chosen setting; where that
    side is blocked, on the other. A blocked side stays blocked, as the box only grows.

    Parameters
    ----------
    check : function
        Takes places of shape (m, k) on the axes, returns shape (m,): whether each is allowed. No setting is given twice.
    chosen : sequence of k int
        Place of the chosen setting on each axis.
    axes : sequence of k arrays
        Values of each axis, ascending, natural or coded units; of a categorical one only the number counts.
    scale : sequence of k float or None
        Unit of the half-width along each axis, above zero; None marks a categorical axis.
    most : int
        Settings that may be evaluated, at least 1. A box can hold no more.

    Returns
    -------
    GrownBox or None
        None where the chosen setting is not allowed. Guaranteed: every grid setting in the box was evaluated and is
        allowed, the chosen one is among them, and every side that is not in ``untried`` is at the end of its axis or
        would take in a setting that is not allowed. Not guaranteed: that there is no wider box elsewhere about the
        chosen setting (``widest_box`` finds the widest), nor anything about values between those of the grid.

    Raises
    ------
    ValueError
        Where the sizes do not agree, an axis does not ascend, a scale is not above zero, ``most`` is below 1, or the
        chosen setting is not on the grid.
    """
    values = _checked(chosen, axes, scale)
    if most < 1:
        raise ValueError("at least one setting must be evaluated")
    known = _Known(check, most)
    if not known.allows([(place,) for place in chosen]):
        return None
    places: list[tuple[int, ...]] = [(place,) for place in chosen]
    untried: list[Side] = []
    open_sides = [(i, way) for i, unit in enumerate(scale) if unit is not None for way in (-1, 1)]
    while open_sides:
        i, way = min(open_sides, key=lambda side: _narrowness(side, places, chosen, values, scale))
        place = places[i][0] - 1 if way < 0 else places[i][-1] + 1
        verdict = known.allows([*places[:i], (place,), *places[i + 1 :]]) if 0 <= place < len(values[i]) else False
        if verdict:
            places[i] = tuple(sorted((*places[i], place)))
        else:
            open_sides.remove((i, way))
            untried += [(i, way)] if verdict is None else []
    for i, level in _other_levels(chosen, values, scale):
        verdict = known.allows([*places[:i], (level,), *places[i + 1 :]])
        places[i] = tuple(sorted((*places[i], level))) if verdict else places[i]
        untried += [(i, level)] if verdict is None else []
    return GrownBox(_box(places, values, scale), len(known.answers), tuple(sorted(untried)))


@dataclass(frozen=True)
class _Line:
    """One numeric axis: values from the first to the last that a box may hold, place of the chosen one, and scale."""

    values: Array
    chosen: int
    scale: float
    first: int  # place of values[0] on the whole axis

    @cached_property
    def half_widths(self) -> Array:
        """Half-width of the box from each lower to each upper end about the chosen value, in units of the scale."""
        lower, upper = self.values[: self.chosen + 1], self.values[self.chosen :]
        return np.asarray(np.round((upper - lower[:, None]) / (2 * self.scale), _DECIMALS))

    def shortest(self, half_width: float) -> tuple[Indices, Indices]:
        """Lower and upper ends of the shortest intervals about the chosen value that are at least so wide."""
        wide = self.half_widths >= half_width
        lower = np.flatnonzero(wide[:, -1])
        return lower, self.chosen + np.argmax(wide[lower], axis=1)

    def depth(self, lower: Indices, upper: Indices) -> Array:
        """Distance of the chosen value from the nearer end, in units of the scale."""
        here = self.values[self.chosen]
        nearer = np.minimum(here - self.values[lower], self.values[upper] - here)
        return np.asarray(np.round(nearer / self.scale, _DECIMALS))


def _line(values: Array, chosen: int, unit: float | None) -> _Line:
    assert unit is not None
    return _Line(values, chosen, unit, 0)


def _cropped(layer: Flags, lines: Sequence[_Line]) -> tuple[Flags, list[_Line]]:
    """Cut each axis to where the settings that differ from the chosen one on it alone are allowed without a gap."""
    here, cuts = [line.chosen for line in lines], []
    for i, place in enumerate(here):
        alone: tuple[int | slice, ...] = (*here[:i], slice(None), *here[i + 1 :])
        barred = np.flatnonzero(~layer[alone])
        below, above = barred[barred < place], barred[barred > place]
        cuts.append((int(below[-1]) + 1 if len(below) else 0, int(above[0]) if len(above) else layer.shape[i]))
    kept = [
        _Line(line.values[first:last], line.chosen - first, line.scale, first)
        for line, (first, last) in zip(lines, cuts, strict=True)
    ]
    return layer[tuple(slice(*cut) for cut in cuts)], kept


def _fitting(layer: Flags, lines: Sequence[_Line], half_widths: Sequence[float]) -> Flags:
    """Whether all of a box is allowed, for each combination of the shortest intervals at least so wide."""
    fitting = layer
    for i, (line, wanted) in enumerate(zip(lines, half_widths, strict=True)):
        lower, upper = line.shortest(wanted)
        flat = fitting.reshape(math.prod(fitting.shape[:i]), fitting.shape[i], math.prod(fitting.shape[i + 1 :]))
        every = np.empty((len(flat), len(lower), flat.shape[2]), dtype=bool)
        for place, (low, high) in enumerate(zip(lower.tolist(), upper.tolist(), strict=True)):
            np.logical_and.reduce(flat[:, low : high + 1], axis=1, out=every[:, place])
        fitting = every.reshape(*fitting.shape[:i], len(lower), *fitting.shape[i + 1 :])
    return fitting


def _widest(layer: Flags, lines: Sequence[_Line]) -> list[tuple[float, ...]]:
    """
    Half-widths of the widest boxes: the smallest as large as it can be, then the second smallest, and so on.

    More than one where they differ only in which axis has which half-width. At each round, the half-widths found so far
    are given to the axes in every way that fits, and the smallest of the rest is raised.
    """
    given: list[dict[int, float]] = [{}]
    for _ in lines:
        best, reached = -1.0, []
        for fixed in given:
            found = _raised(layer, lines, fixed, best)
            if found is not None and found > best:
                best, reached = found, [fixed]
            elif found is not None:
                reached.append(fixed)
        following = [{**fixed, i: best} for fixed in reached for i in range(len(lines)) if i not in fixed]
        given = [dict(pairs) for pairs in {tuple(sorted(fixed.items())) for fixed in following}]
    wanted = [tuple(fixed[i] for i in range(len(lines))) for fixed in given]
    return sorted(one for one in wanted if _fitting(layer, lines, one).any())


def _raised(layer: Flags, lines: Sequence[_Line], fixed: dict[int, float], least: float) -> float | None:
    """Largest half-width that all axes but the fixed ones can have at once; None where it is below ``least``."""
    loose = [line for i, line in enumerate(lines) if i not in fixed]
    tried = np.unique(np.concatenate([line.half_widths.ravel() for line in loose]))
    tried = tried[(tried >= least) & (tried <= min(line.half_widths.max() for line in loose))]

    def fits(half_width: float) -> bool:
        return bool(_fitting(layer, lines, [fixed.get(i, half_width) for i in range(len(lines))]).any())

    if not len(tried) or not fits(tried[0]):
        return None
    if len(tried) > 1 and not fits(tried[1]):
        return float(tried[0])
    low, high = 0, len(tried)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if fits(tried[middle]) else (low, middle)
    return float(tried[low])


def _deepest(layer: Flags, lines: Sequence[_Line], widest: Sequence[tuple[float, ...]]) -> list[tuple[int, int]]:
    """Ends on the whole axes of that one of the widest boxes in which the chosen setting lies deepest."""
    ends, depths = [], []
    for half_widths in widest:
        found = np.argwhere(_fitting(layer, lines, half_widths))
        shortest = [line.shortest(wanted) for line, wanted in zip(lines, half_widths, strict=True)]
        pairs = [(lower[place], upper[place]) for (lower, upper), place in zip(shortest, found.T, strict=True)]
        ends.append(np.array(pairs, dtype=np.int64).reshape(len(lines), 2, len(found)))
        depths.append(np.array([line.depth(*pair) for line, pair in zip(lines, pairs, strict=True)]))
    if not lines:
        return []
    every, depth = np.concatenate(ends, axis=2), np.sort(np.concatenate(depths, axis=1), axis=0)
    best = np.lexsort(-depth[::-1])[0]
    return [
        (line.first + int(low), line.first + int(high))
        for line, (low, high) in zip(lines, every[:, :, best], strict=True)
    ]


class _Known:
    """What is known about the settings of a grid; asks about each once."""

    def __init__(self, check: Check, most: int) -> None:
        self.check, self.most = check, most
        self.answers: dict[tuple[int, ...], bool] = {}

    def allows(self, places: Sequence[tuple[int, ...]]) -> bool | None:
        """Whether all of a box is allowed, its corners first; None where too few evaluations are left to tell."""
        if math.prod(len(one) for one in places) > self.most:
            return None
        settings = list(product(*places))
        if not all(self.answers.get(setting, True) for setting in settings):
            return False
        new = [setting for setting in settings if setting not in self.answers]
        if len(self.answers) + len(new) > self.most:
            return None
        ends = [{one[0], one[-1]} for one in places]
        corners = [setting for setting in new if all(place in end for place, end in zip(setting, ends, strict=True))]
        rest = [setting for setting in new if setting not in set(corners)]
        return self._ask(corners) and self._ask(rest)

    def _ask(self, settings: Sequence[tuple[int, ...]]) -> bool:
        if settings:
            found = np.asarray(self.check(np.array(settings, dtype=np.int64)), dtype=bool)
            self.answers.update(zip(settings, found.tolist(), strict=True))
        return all(self.answers[setting] for setting in settings)


def _narrowness(
    side: Side,
    places: Sequence[tuple[int, ...]],
    chosen: Sequence[int],
    values: Sequence[Array],
    scale: Sequence[float | None],
) -> tuple[float, float, Side]:
    """Half-width of the axis of a side and distance of that side from the chosen setting, both in units of the scale."""
    i, way = side
    axis, unit = values[i], scale[i] or 1.0
    end = places[i][0] if way < 0 else places[i][-1]
    half_width = (axis[places[i][-1]] - axis[places[i][0]]) / (2 * unit)
    distance = abs(axis[end] - axis[chosen[i]]) / unit
    return round(float(half_width), _DECIMALS), round(float(distance), _DECIMALS), side


def _other_levels(
    chosen: Sequence[int], values: Sequence[Array], scale: Sequence[float | None]
) -> Iterator[tuple[int, int]]:
    """Yield each level of each categorical axis but the chosen one."""
    for i, unit in enumerate(scale):
        if unit is None:
            yield from ((i, level) for level in range(len(values[i])) if level != chosen[i])


def _box(places: Sequence[tuple[int, ...]], values: Sequence[Array], scale: Sequence[float | None]) -> Box:
    half_widths = tuple(
        None if unit is None else float((axis[own[-1]] - axis[own[0]]) / (2 * unit))
        for own, axis, unit in zip(places, values, scale, strict=True)
    )
    return Box(tuple(places), half_widths)


def _checked(chosen: Sequence[int], axes: Sequence[ArrayLike], scale: Sequence[float | None]) -> list[Array]:
    """Return the axes as arrays; indices alone for a categorical one."""
    if not len(chosen) == len(axes) == len(scale):
        raise ValueError("a chosen place, an axis and a scale are needed for each factor")
    values = [
        np.arange(len(np.asarray(axis))) if unit is None else axis for axis, unit in zip(axes, scale, strict=True)
    ]
    arrays = [np.asarray(axis, dtype=float) for axis in values]
    for place, axis, unit in zip(chosen, arrays, scale, strict=True):
        if axis.ndim != 1 or not np.isfinite(axis).all() or np.any(np.diff(axis) <= 0):
            raise ValueError("the values of each axis are numbers in ascending order, each once")
        if not 0 <= place < len(axis):
            raise ValueError(f"the chosen place {place} is not one of the {len(axis)} places of its axis")
        if unit is not None and not 0 < unit < np.inf:
            raise ValueError(f"the scale {unit} of an axis is not a number above zero")
    return arrays
