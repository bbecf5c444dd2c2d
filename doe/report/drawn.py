"""Every kind of figure with what draws it."""

from collections.abc import Callable, Mapping
from typing import Any

from doe.report import draw_levels, draw_lines, draw_maps, figures
from doe.report.level_views import LevelBandView
from doe.report.line_views import BandView, CoverageView, IntervalView, PointView
from doe.report.map_views import MapView, MarginView
from doe.report.pieces import Block
from doe.report.views import LevelView, SurfaceView

View = (
    SurfaceView | LevelView | MapView | MarginView | IntervalView | PointView | BandView | CoverageView | LevelBandView
)  # fmt: skip
_DRAWN: Mapping[type, Callable[[Any], bytes]] = {
    SurfaceView: figures.surface_figure, LevelView: figures.level_figure,
    MapView: draw_maps.map_figure, MarginView: draw_maps.margin_figure,
    IntervalView: draw_lines.interval_figure, PointView: draw_lines.point_figure,
    BandView: draw_lines.band_figure, CoverageView: draw_lines.coverage_figure,
    LevelBandView: draw_levels.level_band_figure,
}  # fmt: skip


def block(view: View) -> Block:
    """Return a figure as a part of a section, with its caption and its alternative text."""
    return {"kind": "figure", "svg": _DRAWN[type(view)](view), "caption": view.caption, "alt": view.alt}
