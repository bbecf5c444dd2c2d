"""The figure of a drying: moisture over time of a bare strand beside a wound spool."""

import io
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter

from doe.report import figures, numbers
from doe.report.drying import DryingView
from doe.report.figures import GREY, INK
from doe.study.dryer import ILLUSTRATIVE, SPOOL, STRAND

_LINES = {STRAND: (0, ()), SPOOL: (0, (5, 2))}


def drying_figure(view: DryingView, form: str = "svg") -> bytes:
    """
    Draw the course of a drying.

    Parameters
    ----------
    view : DryingView
    form : {"svg", "pdf"}

    Returns
    -------
    bytes
        The same for the same view.
    """
    with figures.new_figure() as (figure, axes):
        keys: list[Any] = []
        for name, moisture in view.moisture.items():
            keys += axes.plot(view.hours, moisture, color=INK, linewidth=1.6, linestyle=_LINES[name], label=name)
        for value, words, style in ((view.target, "target", (0, (1, 1.5))), (view.floor, "kept by the air", (0, (6, 2, 1, 2)))):
            label = f"{words}: {numbers.plain(value, 2)} %"
            keys.append(axes.axhline(value, color=GREY, linewidth=1.2, linestyle=style, label=label))
        axes.set_xlabel("hours at the oven's temperature")
        axes.set_ylabel("moisture, % of the dry mass")
        axes.set_xlim(0, view.hours[-1])
        axes.set_ylim(0, None)
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_formatter(FuncFormatter(lambda value, _: numbers.exact(value)))
        axes.spines[["top", "right"]].set_visible(False)
        if view.illustrative:
            _mark(axes)
        figures.draw_key(axes, keys)
        return figures.as_svg(figure) if form == "svg" else _as_pdf(figure)


def _mark(axes: Axes) -> None:
    axes.text(0.99, 0.97, ILLUSTRATIVE, transform=axes.transAxes, ha="right", va="top", fontsize=11, color=INK)


def _as_pdf(figure: Figure) -> bytes:
    content = io.BytesIO()
    figure.savefig(content, format="pdf", metadata={"CreationDate": None, "Creator": None, "Producer": None})
    return content.getvalue()
