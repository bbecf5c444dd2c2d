"""The canvas of figures: SVG that is laid out while it is drawn, with each text measured once.

``Figure.savefig`` draws a figure that has a layout twice, and measures its texts anew each time: half of the time of a figure.
"""

import gc
import io
from functools import lru_cache

from matplotlib.backends.backend_svg import FigureCanvasSVG, RendererSVG
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, fontManager, get_font
from matplotlib.textpath import text_to_path

__all__ = ["drawn"]

_DPI = 72
"""That of SVG in matplotlib, where a pixel is a point."""
_WITHOUT = {"Date": None, "Creator": None, "Format": None, "Type": None}


def drawn(figure: Figure) -> bytes:
    """Lay a figure out, draw it, and return the SVG without anything of the machine or the day."""
    figure.set_dpi(_DPI)
    width, height = figure.get_size_inches() * _DPI
    content = io.StringIO()
    renderer = _Renderer(width, height, content, image_dpi=_DPI, metadata=_WITHOUT)
    _Canvas(figure, renderer)
    figure.draw(renderer)
    renderer.finalize()
    return content.getvalue().encode()

# What was imported stays to the end: no search for garbage, which figures leave a lot of, need go through all of it again.
gc.freeze()


class _Renderer(RendererSVG):  # type: ignore[misc]  # matplotlib declares no types of its backends
    """Matplotlib's own, with sizes of texts that are remembered from figure to figure; texts without mathematics."""

    def get_text_width_height_descent(self, s: str, prop: FontProperties, ismath: object) -> tuple[float, float, float]:  # noqa: ARG002
        return _size(s, prop)

    def _get_font_height_metrics(self, prop: FontProperties) -> tuple[float, float, float]:
        # Asked for by newer versions of matplotlib, which would else read the font's tables for every text.
        size = prop.get_size_in_points()
        ascent, descent, gap = _height(prop.get_family()[0])
        return ascent * size, descent * size, gap * size


class _Canvas(FigureCanvasSVG):  # type: ignore[misc]
    """A canvas that measures with the renderer that it is drawn with."""

    def __init__(self, figure: Figure, renderer: _Renderer) -> None:
        super().__init__(figure)
        self._renderer = renderer

    def get_renderer(self) -> _Renderer:
        """Return the renderer; this is what layouts ask for."""
        return self._renderer


@lru_cache(4096)
def _size(text: str, look: FontProperties) -> tuple[float, float, float]:
    """Return width, height and descent of a text, points."""
    width, height, descent = text_to_path.get_text_width_height_descent(text, look, False)
    return width, height, descent


@lru_cache
def _height(family: str) -> tuple[float, float, float]:
    """Return ascent, descent and gap between lines of a font, in parts of its size."""
    font = get_font(fontManager.findfont(family))
    head, table = font.get_sfnt_table("head"), font.get_sfnt_table("OS/2")
    assert head is not None and table is not None  # both fonts have them
    units = head["unitsPerEm"]
    return table["sTypoAscender"] / units, -table["sTypoDescender"] / units, table["sTypoLineGap"] / units
