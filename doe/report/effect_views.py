"""Effects of one response as intervals in its own unit, with its predicted mean along each factor that matters."""

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.design.plan import Design
from doe.model import inference
from doe.model.coefficients import Coefficient
from doe.model.measured import Fitted, predicted_mean
from doe.model.results import ResponseFit
from doe.model.settings import actual_settings
from doe.record.declared import without_confirmations
from doe.record.match import Record
from doe.report import numbers, views
from doe.report.last_levels import last_levels
from doe.report.line_views import BandView, IntervalView, largest_first
from doe.report.protocol import with_unit
from doe.report.tables import words
from doe.study import scale
from doe.study.spec import Factor, Response, Study

Array = NDArray[np.float64]

MATTERS = 0.05
"""A factor whose terms together are this unlikely to be all zero gets a figure of its own."""
_POINTS = 61


def effect_view(study: Study, response: Response, fit: ResponseFit, one: Fitted | None) -> IntervalView | None:
    """
    Return every effect of a response with its interval, in response units, the largest first.

    An effect of one factor is the change of the mean from the low to the high end of its range, twice the coded coefficient; of
    two factors half the difference that the one makes to the other's (Box, Hunter and Hunter, *Statistics for Experimenters*,
    2005, section 5.5, from memory); of a square by how much the ends lie above the middle, the coefficient itself; of a level or
    printer its distance from the average of all, and with another factor how far that one's effect there lies from its average.
    What is fitted to logarithms is given as change in per cent.

    Parameters
    ----------
    study : Study
    response : Response
    fit : ResponseFit
        Coefficients in coded units.
    one : Fitted or None
        The same fit with its arrays, for the levels that the coding leaves out.

    Returns
    -------
    IntervalView or None
        None where the model has nothing but an intercept.
    """
    shown = [each for each in fit.coefficients if _is_effect(study, each)]
    if not shown:
        return None
    labels, estimates = [each.label for each in shown], np.array([each.estimate for each in shown])
    limits = np.array([[_number(each.low), _number(each.high)] for each in shown])
    if one is not None:
        more, centres, within = last_levels(study, one, fit.level)
        labels, estimates, limits = [*labels, *more], np.append(estimates, centres), np.vstack([limits, within])
    weights = np.array([_weight(study, label) for label in labels])
    centre, interval = weights * estimates, weights[:, None] * limits
    logs = response.transform == "log"
    if logs:
        centre, interval = (100 * np.expm1(values) for values in (centre, interval))
    names, centre, interval, left = largest_first([_name(study, label) for label in labels], centre, interval)
    unit = "%" if logs else response.display_unit
    caption = (
        f"Effects on {words(response.name)}, the largest first, with {numbers.level(fit.level)} confidence intervals. One factor:"
        " the change of the mean from the low to the high end, the others in the middle. Two factors: half of the difference"
        " that the one makes to the effect of the other. A square: how far the ends lie above the middle. A level or printer:"
        " its distance from the average of all; with a factor, how far the factor's effect there lies from its average. Each"
        " interval holds for one effect, not for all at once."
    ) + (f" The {left} smallest are left out." if left else "")
    return IntervalView(names, centre, interval, f"effect on {words(response.name)}{f', {unit}' if unit else ''}", caption)


def _is_effect(study: Study, one: Coefficient) -> bool:
    known = {factor.name for factor in study.factors}
    parts = [part.split(" [")[0].split("^")[0] for part in one.label.split(" * ")]
    return all(part in known for part in parts) or one.label.startswith("printer ")


def _weight(study: Study, label: str) -> float:
    numeric = {factor.name for factor in study.factors if factor.is_numeric}
    return 2.0 if "^" not in label and any(part in numeric for part in label.split(" * ")) else 1.0


def _name(study: Study, label: str) -> str:
    """Return an effect in words: with the range for one factor by itself."""
    for factor in study.factors:
        if factor.is_numeric and label == factor.name:
            ends = f"{numbers.exact(factor.low)} to {numbers.exact(factor.high)} {factor.display_unit}".rstrip()
            bent = {"log": ", logarithmic", "moisture": ", by moisture"}.get(factor.scale, "")
            return f"{words(label)}, {ends}{bent}"
    return words(label)


def _number(value: float | None) -> float:
    return np.nan if value is None else value


def band_views(
    study: Study, done: tuple[Design, Record], response: Response, one: Fitted, recommended: views.Settings | None
) -> Iterator[BandView]:
    """
    Yield the predicted mean along each numeric factor that matters, with bands and the prints' own points.

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
        if factor.is_numeric:
            yield _band(study, response, one, factor, (actual[factor.name].to_numpy(dtype=float), recommended))


def clear_factors(study: Study, one: Fitted) -> list[Factor]:
    """Return the factors that matter, whose terms together are unlikely to be all zero; none where no interval can be given."""
    tests = () if one.result.effects is None or one.inference is None else one.result.effects.factors
    names = {test.name for test in tests if test.p is not None and test.p < MATTERS}
    return [factor for factor in study.factors if factor.name in names]


def settings_of_prints(study: Study, done: tuple[Design, Record], one: Fitted) -> pd.DataFrame:
    """Return the actual settings of the prints of a fit: one row a print, one column a factor."""
    return actual_settings(study, *without_confirmations(*done)).iloc[one.data.order].reset_index(drop=True)


def _band(
    study: Study, response: Response, one: Fitted, factor: Factor, at: tuple[Array, views.Settings | None]
) -> BandView:
    own, recommended = at
    held = views.middle(study) if recommended is None else dict(recommended)
    x = factor.centre + factor.half_range * np.linspace(-1, 1, _POINTS)
    inner, outer = both_intervals(study, one, along(held, factor, x))
    near = np.abs(own - factor.centre) <= 1.5 * factor.half_range
    return BandView(
        x=x, mean=predicted_mean(study, one, along(held, factor, x)), inner=inner, outer=outer,
        dots=np.column_stack([own[near], moved(study, one, along(held, factor, own[near]), near)]),
        limits=views.limits_of(response), setting=None if recommended is None else float(recommended[factor.name]),
        labels=(with_unit(factor), with_unit(response)),
        caption=_band_caption(study, response, factor, held, recommended is not None),
    )  # fmt: skip


def along(held: views.Settings, factor: Factor, values: NDArray[Any]) -> dict[str, Any]:
    """Return settings at some values of one factor, shape (m,), the others held."""
    return {name: np.full(len(values), value) for name, value in held.items()} | {factor.name: values}


def both_intervals(study: Study, one: Fitted, settings: views.Settings) -> tuple[Array, Array]:
    """Return the confidence interval of the mean and the prediction interval of a new print, shape (m, 2), response units."""
    assert one.inference is not None
    rows, level = one.data.rows(scale.coded(study, settings)), study.header.confidence
    found = inference.means(one.inference, rows, level), inference.new_prints(one.inference, rows, level)
    mean, new = (_in_units(study, one, np.column_stack([each.low, each.high])) for each in found)
    return mean, new


def moved(study: Study, one: Fitted, settings: views.Settings, near: NDArray[np.bool_]) -> Array:
    """
    Return the print means at held settings of the other factors; ``near``, of shape (prints,), says of which.

    Each is the prediction there plus what the print differs by.
    """
    differs = one.data.means - one.data.X @ one.estimates
    return _in_units(study, one, one.data.rows(scale.coded(study, settings)) @ one.estimates + differs[near])


def _in_units(study: Study, one: Fitted, values: Array) -> Array:
    response = next(each for each in study.responses if each.name == one.result.response)
    return np.asarray(np.exp(values) if response.transform == "log" else values, dtype=float)


def _band_caption(study: Study, response: Response, factor: Factor, held: views.Settings, recommended: bool) -> str:
    others = views.held_words(study, held, [factor], recommended)
    level = numbers.level(study.header.confidence)
    return (
        f"Predicted {'median' if response.transform == 'log' else 'mean'} of {words(response.name)} along {words(factor.name)}"
        f"{others}. Bands: {level} confidence interval of the mean, and {level} prediction interval of a new print's mean"
        " over its coupons on a new load, each for one setting that was named beforehand. Dots: prints, moved along the model"
        " to where the other factors are held."
    )


def fitted_of(fitted: Sequence[Fitted], response: str) -> Fitted | None:
    """Return the fit of one response, where there is one."""
    return next((one for one in fitted if one.result.response == response), None)
