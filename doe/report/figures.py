"""Figures as SVG bytes: one look for all, safe in greyscale or for any kind of colour vision, the same bytes each time.

Surfaces are bands of one hue from light to dark with labelled lines; what must be told apart differs in shape, not in
colour alone. Letters are drawn as outlines of fonts that come with matplotlib, so that no font of the machine matters.
"""

import textwrap
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.font_manager import FontEntry, fontManager
from matplotlib.lines import Line2D
from matplotlib.patheffects import Normal, Stroke, withTickedStroke
from matplotlib.ticker import FuncFormatter, MaxNLocator
from numpy.typing import NDArray

from doe.report import numbers, svg
from doe.report.figure_layout import Column
from doe.report.tables import in_fonts
from doe.report.views import LevelView, Series, SurfaceView

Array = NDArray[np.float64]

INK, GREY, PAPER = "#1c2b36", "#6b7780", "#ffffff"
BANDS = LinearSegmentedColormap.from_list("bands", ["#f6f8f9", "#c9d6de", "#8ea9b8", "#5f8296"])
_MARKERS = (("o", INK, "-"), ("s", PAPER, "--"), ("^", "#9aa7b0", ":"))
WIDE_MM, _HIGH_MM = 150.0, 96.0
_ACROSS, _UP, _IN_KEY, _LONG_KEY = 88, 54, 34, 40
"""Letters in a line of what stands below the axes, upright beside them, and in the key; there, what has more than the last."""
_NAMES, _TURNED, _LINE_MM, _LINES = 84, 30, 3.4, 3
"""Letters of all names under an axis in one line, and of one that is turned; the height of a line, and how many find room."""
_PLACES = 40
"""Prints closer than one in so many parts of the axes are drawn as one place."""

# Names of our own for two fonts that matplotlib brings along: under their usual names a font of the machine could be taken.
_FONTS = {"report figure": "STIXGeneral.ttf", "report figure, other letters": "DejaVuSans.ttf"}
for _name, _file in _FONTS.items():
    fontManager.ttflist.append(FontEntry(fname=f"{mpl.get_data_path()}/fonts/ttf/{_file}", name=_name, size="scalable"))

_LOOK = {
    "font.family": list(_FONTS), "font.size": 9.0, "axes.linewidth": 0.6, "axes.edgecolor": INK, "axes.labelcolor": INK,
    "text.color": INK, "xtick.color": INK, "ytick.color": INK, "xtick.major.width": 0.6, "ytick.major.width": 0.6,
    "axes.unicode_minus": True, "text.parse_math": False, "svg.fonttype": "path", "svg.hashsalt": "doe",
    "legend.frameon": False, "legend.fontsize": 8.5, "path.simplify": False,
}


def surface_figure(view: SurfaceView) -> bytes:
    """Return a surface as SVG: bands with labelled lines, prints as dots, limits as ticked lines, the setting as a cross."""
    with new_figure() as (figure, axes):
        keys = [*_bands(axes, view), *_limit_lines(axes, view), *_print_dots(axes, view)]
        if view.setting is not None:
            keys += axes.plot(
                *view.setting, marker="P", markersize=11, markerfacecolor=PAPER, markeredgecolor=INK, markeredgewidth=1.2,
                linestyle="none", label="recommended setting", zorder=6, clip_on=False,
            )
        name_axes(axes, view.labels)
        axes.set_xlim(*_span(view.x, view.prints[:, 0]))
        axes.set_ylim(*_span(view.y, view.prints[:, 1]))
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_formatter(FuncFormatter(lambda value, _: numbers.exact(value)))
        draw_key(axes, keys)
        return as_svg(figure)


def level_figure(view: LevelView) -> bytes:
    """Return a level plot as SVG: one marker a series, bars for intervals, small dots for prints."""
    with new_figure() as (figure, axes):
        keys: list[Any] = []
        for number, series in enumerate(view.series):
            keys += _series(axes, series, number, len(view.series))
        for limit in view.limits:
            axes.axhline(limit.value, color=INK, linewidth=1.2, linestyle=(0, (6, 3)))
            keys.append(Line2D([], [], color=INK, linewidth=1.2, linestyle=(0, (6, 3)), label=in_fonts(limit.words)))
        name_places(axes, view.levels)
        seen = np.concatenate([series.dots[:, 0] for series in view.series])
        axes.set_xlim(min(-0.5, seen.min(initial=0) - 0.3), max(len(view.levels) - 0.5, seen.max(initial=0) + 0.3))
        if view.is_share:
            axes.set_ylim(-0.03, 1.03)
        name_axes(axes, view.labels)
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: numbers.exact(value)))
        axes.spines[["top", "right"]].set_visible(False)
        draw_key(axes, keys)
        return as_svg(figure)


@contextmanager
def new_figure() -> Iterator[tuple[Figure, Axes]]:
    """Yield an empty figure in our look, whatever the machine's own matplotlib settings are."""
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(_LOOK)
        figure = Figure(figsize=(WIDE_MM / 25.4, _HIGH_MM / 25.4), layout=Column())
        yield figure, figure.add_subplot()


def wrapped(text: str, letters: int, most: int | None = None) -> str:
    """Return printable text in lines of so many letters; what no more than ``most`` lines can hold ends in an ellipsis."""
    return "\n".join(textwrap.wrap(in_fonts(text), letters, max_lines=most, placeholder=" …"))


def name_axes(axes: Axes, labels: Sequence[str]) -> None:
    """Write what is shown across and up beside the axes."""
    axes.set_xlabel(wrapped(labels[0], _ACROSS))
    axes.set_ylabel(wrapped(labels[1], _UP))


def name_places(axes: Axes, names: Sequence[str], upright: int = 6) -> None:
    """Write names under the places 0, 1, ...; more than ``upright`` are turned, and long ones make the figure higher."""
    if len(names) > upright:
        most = max(1, int(_NAMES / len(names) / 2))
        axes.set_xticks(range(len(names)), [wrapped(name, _TURNED, most) for name in names], rotation=90, fontsize=8)
        return
    written = [wrapped(name, in_line(names)) for name in names]
    axes.set_xticks(range(len(names)), written, fontsize=8)
    _heighten(axes, max(0, lines_of(written) - _LINES))


def in_line(names: Sequence[str]) -> int:
    """Return how many letters a line of each of these names may have under an axis."""
    return max(8, _NAMES // len(names))


def lines_of(written: Sequence[str]) -> int:
    """Return the lines of the longest of some wrapped names."""
    return 1 + max(name.count("\n") for name in written)


def as_svg(figure: Figure) -> bytes:
    """Return a figure as SVG without anything of the machine or the day."""
    return svg.drawn(figure)


def _bands(axes: Axes, view: SurfaceView) -> list[Any]:
    low, high = float(view.z.min()), float(view.z.max())
    if high - low <= 1e-9 * max(abs(low), abs(high), 1.0):
        axes.set_facecolor("#f6f8f9")
        return [Line2D([], [], linestyle="none", label=f"{in_fonts(view.labels[2])}: {numbers.plain(low)} everywhere")]
    levels = MaxNLocator(8).tick_values(low, high)
    axes.contourf(view.x, view.y, view.z, levels=levels, cmap=BANDS)
    limits = [limit.value for limit in view.limits]
    inner = [level for level in levels if low < level < high and not np.isclose(level, limits).any()]
    if inner:
        lines = axes.contour(view.x, view.y, view.z, levels=inner, colors=INK, linewidths=0.6)
        place = numbers.place_of(float(levels[1] - levels[0]))
        axes.clabel(lines, fmt=lambda value: _round_label(value, place), fontsize=8, inline_spacing=4)
    return [Line2D([], [], color=INK, linewidth=0.6, label=in_fonts(view.labels[2]))]


def _span(axis: Array, prints: Array) -> tuple[float, float]:
    """Return the ends of an axis: those of the surface, unless prints lie clearly beyond."""
    slack = np.ptp(axis) / _PLACES
    low, high = prints.min(initial=axis[0]), prints.max(initial=axis[-1])
    return (low - slack if low < axis[0] - slack else axis[0]), (high + slack if high > axis[-1] + slack else axis[-1])


def _round_label(value: float, place: int | None) -> str:
    """Return a line's value with no more decimals than the step between lines needs."""
    return numbers.exact(round(value, 12 if place is None else max(0, -place)))


def _limit_lines(axes: Axes, view: SurfaceView) -> list[Any]:
    """Draw each limit that crosses the surface; its ticks point to the side that misses it."""
    keys = []
    for limit in view.limits:
        if view.z.min() < limit.value < view.z.max():
            lines = axes.contour(view.x, view.y, view.z, levels=[limit.value], colors=INK, linewidths=1.8)
            labels = axes.clabel(lines, fmt=in_fonts(limit.words), fontsize=8.5, inline_spacing=6)
            for label in labels:
                label.set_path_effects([Stroke(linewidth=2.5, foreground=PAPER), Normal()])
            # Higher values lie to the left of a contour as it is traced, so a lower limit is missed on its right.
            ticks = withTickedStroke(spacing=7, length=0.6, angle=-90 if limit.at_least else 90, linewidth=0.8)
            lines.set(path_effects=[Stroke(linewidth=3.2, foreground=PAPER), Normal(), ticks])
            keys.append(Line2D([], [], color=INK, linewidth=1.8, label=f"{in_fonts(limit.words)} (ticks: missed)"))
    return keys


def _print_dots(axes: Axes, view: SurfaceView) -> list[Any]:
    """Draw the prints; where several share a place, or nearly, a number says how many."""
    if not len(view.prints):
        return []
    size = np.array([np.ptp(view.x), np.ptp(view.y)])
    _, group = np.unique(np.round(view.prints / size * _PLACES), axis=0, return_inverse=True)
    places = [view.prints[group == one].mean(axis=0) for one in range(int(group.max()) + 1)]
    counts = np.bincount(group)
    spots = np.array(places)
    keys = axes.plot(
        spots[:, 0], spots[:, 1], "o", markersize=4.5, color=INK, markeredgecolor=PAPER, markeredgewidth=0.8,
        label="prints" + (" (number: how many at one place)" if counts.max() > 1 else ""), clip_on=False, zorder=5,
    )
    for place, count in zip(places, counts.tolist(), strict=True):
        if count > 1:
            left, low = place[0] < view.x.mean(), place[1] < view.y.mean()  # the number stands on the inner side
            label = axes.annotate(
                str(count), tuple(place), xytext=(5 if left else -5, 4 if low else -10), ha="left" if left else "right",
                textcoords="offset points", fontsize=8, zorder=5,
            )
            label.set_path_effects([Stroke(linewidth=2, foreground=PAPER), Normal()])
            label.set_annotation_clip(False)
    return list(keys)


def _series(axes: Axes, series: Series, number: int, of: int) -> list[Any]:
    marker, face, line = _MARKERS[number % len(_MARKERS)]
    shift = 0.0 if of == 1 else 0.12 * (number - (of - 1) / 2)
    place = np.arange(len(series.centre)) + shift
    if len(series.dots):
        axes.plot(
            series.dots[:, 0] + shift + 0.05, series.dots[:, 1], marker, markersize=3, markerfacecolor="none",
            markeredgecolor=GREY, markeredgewidth=0.6,
        )
    bars = np.isfinite(series.interval).all(axis=1)
    axes.vlines(place[bars], series.interval[bars, 0], series.interval[bars, 1], color=INK, linewidth=1.0)
    return list(axes.plot(
        place, series.centre, marker, linestyle=line, linewidth=0.9, color=INK, markersize=6.5, markerfacecolor=face,
        markeredgecolor=INK, label=in_fonts(series.name),
    ))


def draw_key(axes: Axes, keys: list[Any]) -> None:
    """Put the key above the axes; leave it out where nothing needs a name."""
    named = [key for key in keys if not key.get_label().startswith("_child")]  # what matplotlib calls a nameless line
    if named:
        labels = [_in_key(key.get_label()) for key in named]
        _heighten(axes, (lines_of(labels) - 1) * ((len(labels) + 1) // 2))
        axes.legend(
            handles=named, labels=labels, loc="lower left",
            bbox_to_anchor=(0, 1.0), ncols=2, borderaxespad=0.4, handlelength=2.4, columnspacing=1.6,
        )


def _in_key(label: str) -> str:
    return wrapped(label, _IN_KEY if len(label) > _LONG_KEY else _LONG_KEY)


def _heighten(axes: Axes, lines: int) -> None:
    """Make the figure higher by so many lines."""
    figure = axes.get_figure()
    assert isinstance(figure, Figure)
    width, height = figure.get_size_inches()
    figure.set_size_inches(width, height + lines * _LINE_MM / 25.4)
