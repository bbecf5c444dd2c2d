"""Every kind of figure with what draws it."""

from collections.abc import Callable, Mapping
from typing import Any

from doe.report import draw_levels, draw_lines, draw_maps, figures, levels, lines, maps, views
from doe.report.pieces import Block

View = (
    views.SurfaceView | views.LevelView | maps.MapView | maps.MarginView | lines.IntervalView | lines.PointView | lines.BandView
    | lines.CoverageView | levels.LevelBandView
)  # fmt: skip
_DRAWN: Mapping[type, Callable[[Any], bytes]] = {
    views.SurfaceView: figures.surface_figure, views.LevelView: figures.level_figure,
    maps.MapView: draw_maps.map_figure, maps.MarginView: draw_maps.margin_figure,
    lines.IntervalView: draw_lines.interval_figure, lines.PointView: draw_lines.point_figure,
    lines.BandView: draw_lines.band_figure, lines.CoverageView: draw_lines.coverage_figure,
    levels.LevelBandView: draw_levels.level_band_figure,
}  # fmt: skip


def block(view: View) -> Block:
    """Return a figure as a part of a section, with its caption and its alternative text."""
    return {"kind": "figure", "svg": _DRAWN[type(view)](view), "caption": view.caption, "alt": view.alt}
