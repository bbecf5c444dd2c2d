"""What a figure shows, as values, with caption or alternative text: the grid of a surface, the points of a level plot.

A measured response with two numeric factors or more is shown as a surface over the two that move its mean most; every
other response level by level.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from doe.report import numbers
from doe.report.protocol import requirement_words, with_unit
from doe.report.tables import words
from doe.study.spec import Factor, Response, Study

Array = NDArray[np.float64]
Settings = Mapping[str, Any]
"""One value per factor: a number in natural units, or a level."""
Predict = Callable[[Mapping[str, Any]], Array]
"""Arrays of shape (m,) per factor, natural units or levels -> predicted means of shape (m,), response units."""
Interval = Callable[[Mapping[str, Any]], Array]
"""The same -> lower and upper limits of the mean, shape (m, 2)."""

_GRID = 61
_COARSE = 5
_MARGIN = 0.5
_MOST_SERIES = 3
_FEWEST_IN_A_SHARE = 5


@dataclass(frozen=True)
class Limit:
    """One side of a requirement."""

    value: float
    at_least: bool
    words: str


@dataclass(frozen=True)
class SurfaceView:
    """The predicted mean of one response over two numeric factors, the others held."""

    x: Array
    y: Array
    z: Array
    """Shape (len(y), len(x)), response units."""
    labels: tuple[str, str, str]
    """Of x, y and z, each with its unit."""
    prints: Array
    """Actual settings of the prints, shape (n, 2), natural units."""
    limits: tuple[Limit, ...]
    setting: tuple[float, float] | None
    """The recommended one; None where there is no recommendation."""
    caption: str
    alt: str


@dataclass(frozen=True)
class Series:
    """One level of the second factor, or everything where there is none."""

    name: str
    centre: Array
    """Per level of the first factor, shape (L,); NaN where nothing is known."""
    interval: Array
    """Shape (L, 2); NaN where there is none."""
    dots: Array
    """Single prints, shape (m, 2): position along the levels (0 .. L - 1) and value."""


@dataclass(frozen=True)
class LevelView:
    """One response level by level of the factor that matters most, and by up to three levels of a second one."""

    levels: tuple[str, ...]
    labels: tuple[str, str]
    series: tuple[Series, ...]
    limits: tuple[Limit, ...]
    is_share: bool
    """Whether the values are shares, from 0 to 1."""
    caption: str
    alt: str


@dataclass(frozen=True)
class Prints:
    """The prints that gave a value of one response."""

    settings: pd.DataFrame
    """One row a print, one column a factor, natural units or levels."""
    values: Array
    """Shape (n,): their means in response units; for a share, 1 where the print meets the requirement and 0 where not."""


def limits_of(response: Response) -> tuple[Limit, ...]:
    """Return the sides of a measured response's requirement."""
    sides = ((response.at_least, True, "at least"), (response.at_most, False, "at most"))
    return tuple(
        Limit(value, lower, f"{sense} {numbers.exact(value)} {response.display_unit}".rstrip())
        for value, lower, sense in sides if value is not None
    )


def middle(study: Study) -> dict[str, Any]:
    """Return the centre of every numeric factor and the first level of every other: where figures are cut by default."""
    return {factor.name: factor.levels[0] if factor.levels is not None else factor.middle for factor in study.factors}


def measured_view(
    study: Study, response: Response, prints: Prints, predict: Predict, interval: Interval | None,
    recommended: Settings | None,
) -> SurfaceView | LevelView:
    """
    Return what is shown of a measured response.

    Parameters
    ----------
    study : Study
        Its factors give the axes.
    response : Response
        Its requirement is drawn where it lies within what is shown.
    prints : Prints
        Actual settings and print means.
    predict : callable
        Predicted mean at natural settings.
    interval : callable or None
        Confidence interval of the mean at natural settings; without it a level plot shows means alone.
    recommended : mapping or None
        The recommended setting: where the other factors are held; None: at their middle.
    """
    numeric = [factor for factor in study.factors if factor.is_numeric]
    held = middle(study) if recommended is None else dict(recommended)
    if len(numeric) >= 2:
        return _surface(study, response, prints, predict, held, recommended)
    return _levels(study, response, prints, predict, interval, held)


def _surface(
    study: Study, response: Response, prints: Prints, predict: Predict, held: Settings, recommended: Settings | None
) -> SurfaceView:
    numeric = [factor for factor in study.factors if factor.is_numeric]
    first, second = max(combinations(numeric, 2), key=lambda pair: float(np.ptp(_grid(pair, predict, held, _COARSE)[2])))
    x, y, z = _grid((first, second), predict, held, _GRID)
    setting = None if recommended is None else (float(recommended[first.name]), float(recommended[second.name]))
    where = held_words(study, held, (first, second), recommended is not None)
    places = prints.settings[[first.name, second.name]].to_numpy(dtype=float)
    near = np.array([_is_near(first, a) and _is_near(second, b) for a, b in places], dtype=bool)
    caption = f"Predicted {_centre(response)} of {words(response.name)} over {words(first.name)} and {words(second.name)}{where}."
    caption += _outside(near)
    labels = (with_unit(first), with_unit(second), with_unit(response))
    view = SurfaceView(x, y, z, labels, places[near], limits_of(response), setting, caption, "")
    return replace(view, alt=f"Contour plot. {caption} {_surface_words(view)}", caption=f"{caption} {_beyond(view)}".strip())


def _centre(response: Response) -> str:
    """Say what a prediction on the response's scale is of: what is fitted to logarithms comes back as a median."""
    return "median" if response.transform == "log" else "mean"


def _outside(near: NDArray[np.bool_]) -> str:
    return "" if near.all() else f" Prints outside of what is shown: {np.count_nonzero(~near)}."


def _is_near(factor: Factor, value: float) -> bool:
    """Whether a print is close enough to a factor's range to be drawn without squeezing the surface."""
    return abs(value - factor.centre) <= (1 + _MARGIN) * factor.half_range


def _grid(pair: Sequence[Factor], predict: Predict, held: Settings, points: int) -> tuple[Array, Array, Array]:
    axes = [factor.centre + factor.half_range * np.linspace(-1, 1, points) for factor in pair]
    across, up = np.meshgrid(*axes)
    settings = {name: np.full(across.size, value) for name, value in held.items()}
    settings |= {pair[0].name: across.ravel(), pair[1].name: up.ravel()}
    return axes[0], axes[1], np.asarray(predict(settings), dtype=float).reshape(across.shape)


def held_words(study: Study, held: Settings, shown: Sequence[Factor], recommended: bool) -> str:
    """Return where the factors that are not shown are held, as the end of a sentence."""
    others = [factor for factor in study.factors if factor not in shown]
    if not others:
        return ""
    parts = []
    for factor in others:
        value = held[factor.name]
        text = str(value) if factor.levels is not None else f"{numbers.setting(float(value))} {factor.display_unit}".rstrip()
        parts.append(f"{words(factor.name)} {text}")
    return f", at {'the recommended' if recommended else 'the middle of the'} {'; '.join(parts)}"


def _surface_words(view: SurfaceView) -> str:
    row, column = np.unravel_index(int(np.argmax(view.z)), view.z.shape)
    span = numbers.interval(float(view.z.min()), float(view.z.max()))
    text = f"It runs from {span}; the highest value is at {view.labels[0]} {numbers.plain(float(view.x[column]))} and"
    text += f" {view.labels[1]} {numbers.plain(float(view.y[row]))}. {len(view.prints)} prints are drawn as dots."
    if view.setting is not None:
        text += f" The recommended setting is at {' and '.join(numbers.setting(value) for value in view.setting)}."
    return f"{text} {_beyond(view)}".strip()


def _beyond(view: SurfaceView) -> str:
    """Say which limits no line can show, since the whole surface lies on one side."""
    parts = []
    for limit in view.limits:
        if not view.z.min() < limit.value < view.z.max():
            met = (view.z.min() >= limit.value) == limit.at_least and view.z.max() != limit.value
            parts.append(f"All of it {'meets' if met else 'misses'} the limit {limit.words}.")
    return " ".join(parts)


def _levels(
    study: Study, response: Response, prints: Prints, predict: Predict, interval: Interval | None, held: Settings
) -> LevelView:
    def span(factor: Factor) -> float:
        return float(np.ptp(predict(_along(factor, held))))

    first, second = _two_factors(study, span)
    shown = [first] if second is None else [first, second]
    near = np.array([all(_is_near(one, row[one.name]) for one in shown if one.is_numeric)
                     for row in prints.settings.to_dict("records")], dtype=bool)
    prints = Prints(prints.settings[near], prints.values[near])
    series = []
    for level in [None] if second is None else _values(second):
        at = held if second is None else {**held, second.name: level}
        settings = _along(first, at)
        centre = np.asarray(predict(settings), dtype=float)
        limits = np.full((len(centre), 2), np.nan) if interval is None else np.asarray(interval(settings), dtype=float)
        mine = _at_level(prints, second, level)
        series.append(Series(_series_name(second, level), centre, limits, _dots(first, prints, mine)))
    factors = " and ".join(words(one.name) for one in shown)
    caption = f"Predicted {_centre(response)} of {words(response.name)} at levels of {factors}"
    caption += f"{held_words(study, held, shown, False)}. Small dots are prints.{_outside(near)}"
    if interval is not None:
        caption += f" Bars are {numbers.level(study.header.confidence)} confidence intervals of it, each by itself."
    labels = (with_unit(first), with_unit(response))
    return _with_alt(LevelView(_names(first), labels, tuple(series), limits_of(response), False, caption, ""))


def _along(factor: Factor, held: Settings) -> dict[str, Any]:
    values = _values(factor)
    return {name: np.full(len(values), value) for name, value in held.items()} | {factor.name: np.array(values)}


def _two_factors(study: Study, span: Callable[[Factor], float]) -> tuple[Factor, Factor | None]:
    """Return the factor that matters most, and the next one of few enough levels to tell its series apart."""
    ranked = sorted(study.factors, key=span, reverse=True)
    others = [factor for factor in ranked[1:] if len(_values(factor)) <= _MOST_SERIES]
    return ranked[0], others[0] if others else None


def _values(factor: Factor) -> list[Any]:
    if factor.levels is not None:
        return list(factor.levels)
    return [factor.low, factor.middle, factor.high]


def _names(factor: Factor) -> tuple[str, ...]:
    return tuple(value if isinstance(value, str) else numbers.exact(value) for value in _values(factor))


def _series_name(factor: Factor | None, level: Any) -> str:  # noqa: ANN401 - number or level
    if factor is None:
        return ""
    text = level if isinstance(level, str) else f"{numbers.exact(level)} {factor.display_unit}".rstrip()
    return f"{words(factor.name)} {text}"


def _place(factor: Factor, settings: pd.DataFrame) -> Array:
    """Return where each print stands along a factor's levels, 0 .. L - 1."""
    column = settings[factor.name]
    if factor.levels is not None:
        return np.array([factor.levels.index(str(value)) for value in column], dtype=float)
    place: Array = 1 + np.asarray(factor.coding.coded(column.to_numpy(dtype=float)), dtype=float)
    return place


def _at_level(prints: Prints, factor: Factor | None, level: Any) -> NDArray[np.bool_]:  # noqa: ANN401 - number or level
    if factor is None:
        return np.ones(len(prints.values), dtype=bool)
    return np.abs(_place(factor, prints.settings) - _values(factor).index(level)) < 0.5


def _dots(factor: Factor, prints: Prints, mine: NDArray[np.bool_]) -> Array:
    return np.column_stack([_place(factor, prints.settings)[mine], prints.values[mine]])


def share_view(study: Study, response: Response, prints: Prints, confidence: float) -> LevelView:
    """
    Return the share of prints that meet the requirement of a graded or pass-fail response, level by level.

    Parameters
    ----------
    study : Study
        Its factors give the levels: those of a numeric factor are the low, middle and high third of its range.
    response : Response
        Graded or pass-fail.
    prints : Prints
        Settings, and 1 or 0 per print.
    confidence : float
        Two-sided level of the intervals, which are those of Clopper and Pearson (*Biometrika* 26, 1934, 404-413).
    """
    def span(factor: Factor) -> float:
        shares = [prints.values[_at_level(prints, factor, level)].mean() for level in _values(factor)
                  if _at_level(prints, factor, level).any()]
        return float(np.ptp(shares))

    first, second = _two_factors(study, span)
    if second is not None and not _enough(prints, first, second):
        second = None
    series = []
    for level in [None] if second is None else _values(second):
        cells = [prints.values[_at_level(prints, second, level) & _at_level(prints, first, at)] for at in _values(first)]
        centre = np.array([cell.mean() if len(cell) else np.nan for cell in cells])
        limits = np.array([share_interval(int(cell.sum()), len(cell), confidence) for cell in cells])
        series.append(Series(_series_name(second, level), centre, limits, np.empty((0, 2))))
    caption = (
        f"Share of prints whose {words(response.name)} meets the requirement ({requirement_words(response)}), at all values"
        f" of the factors not shown. Bars are {numbers.level(confidence)} confidence intervals (Clopper and Pearson), each by"
        " itself, with prints taken as independent: where drying loads differ they are too short."
    )
    labels = (with_unit(first), f"share of prints, {words(response.name)}")
    return _with_alt(LevelView(_names(first), labels, tuple(series), (), True, caption, ""))


def _enough(prints: Prints, first: Factor, second: Factor) -> bool:
    """Whether every pair of levels that was printed has prints enough for a share to say something."""
    counts = [int((_at_level(prints, first, at) & _at_level(prints, second, level)).sum())
              for at in _values(first) for level in _values(second)]
    return min(count for count in counts if count) >= _FEWEST_IN_A_SHARE


def share_interval(met: int, of: int, confidence: float) -> tuple[float, float]:
    """
    Return the exact confidence interval of a share (Clopper and Pearson, *Biometrika* 26, 1934, 404-413).

    Parameters
    ----------
    met, of : int
        Prints that meet the requirement, and prints.
    confidence : float
        Two-sided level.
    """
    if of == 0:
        return np.nan, np.nan
    tail = (1 - confidence) / 2
    low = 0.0 if met == 0 else float(stats.beta.ppf(tail, met, of - met + 1))
    high = 1.0 if met == of else float(stats.beta.ppf(1 - tail, met + 1, of - met))
    return low, high


def _with_alt(view: LevelView) -> LevelView:
    parts = []
    for one in view.series:
        points = [
            f"{name} {numbers.plain(float(centre), 3)}" + (f" ({numbers.interval(low, high)})" if np.isfinite(low) else "")
            for name, centre, (low, high) in zip(view.levels, one.centre, one.interval.tolist(), strict=True)
            if np.isfinite(centre)
        ]
        parts.append(f"{one.name or view.labels[0]}: {', '.join(points) or 'no prints'}.")
    return replace(view, alt=f"Level plot. {view.caption} {' '.join(parts)}")
