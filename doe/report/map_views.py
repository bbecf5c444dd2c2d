"""What is shown of the process window, as values: the map of the bound, each requirement's margin along each factor.

The map shades the bound of the conformance alone; the margins are distances of a mean from its limit, in the response's unit.
``doe.report.draw_maps`` draws both.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from doe.recommend.bounds import Chosen, estimates_and_bounds
from doe.recommend.outlook import limits
from doe.recommend.results import predicted_bound
from doe.recommend.search import Axis, Indices
from doe.recommend.window import Reach, Window
from doe.report import numbers
from doe.report.protocol import with_unit
from doe.report.tables import words
from doe.report.views import limits_of
from doe.study.spec import Response

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_ALONG = 17
_ACROSS = 25
_NEAR = 0.5
_MOST_ROWS = 6
_HALF = 0.35


@dataclass(frozen=True)
class MapView:
    """The bound of the conformance over the two factors that move it most, the others at the recommended setting."""

    x: Array
    y: Array
    bound: Array
    """Shape (len(y), len(x)), from 0 to 1; NaN where no setting may be recommended."""
    required: float
    labels: tuple[str, str]
    prints: Array
    """Shape (n, 2), natural units."""
    near: Flags
    """Which prints were like the recommended setting in the factors that are not shown, shape (n,)."""
    setting: tuple[float, float]
    box: tuple[tuple[float, float], tuple[float, float]] | None
    """The window along x and y; None where there is none."""
    scatter: tuple[float, float]
    """Standard deviation of the actual setting about its setpoint along x and y; 0 where none is declared."""
    caption: str
    alt: str


@dataclass(frozen=True)
class MarginRow:
    """The distance of one mean from its limit along one factor."""

    label: str
    at: Array
    """Natural units, or 0 .. L - 1 for named levels; shape (m,)."""
    levels: tuple[str, ...]
    """Names of levels; empty for a numeric factor."""
    median: Array
    band: Array
    """Shape (m, 2)."""
    setting: int
    """Which of the values is the recommended one."""
    window: tuple[tuple[float, float], ...]
    """Parts of the axis that are in the window: one interval, or one for each level."""


@dataclass(frozen=True)
class MarginView:
    """One requirement: a row a factor, the one that moves the mean most first."""

    label: str
    rows: tuple[MarginRow, ...]
    caption: str
    alt: str


def map_view(chosen: Chosen, found: Window) -> MapView | None:
    """
    Return the map of the bound.

    Parameters
    ----------
    chosen : Chosen
    found : Window

    Returns
    -------
    MapView or None
        None with fewer than two numeric factors of two values or more.
    """
    axes = chosen.area.axes
    numeric = [i for i, axis in enumerate(axes) if axis.factor.levels is None and len(axis.natural) > 1]
    if len(numeric) < 2:
        return None
    first, second = sorted(sorted(numeric, key=lambda i: -_drop(chosen, i))[:2])
    across, up = (_spread(axes[i], int(chosen.best[i]), _ACROSS) for i in (first, second))
    places = np.tile(chosen.best, (len(across) * len(up), 1))
    places[:, first], places[:, second] = np.tile(across, len(up)), np.repeat(up, len(across))
    allowed = chosen.area.allows(places)
    bound = np.full(len(places), np.nan)
    bound[allowed] = estimates_and_bounds(chosen, places[allowed])[1]
    prints, near = _prints(chosen, (first, second))
    x, y = axes[first], axes[second]
    made = MapView(
        x=x.natural[across], y=y.natural[up], bound=bound.reshape(len(up), len(across)), required=chosen.required,
        labels=(with_unit(x.factor), with_unit(y.factor)), prints=prints, near=near,
        setting=(float(x.natural[chosen.best[first]]), float(y.natural[chosen.best[second]])),
        box=_box(found, (x.factor.name, y.factor.name)), scatter=(x.factor.setpoint_sd, y.factor.setpoint_sd),
        caption="", alt="",
    )  # fmt: skip
    return _with_words(made, chosen, found, [axis for i, axis in enumerate(axes) if i not in (first, second)])


def _drop(chosen: Chosen, i: int) -> float:
    """Return by how much the bound changes along one factor, the others held."""
    line = _spread(chosen.area.axes[i], int(chosen.best[i]), _ALONG)
    places = np.tile(chosen.best, (len(line), 1))
    places[:, i] = line
    bound = estimates_and_bounds(chosen, places[chosen.area.allows(places)])[1]
    # Where every bound is near zero or one, the margins tell which factors matter.
    coded = chosen.area.coded(places[chosen.area.allows(places)])
    return float(np.ptp(bound) + np.ptp(chosen.view.score(coded)))


def _spread(axis: Axis, here: int, most: int) -> Indices:
    """Return places spread evenly from end to end, the recommended one among them; every level."""
    if axis.factor.levels is not None:
        return np.arange(len(axis.natural))
    even = np.linspace(0, len(axis.natural) - 1, most).round().astype(np.int64)
    return np.unique(np.append(even, here))


def _prints(chosen: Chosen, shown: tuple[int, int]) -> tuple[Array, Flags]:
    """Return every print's two shown settings, and whether it was near the recommended one in the others."""
    coded = {name: row for view in chosen.view.views for name, row in zip(view.names, view.coded, strict=True)}
    settings, here = np.array(list(coded.values())), chosen.coded[0]
    near = np.ones(len(settings), dtype=bool)
    for i, axis in enumerate(chosen.area.axes):
        if i not in shown:
            near &= np.abs(settings[:, i] - here[i]) <= (0 if axis.factor.levels is not None else _NEAR)
    factors = [chosen.area.axes[i].factor for i in shown]
    natural = [one.coding.natural(settings[:, i]) for one, i in zip(factors, shown, strict=True)]
    return np.column_stack(natural), near


def _box(found: Window, names: tuple[str, str]) -> tuple[tuple[float, float], tuple[float, float]] | None:
    by_name = {one.factor: one for one in found.reaches}
    pairs = [(one.low, one.high) for one in map(by_name.get, names) if one is not None]
    (low, high), (left, right) = pairs if len(pairs) == 2 else ((None, None), (None, None))
    if low is None or high is None or left is None or right is None:
        return None
    return (low, high), (left, right)


def _with_words(view: MapView, chosen: Chosen, found: Window, others: Sequence[Axis]) -> MapView:
    x, y = (label.split(",")[0] for label in view.labels)
    held = ", ".join(_held(axis, chosen) for axis in others)
    where = f", at the recommended {held}" if held else ""
    caption = (
        f"Bound of the conformance over {x} and {y}{where}: with {numbers.level(found.level)} confidence, each setting by itself,"
        f" at least this share of future prints meets every requirement. Asked for are {numbers.level(view.required)}."
    )
    box = "There is no process window."
    if view.box is not None:
        (left, right), (low, high) = (tuple(numbers.setting(end) for end in pair) for pair in view.box)
        box = f"The process window runs from {left} to {right} in {x} and from {low} to {high} in {y}"
        box += ", wherever the other factors are within theirs; it can be smaller than the shade suggests." if others else "."
    far = int((~view.near).sum())
    which = "dot is the print that differs" if far == 1 else f"dots are the {far} prints that differ"
    dots = f" Hollow {which} much in the factors held." if far else ""
    caption = f"{caption} {box}{dots}"
    best = float(np.nanmax(view.bound))
    alt = (
        f"Map in shades of grey, darker where the bound is higher. {caption} The bound runs from"
        f" {predicted_bound(float(np.nanmin(view.bound)))} to {predicted_bound(best)}; at the recommended setting,"
        f" {x} {numbers.setting(view.setting[0])} and {y} {numbers.setting(view.setting[1])}, it is"
        f" {predicted_bound(found.lower)}. {len(view.prints)} prints are drawn as dots."
    )
    return replace(view, caption=caption, alt=alt)


def _held(axis: Axis, chosen: Chosen) -> str:
    place = chosen.area.axes.index(axis)
    value = axis.value(int(chosen.best[place]))
    text = value if isinstance(value, str) else f"{numbers.setting(value)} {axis.factor.display_unit}".rstrip()
    return f"{words(axis.factor.name)} {text}"


def margin_views(chosen: Chosen, found: Window, level: float) -> tuple[MarginView, ...]:
    """
    Return how far each mean is from its limit along each factor, the others at the recommended setting.

    Parameters
    ----------
    chosen : Chosen
    found : Window
    level : float
        Two-sided, of the band at each setting.

    Returns
    -------
    tuple of MarginView
        One a response with a requirement. With two limits the distance is that from the nearer one; with a logarithmic model
        the mean is a median.
    """
    return tuple(_margin_view(chosen, found, place, level) for place in range(len(chosen.view.views)))


def _margin_view(chosen: Chosen, found: Window, place: int, level: float) -> MarginView:
    response = chosen.view.views[place].response
    by_name = {one.factor: one for one in found.reaches}
    every = [
        _margin_row(chosen, by_name.get(axis.factor.name), (i, place), level) for i, axis in enumerate(chosen.area.axes)
    ]
    ranked = sorted(every, key=lambda row: -float(np.ptp(row.median)))
    left_out = [row.label.split(",")[0] for row in ranked[_MOST_ROWS:]]
    rows = tuple(ranked[:_MOST_ROWS])
    mean = "median" if response.transform == "log" else "mean"
    asked = " and ".join(limit.words for limit in limits_of(response))
    caption = (
        f"Distance of the {mean} of {words(response.name)} from its limit ({asked}) along each factor, the others at the"
        f" recommended setting: middle of the posterior, and a {numbers.level(level)} band for each setting by itself. Below zero"
        f" the {mean} misses the requirement. {_scatter(chosen, place, response)}"
    )
    caption += " Shaded: the process window." if found.reaches else " There is no process window."
    caption += f" Not shown, as they move it less: {', '.join(left_out)}." if left_out else ""
    told = " ".join(_told(row) for row in rows)
    unit = f", {response.display_unit}" if response.display_unit else ""
    label = f"{words(response.name)}: {mean}'s distance from its limit{unit}"
    return MarginView(label, rows, caption, f"Curves. {caption} {told}")


def _margin_row(chosen: Chosen, reach: Reach | None, of: tuple[int, int], level: float) -> MarginRow:
    i, place = of
    axis, here = chosen.area.axes[i], int(chosen.best[i])
    line = _spread(axis, here, _ACROSS)
    places = np.tile(chosen.best, (len(line), 1))
    places[:, i] = line
    margin = _margins(chosen, places, place)
    names = tuple(str(axis.value(int(one))) for one in line) if axis.factor.levels is not None else ()
    tail = (1 - level) / 2
    return MarginRow(
        label=with_unit(axis.factor), at=np.arange(len(line), dtype=float) if names else axis.natural[line], levels=names,
        median=np.median(margin, axis=1), band=np.quantile(margin, [tail, 1 - tail], axis=1).T,
        setting=int(np.flatnonzero(line == here)[0]), window=_in_window(reach, names),
    )  # fmt: skip


def _in_window(reach: Reach | None, names: Sequence[str]) -> tuple[tuple[float, float], ...]:
    if reach is None:
        return ()
    if reach.low is not None and reach.high is not None:
        return ((reach.low, reach.high),)
    return tuple((place - _HALF, place + _HALF) for place, name in enumerate(names) if name in reach.levels)


def _margins(chosen: Chosen, places: Indices, place: int) -> Array:
    """Return the distance of a mean from its nearer limit in every draw, response units, shape (m, draws)."""
    view, draws = chosen.view.views[place], chosen.view.drawn[place]
    mean = view.rows(chosen.area.coded(places)) @ draws.beta.T
    low, high = limits(view.response)
    if view.response.transform == "log":
        mean, low, high = np.exp(mean), view.response.at_least, view.response.at_most
    sides = [sign * (mean - limit) for sign, limit in ((1, low), (-1, high)) if limit is not None]
    return np.asarray(np.min(sides, axis=0))


def _scatter(chosen: Chosen, place: int, response: Response) -> str:
    """Say how far single values lie from the mean, since the requirement is on them and not on the mean."""
    sd = float(np.median(chosen.view.future[place]))
    what = "print's mean" if response.requirement_on == "print mean" or response.per == "print" else "coupon"
    if response.transform == "log":
        return f"A new {what} scatters about it by {numbers.plain(100 * np.expm1(sd), 2)} % or so (one standard deviation)."
    spread = f"{numbers.plain(sd, 2)} {response.display_unit}".rstrip()
    return f"A new {what} scatters about it with a standard deviation of about {spread}."


def _told(row: MarginRow) -> str:
    place = numbers.place_of(float(np.ptp(row.band, axis=1).min()) / 2)
    ends = [0, row.setting, len(row.median) - 1]
    at = [row.levels[end] if row.levels else numbers.setting(float(row.at[end])) for end in ends]
    if row.levels:
        ends, at = list(range(len(row.levels))), list(row.levels)
    parts = [f"{numbers.at_place(float(row.median[end]), place)} at {name}" for end, name in zip(ends, at, strict=True)]
    return f"{row.label}: {', '.join(dict.fromkeys(parts))}."
