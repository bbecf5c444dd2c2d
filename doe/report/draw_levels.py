"""Drawing of a predicted mean level by level, in the look of the other figures."""

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.ticker import FuncFormatter, MaxNLocator

from doe.report import figures, numbers
from doe.report.figures import INK, PAPER
from doe.report.level_views import LevelBandView
from doe.report.tables import in_fonts

_ASIDE, _STEP = 0.16, 0.035
"""How far prints stand beside their level, and from one to the next, in parts of the way between two levels."""
_CAP = 0.05


def level_band_figure(view: LevelBandView) -> bytes:
    """Return means by level as SVG: a square each, a thick bar for the mean, a thin one with caps for new prints, circles."""
    with figures.new_figure() as (figure, axes):
        place = np.arange(len(view.levels))
        keys: list[Any] = [*axes.plot(
            place, view.mean, "s", markersize=6.5, color=INK, markeredgecolor=PAPER, markeredgewidth=0.8, zorder=5,
            label="predicted mean",
        )]  # fmt: skip
        keys += _bars(axes, view.inner, 3.2, "interval of the mean", caps=False)
        keys += _bars(axes, view.outer, 0.9, "interval of a new print, on a new load", caps=True)
        keys += axes.plot(
            view.dots[:, 0] - _ASIDE - _spread(view.dots), view.dots[:, 1], "o", markersize=4, markerfacecolor=PAPER,
            markeredgecolor=INK, markeredgewidth=0.8, label="prints", linestyle="none",
        )  # fmt: skip
        for limit in view.limits:
            keys.append(axes.axhline(
                limit.value, color=INK, linewidth=1.2, linestyle=(0, (6, 3)), label=in_fonts(limit.words)
            ))  # fmt: skip
        if view.setting is not None:
            keys.append(_recommended(axes, view.setting))
        _name_levels(axes, view)
        figures.draw_key(axes, keys)
        return figures.as_svg(figure)


def _bars(axes: Axes, interval: figures.Array, width: float, label: str, *, caps: bool) -> list[Any]:
    known = np.flatnonzero(np.isfinite(interval).all(axis=1))
    if not len(known):
        return []
    axes.vlines(known, interval[known, 0], interval[known, 1], color=INK, linewidth=width)
    if caps:
        axes.hlines(interval[known].ravel(), np.repeat(known - _CAP, 2), np.repeat(known + _CAP, 2), color=INK, linewidth=width)
    return [Line2D([], [], color=INK, linewidth=width, label=label)]


def _spread(dots: figures.Array) -> figures.Array:
    """Return how far each print is moved aside within its level, so that neighbours by value do not hide each other."""
    aside = np.zeros(len(dots))
    for place in np.unique(dots[:, 0]):
        mine = np.flatnonzero(dots[:, 0] == place)
        aside[mine[np.argsort(dots[mine, 1], kind="stable")]] = _STEP * (np.arange(len(mine)) % 4)
    return aside


def _recommended(axes: Axes, place: int) -> Line2D:
    """Mark the recommended level by a dotted line up from the axis."""
    axes.axvline(place, color=INK, linewidth=0.9, linestyle=(0, (1, 2)), zorder=0)
    return Line2D([], [], color=INK, linewidth=0.9, linestyle=(0, (1, 2)), label="recommended setting")


def _name_levels(axes: Axes, view: LevelBandView) -> None:
    figures.name_places(axes, view.levels)
    axes.set_xlim(-0.6, len(view.levels) - 0.4)
    figures.name_axes(axes, view.labels)
    axes.yaxis.set_major_locator(MaxNLocator(7, steps=[1, 2, 2.5, 5, 10]))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: numbers.exact(value)))
    axes.spines[["top", "right"]].set_visible(False)
