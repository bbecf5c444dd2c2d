"""
The widest box of settings about the recommended one whose bound is high enough, with as few evaluations as may be.

The lines through the setting, factor by factor, bracket the box. In the bracket the widest box of a coarse lattice is found
with a part of the draws, then of finer lattices around it, down to every increment where there are few. After that all draws
count: the settings in the box are evaluated, all of them or as many as the evaluations last for, the box is cut where one
fails, and its sides are moved out where they can be.
"""

import itertools
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from doe.numerics.box import grow_box, widest_box
from doe.recommend.bounds import ALL, QUICK, Chosen, chunks, may_fail
from doe.recommend.search import Axis, Indices

Flags = NDArray[np.bool_]
Ends = tuple[int, int]
Places = list[tuple[int, ...]]
"""Of a box, or of a lattice: places along every axis, ascending."""

END, CONSTRAINT, PRINTS, BOUND, NOT_TRIED = (
    "end of what was tried", "constraint", "prints", "bound", "not tried further",
)  # fmt: skip
"""What ends a box on a side."""

_SEARCH = 800
_ZOOMS = 3
_LINE = 33
_LATTICE = 200
_LARGEST_LATTICE = 729
_FACE = 48
_LISTED = 100_000
_SEED = 21  # any fixed one: the same record gives the same window


class Checked:
    """
    Which settings are known to pass; asks about each once.

    With all draws, of which few are enough to see that a setting fails; or, for a search, with a few draws alone.
    """

    def __init__(self, chosen: Chosen, most: int, draws: int | None = None) -> None:
        self.chosen, self.left, self.draws = chosen, most, draws
        self.quick = QUICK if draws is None else draws // 4
        self.may_fail = may_fail(chosen, draws)
        self.answers: dict[tuple[int, ...], bool] = {tuple(chosen.best.tolist()): True}

    def passes(self, places: Indices) -> Flags:
        """Whether each setting may be recommended and its bound is high enough, shape (m,)."""
        keys = [tuple(one) for one in places.tolist()]
        new = np.array(list(dict.fromkeys(key for key in keys if key not in self.answers)), dtype=np.int64)
        if len(new):
            found = self.chosen.area.allows(new)
            self.answers.update(dict.fromkeys(map(tuple, new[~found].tolist()), False))
            if found.any():
                self._know(new[found], self._above(new[found]))
        return np.array([self.answers[key] for key in keys], dtype=bool)

    def holds(self, places: Sequence[Sequence[int]]) -> bool:
        """Whether every combination passes; corners first, and no further than the first part that fails."""
        return self.first_failing(_every(places)) is None

    def first_failing(self, places: Indices) -> tuple[int, ...] | None:
        """Return a setting that fails, or None."""
        keys = [tuple(one) for one in places.tolist()]
        for key in keys:
            if self.answers.get(key) is False:
                return key
        new = np.array([key for key in keys if key not in self.answers], dtype=np.int64).reshape(-1, places.shape[1])
        barred = new[~self.chosen.area.allows(new)] if len(new) else new
        if len(barred):
            self.answers.update(dict.fromkeys(map(tuple, barred.tolist()), False))
            return tuple(barred[0].tolist())
        return None if not len(new) else self._first_below(new)

    def _first_below(self, new: Indices) -> tuple[int, ...] | None:
        failing = self._failing(new, 0, self.quick)
        quick = failing <= self.may_fail
        if not quick.all():
            self._know(new[~quick], np.zeros(int((~quick).sum()), dtype=bool))
            return tuple(new[int(np.argmin(quick))].tolist())
        for part, so_far in zip(chunks(new), chunks(failing), strict=True):
            self.left -= len(part)
            found = so_far + self._failing(part, self.quick, self.draws) <= self.may_fail
            self._know(part, found)
            if not found.all():
                return tuple(part[int(np.argmin(found))].tolist())
        return None

    def inside(self, places: Sequence[Sequence[int]]) -> int:
        """Return how many combinations are known to pass."""
        within = [set(one) for one in places]
        return sum(
            passed and all(place in own for place, own in zip(key, within, strict=True))
            for key, passed in self.answers.items()
        )

    def _know(self, places: Indices, found: Flags) -> None:
        self.answers.update(zip(map(tuple, places.tolist()), found.tolist(), strict=True))

    def _above(self, places: Indices) -> Flags:
        failing = self._failing(places, 0, self.quick)
        found = failing <= self.may_fail
        if found.any():
            self.left -= int(found.sum())
            found[found] = failing[found] + self._failing(places[found], self.quick, self.draws) <= self.may_fail
        return found

    def _failing(self, places: Indices, first: int, last: int | None) -> NDArray[np.int64]:
        """In how many of some draws the conformance is below what is asked."""
        view, area, required = self.chosen.view, self.chosen.area, self.chosen.required
        parts = [view.shares(area.coded(part), last, first) for part in chunks(places, last or ALL)]
        return np.concatenate([np.asarray((part.astype(float) < required).sum(axis=1)) for part in parts])


def _every(places: Sequence[Sequence[int]]) -> Indices:
    """Return every combination, those with more factors at an end first."""
    return np.array(sorted(itertools.product(*places), key=lambda one: _inward(one, places)), dtype=np.int64)


def _inward(setting: Sequence[int], places: Sequence[Sequence[int]]) -> int:
    """How many factors are at no end of their places."""
    return sum(place not in (own[0], own[-1]) for place, own in zip(setting, places, strict=True))


def widest_places(chosen: Chosen, checked: Checked) -> Places:
    """
    Return the places of the window along every axis.

    Parameters
    ----------
    chosen : Chosen
        Whose own bound is high enough.
    checked : Checked
        Nothing is known yet; afterwards what was evaluated is.
    """
    here = [int(place) for place in chosen.best]
    brackets = [_bracket(checked, i) for i in range(len(here))]
    lattice = _lattices(here, brackets)
    if not _whole(lattice):
        lattice, places = _zoomed(Checked(chosen, most=0, draws=_SEARCH), here, lattice)
    if _whole(lattice):
        places = _filled(_on_lattice(checked, lattice), checked)
    places = _verified(checked, places, checked.left // 2)
    places = _moved_out(checked, brackets, places, checked.left // 2)
    return _verified(checked, _with_levels(checked, places), 0)


def _whole(lattice: Sequence[tuple[int, ...]]) -> bool:
    """Whether a lattice leaves out no increment between its ends."""
    return all(len(own) == own[-1] - own[0] + 1 for own in lattice)


def _filled(places: Sequence[tuple[int, ...]], checked: Checked) -> Places:
    """Return every place between the ends of a box; of levels the chosen one."""
    return [
        tuple(range(own[0], own[-1] + 1)) if axis.factor.levels is None else (int(here),)
        for axis, own, here in zip(checked.chosen.area.axes, places, checked.chosen.best, strict=True)
    ]


def _zoomed(quick: Checked, here: Sequence[int], lattice: Places) -> tuple[Places, Places]:
    """Find the widest box of ever finer lattices around it; return the last lattice, and all places in the box."""
    for _ in range(_ZOOMS):
        box = _on_lattice(quick, lattice)
        sides = [(_next(of, own[0], -1), _next(of, own[-1], 1)) for of, own in zip(lattice, box, strict=True)]
        finer = _lattices(here, sides)
        if finer == lattice:  # it has the fewest places there may be: come closer
            halves = [
                ((own[0] + low) // 2, -(-(own[-1] + high) // 2)) for own, (low, high) in zip(box, sides, strict=True)
            ]
            finer = _lattices(here, halves)
        if finer == lattice or _whole(lattice):
            break
        lattice = finer
    return lattice, _filled(box, quick)


def _next(lattice: Sequence[int], end: int, way: int) -> int:
    """Return the place of a lattice next to an end of a box, outside of it; the end itself where there is none."""
    return min((place for place in lattice if (place - end) * way > 0), key=lambda place: place * way, default=end)


def _with_levels(checked: Checked, places: Places) -> Places:
    """Add the levels of categorical factors at which the box is allowed too."""
    axes, best = checked.chosen.area.axes, checked.chosen.best
    for i, axis in enumerate(axes):
        for level in range(len(axis.natural)) if axis.factor.levels is not None else ():
            grid = _grid(checked, places, i)
            if level != best[i] and checked.left > 0 and checked.holds([*grid[:i], (level,), *grid[i + 1 :]]):
                places[i] = tuple(sorted((*places[i], level)))
    return places


def _bracket(checked: Checked, i: int) -> Ends:
    """Return how far one factor can move with the others held; a fine axis is looked at in some 33 places, then between."""
    here, axis = checked.chosen.best, checked.chosen.area.axes[i]
    own, last = int(here[i]), len(axis.natural) - 1
    if axis.factor.levels is not None:
        return own, own

    def passes(places: Sequence[int]) -> list[bool]:
        line = np.tile(here, (len(places), 1))
        line[:, i] = places
        return [bool(one) for one in checked.passes(line)]

    step = -(-(last + 1) // _LINE)
    line = sorted({*range(own % step, last + 1, step), 0, last})
    barred = [place for place, passed in zip(line, passes(line), strict=True) if not passed]
    ends = []
    for way in (-1, 1):
        outer = _next(barred, own, way)
        inner = (0 if way < 0 else last) if outer == own else _next(line, outer, -way)
        while outer != own and abs(outer - inner) > 1:
            middle = (inner + outer) // 2
            inner, outer = (middle, outer) if passes([middle])[0] else (inner, middle)
        ends.append(inner)
    return ends[0], ends[1]


def _lattices(here: Sequence[int], brackets: Sequence[Ends]) -> Places:
    """Return up to about 200 combinations of places in the brackets, the ends and the recommended ones among them."""
    steps = [1] * len(here)
    while True:
        made = [
            tuple(sorted({*range(place - (place - low) // step * step, high + 1, step), low, high}))
            for place, (low, high), step in zip(here, brackets, steps, strict=True)
        ]
        coarsest = max(range(len(here)), key=lambda i: len(made[i]))
        if np.prod([float(len(one)) for one in made]) <= _LATTICE or len(made[coarsest]) <= 3:
            return made
        steps[coarsest] *= 2


def _on_lattice(checked: Checked, lattice: Sequence[tuple[int, ...]]) -> Places:
    """Return the places of the widest box of the lattice; with too many factors for a map of it, of one that was grown."""
    chosen = checked.chosen
    here = [own.index(int(place)) for own, place in zip(lattice, chosen.best, strict=True)]
    axes = [axis.natural[list(own)] for axis, own in zip(chosen.area.axes, lattice, strict=True)]
    scale = [scale_of(axis) for axis in chosen.area.axes]
    shape = tuple(len(own) for own in lattice)

    def check(at: Indices) -> Flags:
        return checked.passes(
            np.column_stack([np.array(own)[column] for own, column in zip(lattice, at.T, strict=True)])
        )

    if np.prod([float(one) for one in shape]) > _LARGEST_LATTICE:
        grown = grow_box(check, here, axes, scale, _LARGEST_LATTICE)
        box = None if grown is None else grown.box
    else:
        every = np.array(list(np.ndindex(*shape)), dtype=np.int64)
        box = widest_box(check(every).reshape(shape), here, axes, scale)
    assert box is not None  # the recommended setting passes
    return [tuple(own[place] for place in at) for own, at in zip(lattice, box.places, strict=True)]


def _moved_out(checked: Checked, brackets: Sequence[Ends], places: Places, reserve: int) -> Places:
    """Move each side of a box out, the narrowest factor first."""
    axes = checked.chosen.area.axes

    def width(i: int) -> float:
        return float(np.ptp(axes[i].natural[list(places[i])]) / (scale_of(axes[i]) or 1.0))

    for i in sorted((i for i, axis in enumerate(axes) if axis.factor.levels is None), key=width):
        for way in (-1, 1):
            inner = places[i][0] if way < 0 else places[i][-1]
            outer = brackets[i][0] - 1 if way < 0 else brackets[i][1] + 1
            while abs(outer - inner) > 1 and checked.left > reserve:
                middle = (inner + outer) // 2
                grid = _grid(checked, places, i)
                holds = checked.holds([*grid[:i], (middle,), *grid[i + 1 :]])
                inner, outer = (middle, outer) if holds else (inner, middle)
            places[i] = tuple(range(min(inner, places[i][0]), max(inner, places[i][-1]) + 1))
    return places


def _grid(checked: Checked, places: Sequence[tuple[int, ...]], but: int) -> Places:
    """Return all places of a box where a side of it holds few settings, else its ends, the recommended place, and levels."""
    if np.prod([float(len(one)) for i, one in enumerate(places) if i != but]) <= _FACE:
        return list(places)
    return [
        own if axis.factor.levels is not None else tuple(sorted({own[0], int(here), own[-1]}))
        for axis, own, here in zip(checked.chosen.area.axes, places, checked.chosen.best, strict=True)
    ]


def _verified(checked: Checked, places: Places, reserve: int) -> Places:
    """Evaluate what is in the box as far as the evaluations last, and cut it where a setting fails."""
    generator = np.random.default_rng(_SEED)
    while True:
        size = np.prod([float(len(one)) for one in places])
        unknown, left = size - checked.inside(places), checked.left - reserve
        if unknown == 0 or left <= 0:
            return places
        all_of_it = size <= _LISTED and unknown <= left
        failing = checked.first_failing(_every(places) if all_of_it else _at_the_ends(places, left, generator))
        if failing is None:
            return places
        places = _cut(checked.chosen, places, failing)


def _at_the_ends(places: Sequence[tuple[int, ...]], size: int, generator: np.random.Generator) -> Indices:
    """Draw settings of the box, one factor of each at an end of its interval."""
    ends = [(one[0], one[-1]) for one in places]
    corners = np.column_stack([generator.choice(one, size) for one in ends])
    found = np.column_stack([generator.choice(one, size) for one in places])
    of, upper = generator.integers(len(places), size=size), generator.integers(2, size=size)
    found[np.arange(size), of] = np.array(ends)[of, upper]
    return np.unique(np.vstack([corners[: size // 3], found[size // 3 :]]), axis=0)


def _cut(chosen: Chosen, places: Sequence[tuple[int, ...]], failing: Sequence[int]) -> Places:
    """Cut the box so that the failing setting is out, on the factor for which the rest is widest as ``widest_box`` counts."""
    options = []
    for i, (axis, place) in enumerate(zip(chosen.area.axes, failing, strict=True)):
        here = int(chosen.best[i])
        if place != here:
            numeric = axis.factor.levels is None
            away = [
                one
                for one in places[i]
                if (one != place if not numeric else one < place if place > here else one > place)
            ]
            options.append([*places[:i], tuple(away), *places[i + 1 :]])
    return max(options, key=lambda one: _widths(chosen, one))


def _widths(chosen: Chosen, places: Sequence[tuple[int, ...]]) -> list[float]:
    """Return the half-widths of a box, the smallest first, then the numbers of its levels."""
    scales = [scale_of(axis) for axis in chosen.area.axes]
    found = [
        float(np.ptp(axis.natural[list(own)]) / 2 / unit)
        for axis, own, unit in zip(chosen.area.axes, places, scales, strict=True)
        if unit is not None
    ]
    return sorted(found) + [float(len(own)) for own, unit in zip(places, scales, strict=True) if unit is None]


def scale_of(axis: Axis) -> float | None:
    """Return what half-widths are counted in: the setpoint error, an increment without one, None for named levels."""
    factor = axis.factor
    return None if factor.levels is not None else factor.setpoint_sd or factor.increment


def ended_by(checked: Checked, places: Sequence[tuple[int, ...]], i: int, beyond: int) -> str:
    """Return why the box does not hold the next value of a factor, as far as its corners and settings looked at tell."""
    area, best = checked.chosen.area, checked.chosen.best
    if not 0 <= beyond < len(area.axes[i].natural):
        return END
    ends = [tuple(sorted({one[0], int(here), one[-1]})) for one, here in zip(places, best, strict=True)]
    slab = np.array(list(itertools.islice(itertools.product(*ends[:i], (beyond,), *ends[i + 1 :]), _LARGEST_LATTICE)))
    known = [key for key, passed in checked.answers.items() if not passed and key[i] == beyond]
    within = [key for key in known if all(key[j] in places[j] for j in range(len(places)) if j != i)]
    looked = np.vstack([slab, *(np.array(key)[None] for key in within)])
    allowed = area.allows(looked)
    if within and area.allows(np.array(within)).any():
        return BOUND
    if checked.first_failing(looked[allowed]) is not None:
        return BOUND
    if allowed.all():
        return NOT_TRIED
    return PRINTS if area.keeps_constraints(looked).all() else CONSTRAINT
