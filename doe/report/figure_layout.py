"""The layout of figures: pairs of axes below each other, placed with all that is written about them after one measuring.

Matplotlib's own layout measures every text twice, since in its grids the margins may depend on each other. Here they do not.
"""

from typing import Any

from matplotlib.layout_engine import LayoutEngine

__all__ = ["Column"]

_PAD = 3.0
"""Points that stay empty at each edge, and above and below each pair of axes."""
_LEFT, _RIGHT, _BELOW, _ABOVE = 0.11, 0.02, 0.12, 0.08
"""Margins with which all is measured, in parts of the figure: about the final ones, so that the ticks are the final ones."""
_STRIP, _MUCH_LOWER = 0.7, 0.6
"""The height of one of several pairs in its share then, and below what part of the first height all is measured once more."""
_LEAST = 0.25
"""The least part of its share of the figure that a pair of axes gets, however much room the texts about it ask for."""


class Column(LayoutEngine):
    """Axes of equal width and equal height below each other; texts of the figure itself stand upright at the left edge."""

    _adjust_compatible = False
    _colorbar_gridspec = False

    def execute(self, fig: Any) -> None:  # noqa: ANN401 - matplotlib declares not all of it
        """Place all axes of a figure, and its own texts."""
        share = (1 - _BELOW - _ABOVE) / len(fig.axes)
        first = share if len(fig.axes) == 1 else _STRIP * share
        for row, axes in enumerate(fig.axes):
            axes.set_position((_LEFT, 1 - _ABOVE - (row + 1) * share, 1 - _LEFT - _RIGHT, first))
        if _place(fig) < _MUCH_LOWER * first:  # then there are other ticks, with labels of another width
            _place(fig)


def _place(figure: Any) -> float:  # noqa: ANN401
    """Measure what is about the axes, place them, and return their height in parts of the figure."""
    renderer, pad, count = figure._get_renderer(), _PAD * figure.dpi / 72, len(figure.axes)
    width, height = figure.bbox.size
    around = [_around(axes, renderer) for axes in figure.axes]
    left, right = (max(one[side] for one in around) + pad for side in ("left", "right"))
    left += sum(text.get_window_extent(renderer).width + pad for text in figure.texts)
    wide = max(width - left - right, _LEAST * width)
    taken = sum(one["above"] + one["below"] + 2 * pad for one in around)
    high = max((height - taken) / count, _LEAST * height / count)
    top = height
    for axes, one in zip(figure.axes, around, strict=True):
        low = top - pad - one["above"] - high
        axes.set_position((left / width, low / height, wide / width, high / height))
        top = low - one["below"] - pad
    for text in figure.texts:
        text.set_position((pad / width, 0.5))
    return float(high / height)


def _around(axes: Any, renderer: Any) -> dict[str, float]:  # noqa: ANN401 - matplotlib declares no types of them
    """Return how far what is written and drawn reaches beyond the axes on each side, pixels."""
    box, tight = axes.bbox, axes.get_tightbbox(renderer, for_layout_only=True)
    return {
        "left": max(0.0, box.x0 - tight.x0), "right": max(0.0, tight.x1 - box.x1),
        "below": max(0.0, box.y0 - tight.y0), "above": max(0.0, tight.y1 - box.y1),
    }
