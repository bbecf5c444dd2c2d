"""Drawings of intervals, points or lines with bands, in the look of the other figures."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FuncFormatter, MaxNLocator

from doe.report import figures, numbers
from doe.report.figures import GREY, INK, PAPER
from doe.report.line_views import BandView, CoverageView, IntervalView, PointView
from doe.report.tables import in_fonts
from doe.report.views import Limit

_INNER, _OUTER = "#b4c3cd", "#e6ebee"
_ROW_MM, _LINE_MM, _EDGES_MM, _LEAST_MM, _MOST_MM = 5.4, 2.7, 18.0, 40.0, 212.0
_LETTERS, _MORE_LETTERS = 38, 58
"""In a line of a name beside a row, in usual and in small letters."""
_MANY = 20
"""More rows than so have small names."""
_NAME_PAD = 3.5
"""Points between such a name and the axes."""
_UPRIGHT = 8
"""More names than so under an axis are turned."""


def interval_figure(view: IntervalView) -> bytes:
    """Return intervals in a list as SVG: a dot and a bar a row, a thin line at zero."""
    with figures.new_figure() as (figure, axes):
        many = len(view.names) > _MANY
        letters = _MORE_LETTERS if many else _LETTERS
        most = max(1, int((_MOST_MM - _EDGES_MM) / len(view.names) / _LINE_MM))
        names = [figures.wrapped(name, letters, most) for name in view.names]
        lines = 1 + (0.5 if many else 0.6) * (figures.lines_of(names) - 1)
        _height(figure, min(max(len(names) * lines * _ROW_MM + _EDGES_MM, _LEAST_MM), _MOST_MM))
        place = np.arange(len(names))[::-1]
        known = np.isfinite(view.interval).all(axis=1)
        axes.axvline(0, color=GREY, linewidth=0.6)
        axes.hlines(place[known], view.interval[known, 0], view.interval[known, 1], color=INK, linewidth=1.1)
        axes.plot(view.centre, place, "o", markersize=4.5, color=INK, markeredgecolor=PAPER, markeredgewidth=0.6)
        _name_rows(axes, place.tolist(), names, 6.2 if many else 8)
        axes.set_ylim(-0.7, len(names) - 0.3)
        figures.name_axes(axes, (view.label, ""))
        axes.spines[["top", "right", "left"]].set_visible(False)
        _plain_numbers(axes, "x")
        return figures.as_svg(figure)


def point_figure(view: PointView) -> bytes:
    """Return points as SVG, with the line that sound ones lie about."""
    with figures.new_figure() as (figure, axes):
        axes.axline((0, view.line[0]), slope=view.line[1], color=GREY, linewidth=0.8)
        axes.plot(view.x, view.y, "o", markersize=4.5, markerfacecolor=PAPER, markeredgecolor=INK, markeredgewidth=0.9)
        for at, name in view.named:
            axes.annotate(in_fonts(name), (view.x[at], view.y[at]), xytext=(5, 3), textcoords="offset points", fontsize=8)
        if view.ticks:
            _named_axis(axes, view.ticks)
        else:
            _plain_numbers(axes, "x")
        axes.margins(0.06, 0.1)
        _finish(axes, view.labels)
        return figures.as_svg(figure)


def band_figure(view: BandView) -> bytes:
    """Return a predicted mean as SVG: a line, a darker band for the mean, a lighter one for new prints, dots for prints."""
    with figures.new_figure() as (figure, axes):
        keys: list[Any] = []
        for band, shade, edge, label in (
            (view.outer, _OUTER, ":", "a new print, on a new load"), (view.inner, _INNER, "--", "the mean"),
        ):
            if np.isfinite(band).all():
                axes.fill_between(view.x, band[:, 0], band[:, 1], color=shade, linewidth=0)
                axes.plot(view.x, band, color=INK, linewidth=0.6, linestyle=edge)
                keys.append(Patch(facecolor=shade, edgecolor=INK, linewidth=0.6, linestyle=edge, label=f"interval of {label}"))
        keys = [*axes.plot(view.x, view.mean, color=INK, linewidth=1.5, label="predicted mean"), *keys[::-1]]
        keys += axes.plot(
            *view.dots.T, "o", markersize=4, markerfacecolor=PAPER, markeredgecolor=INK, markeredgewidth=0.8, label="prints"
        )
        keys += [_limit(axes, one) for one in view.limits]
        if view.setting is not None:
            axes.axvline(view.setting, color=INK, linewidth=0.9, linestyle=(0, (1, 2)))
            keys.append(Line2D([], [], color=INK, linewidth=0.9, linestyle=(0, (1, 2)), label="recommended setting"))
        _plain_numbers(axes, "x")
        _finish(axes, view.labels)
        figures.draw_key(axes, keys)
        return figures.as_svg(figure)


def coverage_figure(view: CoverageView) -> bytes:
    """Return the coverage of the region as SVG."""
    with figures.new_figure() as (figure, axes):
        axes.plot(100 * view.share, view.error, color=INK, linewidth=1.5)
        axes.set_xlim(0, 100)
        axes.set_ylim(0, None)
        _plain_numbers(axes, "x")
        _finish(axes, view.labels)
        return figures.as_svg(figure)


def _limit(axes: Axes, limit: Limit) -> Line2D:
    axes.axhline(limit.value, color=INK, linewidth=1.2, linestyle=(0, (6, 3)))
    return Line2D([], [], color=INK, linewidth=1.2, linestyle=(0, (6, 3)), label=in_fonts(limit.words))


def _name_rows(axes: Axes, places: Sequence[int], names: Sequence[str], size: float) -> None:
    """Write names at the left of rows, where ticks would have them: plain texts, since each tick is five things to draw."""
    axes.set_yticks([])
    where, upright, across = axes.get_yaxis_text1_transform(_NAME_PAD)
    for place, name in zip(places, names, strict=True):
        axes.text(0, place, name, transform=where, va=upright, ha=across, fontsize=size, linespacing=0.9)


def _named_axis(axes: Axes, names: Sequence[str]) -> None:
    figures.name_places(axes, names, _UPRIGHT)
    axes.set_xlim(-0.6, len(names) - 0.4)


def _finish(axes: Axes, labels: tuple[str, str]) -> None:
    figures.name_axes(axes, labels)
    _plain_numbers(axes, "y")
    axes.spines[["top", "right"]].set_visible(False)


def _plain_numbers(axes: Axes, which: str) -> None:
    axis = axes.xaxis if which == "x" else axes.yaxis
    axis.set_major_locator(MaxNLocator(7, steps=[1, 2, 2.5, 5, 10]))
    axis.set_major_formatter(FuncFormatter(lambda value, _: numbers.exact(value)))


def _height(figure: Figure, millimetres: float) -> None:
    figure.set_size_inches(figures.WIDE_MM / 25.4, millimetres / 25.4)
