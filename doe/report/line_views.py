"""
What the simple figures show, as values: intervals in a list, points over an axis, a line with its bands.

Each view says in words what is seen, as caption and as alternative text; nothing of it rests on colour.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.report import numbers
from doe.report.views import Limit

Array = NDArray[np.float64]

_MOST_ROWS = 36
_MOST_SAID = 12


@dataclass(frozen=True)
class IntervalView:
    """Intervals in a list, one under the other, about a line at zero."""

    names: tuple[str, ...]
    centre: Array
    """Shape (m,), in the unit of the label."""
    interval: Array
    """Shape (m, 2); NaN where there is none."""
    label: str
    """Of the axis, with its unit."""
    caption: str

    @property
    def alt(self) -> str:
        """The list in words, as far as a listener can follow."""
        said = [
            f"{name} {numbers.plain(float(centre), 3)}" + _limits(limits)
            for name, centre, limits in zip(self.names, self.centre, self.interval, strict=True)
        ]
        more = f"; and {len(said) - _MOST_SAID} more" if len(said) > _MOST_SAID else ""
        return f"List of intervals. {self.caption} {'; '.join(said[:_MOST_SAID])}{more}."


@dataclass(frozen=True)
class PointView:
    """Points over an axis of numbers or of names, about a line."""

    x: Array
    y: Array
    """Shape (n,) each."""
    labels: tuple[str, str]
    caption: str
    ticks: tuple[str, ...] = ()
    """Names at 0, 1, ... of the axis; empty for an axis of numbers."""
    line: tuple[float, float] = (0.0, 0.0)
    """Where the line is at x = 0, and its slope."""
    named: tuple[tuple[int, str], ...] = ()
    """Points that are named in the figure."""

    @property
    def alt(self) -> str:
        """What the points do, in words."""
        most = f" Named: {', '.join(name for _, name in self.named)}." if self.named else ""
        span = numbers.interval(float(self.y.min()), float(self.y.max()))
        return f"Points. {self.caption} {len(self.y)} points, from {span}.{most}"


@dataclass(frozen=True)
class BandView:
    """A predicted mean along one factor with two bands, and prints as dots."""

    x: Array
    mean: Array
    """Shape (m,)."""
    inner: Array
    """Confidence interval of the mean, shape (m, 2); NaN where there is none."""
    outer: Array
    """Prediction interval of a new print, shape (m, 2)."""
    dots: Array
    """Prints, shape (n, 2)."""
    limits: tuple[Limit, ...]
    setting: float | None
    """The recommended one; None where there is none."""
    labels: tuple[str, str]
    caption: str

    @property
    def alt(self) -> str:
        """The line at its ends and middle, in words."""
        places = (0, len(self.x) // 2, len(self.x) - 1)
        said = [
            f"{numbers.setting(float(self.x[at]))}: {numbers.plain(float(self.mean[at]), 3)}" + _limits(self.inner[at])
            for at in places
        ]
        return f"Line with bands. {self.caption} Mean at {'; '.join(said)}. {len(self.dots)} prints."


@dataclass(frozen=True)
class CoverageView:
    """How much of the region is predicted how well: a rising line."""

    share: Array
    """Shares of the region, 0 to 1, ascending."""
    error: Array
    """Standard error of a predicted mean that so much of the region stays below, in standard deviations from print to print."""
    caption: str
    labels: tuple[str, str] = (
        "share of the region, %", "standard error, in standard deviations of prints",
    )  # fmt: skip

    @property
    def alt(self) -> str:
        """Three points of the line, in words."""
        said = [f"{numbers.percent(share)}: {numbers.plain(float(np.interp(share, self.share, self.error)), 2)}"
                for share in (0.5, 0.9)]
        return f"Rising line. {self.caption} {'; '.join(said)}; all of it: {numbers.plain(float(self.error[-1]), 2)}."


def _limits(interval: Array) -> str:
    low, high = (float(limit) for limit in interval)
    return f" ({numbers.interval(low, high)})" if np.isfinite(low) else ""


def largest_first(names: list[str], centre: Array, interval: Array) -> tuple[tuple[str, ...], Array, Array, int]:
    """Return rows (shapes (m,) and (m, 2)) by falling size, no more than a page holds, and how many were left out."""
    order = np.argsort(-np.abs(centre), kind="stable")[:_MOST_ROWS]
    return tuple(names[at] for at in order), centre[order], interval[order], len(names) - len(order)
