"""The predicted mean of a response at each level of a categorical factor that matters, as values to be drawn."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from doe.design.plan import Design
from doe.model.measured import Fitted, predicted_mean
from doe.record.match import Record
from doe.report import numbers, views
from doe.report.effect_views import along, both_intervals, clear_factors, moved, settings_of_prints
from doe.report.protocol import with_unit
from doe.report.tables import words
from doe.study.spec import Factor, Response, Study

Array = NDArray[np.float64]


@dataclass(frozen=True)
class LevelBandView:
    """A predicted mean at each level of one factor with both intervals, and prints as dots."""

    levels: tuple[str, ...]
    mean: Array
    """Shape (L,), response units."""
    inner: Array
    """Confidence interval of the mean, shape (L, 2); NaN where there is none."""
    outer: Array
    """Prediction interval of a new print, shape (L, 2)."""
    dots: Array
    """Prints, shape (n, 2): place of the level, 0 .. L - 1, and value."""
    limits: tuple[views.Limit, ...]
    setting: int | None
    """Place of the recommended level; None where there is no recommendation."""
    labels: tuple[str, str]
    caption: str

    @property
    def alt(self) -> str:
        """Every level with its mean, both intervals and its prints, in words."""
        counts = [int((self.dots[:, 0] == place).sum()) for place in range(len(self.levels))]
        said = [
            f"{level}: {numbers.plain(float(mean), 3)}{_within('of the mean', inner)}{_within('of a new print', outer)},"
            f" {count} prints"
            for level, mean, inner, outer, count in zip(self.levels, self.mean, self.inner, self.outer, counts, strict=True)
        ]
        best = "" if self.setting is None else f" Recommended: {self.levels[self.setting]}."
        return f"Levels with intervals. {self.caption} {'; '.join(said)}.{best}"


def _within(what: str, limits: Array) -> str:
    low, high = (float(limit) for limit in limits)
    return f", interval {what} {numbers.interval(low, high)}" if np.isfinite(low) else ""


def level_views(
    study: Study, done: tuple[Design, Record], response: Response, one: Fitted, recommended: views.Settings | None
) -> Iterator[LevelBandView]:
    """
    Yield the predicted mean at the levels of each categorical factor that matters, with intervals and the prints' own points.

    Parameters
    ----------
    study : Study
    done : Design and Record
        What was planned and recorded.
    response : Response
    one : Fitted
    recommended : mapping or None
        The recommended setting: where the other factors are held; None: at their middle.
    """
    actual = settings_of_prints(study, done, one)
    for factor in clear_factors(study, one):
        if factor.levels is not None:
            yield _levels(study, response, one, factor, (actual[factor.name].to_numpy(dtype=object), recommended))


def _levels(
    study: Study, response: Response, one: Fitted, factor: Factor, at: tuple[NDArray[np.object_], views.Settings | None]
) -> LevelBandView:
    own, recommended = at
    assert factor.levels is not None
    held = views.middle(study) if recommended is None else dict(recommended)
    settings = along(held, factor, np.array(factor.levels, dtype=object))
    inner, outer = both_intervals(study, one, settings)
    values = moved(study, one, along(held, factor, own), np.ones(len(own), dtype=bool))
    places = [factor.levels.index(str(level)) for level in own]
    return LevelBandView(
        levels=tuple(factor.levels), mean=predicted_mean(study, one, settings), inner=inner, outer=outer,
        dots=np.column_stack([places, values]), limits=views.limits_of(response),
        setting=None if recommended is None else factor.levels.index(str(recommended[factor.name])),
        labels=(with_unit(factor), with_unit(response)),
        caption=_caption(study, response, factor, held, recommended is not None),
    )  # fmt: skip


def _caption(study: Study, response: Response, factor: Factor, held: views.Settings, recommended: bool) -> str:
    level = numbers.level(study.header.confidence)
    return (
        f"Predicted {'median' if response.transform == 'log' else 'mean'} of {words(response.name)} by {words(factor.name)}"
        f"{views.held_words(study, held, [factor], recommended)}. Thick bars: {level} confidence interval of the mean. Thin bars:"
        f" {level} prediction interval of a new print's mean over its coupons on a new load. Each holds for one level that was"
        " named beforehand. Circles: prints, moved along the model to where the other factors are held."
    )
