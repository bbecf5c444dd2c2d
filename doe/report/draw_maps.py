"""Drawings of the map of the bound or of the margins, in the look of the other figures."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Ellipse, Patch, Polygon, Rectangle
from matplotlib.patheffects import Normal, Stroke
from matplotlib.ticker import FuncFormatter, MaxNLocator
from numpy.typing import NDArray

from doe.report import figures, numbers
from doe.report.figures import BANDS, GREY, INK, PAPER
from doe.report.map_views import MapView, MarginRow, MarginView

Array = NDArray[np.float64]

_LEVELS = (0.25, 0.5, 0.75, 0.9, 0.95, 0.99)
_LOW_LEVELS = (0.01, 0.02, 0.05, 0.1)
"""Where the bound stays below the lowest of the others, so that the map shows which way it rises all the same."""
_APART = 0.02
_LIGHT, _DARK = (0.0, 0.4), (0.75, 1.0)
"""Parts of the shades for what is below and above the required share, with a step between."""
_SHADE = "#e6ebee"
_ROW_MM, _EDGES_MM, _LINE_MM = 30.0, 16.0, 3.6
_HALO = [Stroke(linewidth=2.5, foreground=PAPER), Normal()]


def map_figure(view: MapView) -> bytes:
    """Return the map as SVG: shades of the bound, the window as a rectangle, prints as dots, scatter about the setpoint."""
    with figures.new_figure() as (figure, axes):
        keys = [*_shades(axes, view), *_window(axes, view), *_prints(axes, view), *_setting(axes, view)]
        figures.name_axes(axes, view.labels)
        axes.set_xlim(view.x[0], view.x[-1])
        axes.set_ylim(view.y[0], view.y[-1])
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_formatter(FuncFormatter(lambda value, _: numbers.exact(value)))
        figures.draw_key(axes, keys)
        return figures.as_svg(figure)


def _shades(axes: Axes, view: MapView) -> list[Any]:
    low, high = float(np.nanmin(view.bound)), float(np.nanmax(view.bound))
    levels = _LEVELS if high > _LEVELS[0] else (*_LOW_LEVELS, *_LEVELS)
    inner = sorted({*(level for level in levels if abs(level - view.required) > _APART), view.required})
    below = sum(level <= view.required for level in inner)
    shades = [*np.linspace(*_LIGHT, below), *np.linspace(*_DARK, len(inner) + 1 - below)]
    # The outer levels lie a little beyond 0 and 1, which would else belong to no shade.
    axes.contourf(view.x, view.y, view.bound, levels=[-1e-6, *inner, 1 + 1e-6], colors=BANDS(shades))
    keys: list[Any] = []
    for level in inner:
        if low < level < high:
            wanted = level == view.required
            lines = axes.contour(view.x, view.y, view.bound, [level], colors=INK, linewidths=1.6 if wanted else 0.5)
            labels = axes.clabel(lines, fmt=lambda value: numbers.level(float(value)), fontsize=8, inline_spacing=3)
            for label in labels:
                label.set_path_effects(_HALO)
            if wanted:
                keys.append(Line2D([], [], color=INK, linewidth=1.6, label=f"bound of {numbers.level(level)}, as asked for"))
    if high < view.required or low >= view.required:
        side = "below" if high < view.required else "at or above"
        keys.append(Line2D([], [], linestyle="none", label=f"bound {side} {numbers.level(view.required)} all over"))
    if np.isnan(view.bound).any():
        hatched: dict[str, Any] = {"hatch": "////", "edgecolor": "#b9c2c8", "facecolor": PAPER}
        axes.patch.set(**hatched)
        keys.append(Patch(**hatched, label="outside of the prints, or barred"))
    return keys


def _window(axes: Axes, view: MapView) -> list[Any]:
    if view.box is None:
        return []
    (left, right), (low, high) = view.box
    shape = Rectangle(
        (left, low), right - left, high - low, fill=False, edgecolor=INK, linewidth=1.4, linestyle=(0, (5, 2)), zorder=4,
        label="process window", path_effects=[Stroke(linewidth=3.6, foreground=PAPER), Normal()], clip_on=False,
    )
    axes.add_patch(shape)
    return [Line2D([], [], color=INK, linewidth=1.4, linestyle=(0, (5, 2)), label="process window")]


def _prints(axes: Axes, view: MapView) -> list[Any]:
    keys: list[Any] = []
    here = "prints" if view.near.all() else "prints, other factors about as held"
    for mine, face, edge, label in (
        (~view.near, PAPER, GREY, "prints, other factors elsewhere"), (view.near, INK, PAPER, here),
    ):
        if mine.any():
            keys += axes.plot(
                *view.prints[mine].T, "o", markersize=4.5, markerfacecolor=face, markeredgecolor=edge, markeredgewidth=0.9,
                label=label, clip_on=False, zorder=5,
            )
    return keys


def _setting(axes: Axes, view: MapView) -> list[Any]:
    """Draw the recommended setting, and where two standard deviations of the scatter about its setpoint reach."""
    keys = axes.plot(
        *view.setting, marker="P", markersize=10, markerfacecolor=PAPER, markeredgecolor=INK, markeredgewidth=1.2,
        linestyle="none", label="recommended setting", zorder=7, clip_on=False,
    )
    x, y = view.setting
    reach = 2 * np.array(view.scatter)
    look: dict[str, Any] = {"edgecolor": INK, "linewidth": 1.0, "linestyle": ":", "path_effects": _HALO, "zorder": 6}
    if reach.all():
        axes.add_patch(Ellipse((x, y), 2 * reach[0], 2 * reach[1], fill=False, **look))
    elif reach.any():
        axes.add_patch(Polygon([(x - reach[0], y - reach[1]), (x + reach[0], y + reach[1])], closed=False, **look))
    if reach.any():
        keys.append(Line2D([], [], color=INK, linewidth=1.0, linestyle=":", label="setpoint error, 2 standard deviations"))
    return list(keys)


def margin_figure(view: MarginView) -> bytes:
    """Return the margins as SVG: one strip a factor, below each other, with one scale for the response."""
    with figures.new_figure() as (figure, axes):
        high = _EDGES_MM + sum(_ROW_MM + _LINE_MM * (figures.lines_of(_names(row)) - 1) for row in view.rows)
        figure.set_size_inches(figures.WIDE_MM / 25.4, high / 25.4)
        strips = [axes, *(figure.add_subplot(sharey=axes) for _ in view.rows[1:])]
        for strip, row in zip(strips, view.rows, strict=True):
            _strip(strip, row)
        low, high = _span(view.rows)
        axes.set_ylim(low, high)
        figure.supylabel(figures.wrapped(view.label, 20 * len(view.rows) + 20), fontsize=9)
        figures.draw_key(axes, _margin_keys(view))
        return figures.as_svg(figure)


def _span(rows: Sequence[MarginRow]) -> tuple[float, float]:
    low, high = min(0.0, *(float(row.band.min()) for row in rows)), max(0.0, *(float(row.band.max()) for row in rows))
    room = 0.05 * (high - low)
    return low - room, high + room


def _strip(axes: Axes, row: MarginRow) -> None:
    for low, high in row.window:
        axes.axvspan(low, high, facecolor=_SHADE, linewidth=0, zorder=0)
        for end in (low, high):
            axes.axvline(end, color=GREY, linewidth=0.7, linestyle=(0, (5, 2)), zorder=1)
    axes.axhline(0, color=INK, linewidth=1.2, linestyle=(0, (6, 3)), zorder=2)
    if row.levels:
        axes.vlines(row.at, *row.band.T, color=INK, linewidth=1.0, zorder=3)
        axes.plot(row.at, row.median, "o", markersize=5.5, color=INK, zorder=4)
        axes.set_xticks(row.at, _names(row))
        axes.set_xlim(-0.5, len(row.levels) - 0.5)
    else:
        axes.fill_between(row.at, *row.band.T, facecolor="#8ea9b8", alpha=0.55, linewidth=0, zorder=3)
        axes.plot(row.at, row.median, color=INK, linewidth=1.3, zorder=4)
        slack = 0.01 * float(np.ptp(row.at)) or 1.0
        axes.set_xlim(row.at[0] - slack, row.at[-1] + slack)
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: numbers.exact(value)))
    axes.plot(
        row.at[row.setting], row.median[row.setting], "P", markersize=9, markerfacecolor=PAPER, markeredgecolor=INK,
        markeredgewidth=1.1, zorder=5, clip_on=False,
    )
    axes.yaxis.set_major_locator(MaxNLocator(5))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: numbers.exact(round(value, 10))))
    axes.spines[["top", "right"]].set_visible(False)
    axes.set_xlabel(figures.wrapped(row.label, 88), labelpad=1)


def _names(row: MarginRow) -> list[str]:
    return [figures.wrapped(level, figures.in_line(row.levels)) for level in row.levels] or [""]


def _margin_keys(view: MarginView) -> list[Any]:
    keys: list[Any] = [
        Line2D([], [], color=INK, linewidth=1.3, label="middle of the posterior"),
        Line2D([], [], color=INK, linewidth=1.2, linestyle=(0, (6, 3)), label="the limit"),
        Line2D(
            [], [], marker="P", markersize=9, markerfacecolor=PAPER, markeredgecolor=INK, linestyle="none",
            label="recommended setting",
        ),
    ]
    if any(row.window for row in view.rows):
        keys.append(Patch(facecolor=_SHADE, edgecolor=GREY, linewidth=0.7, linestyle=(0, (5, 2)), label="process window"))
    return keys
