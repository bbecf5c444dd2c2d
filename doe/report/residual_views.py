"""What the models leave over: residuals where a verdict calls for a look, loads beside each other, the plan's coverage."""

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from doe.design import check, quality, region
from doe.design.plan import Design
from doe.model.diagnosed import Diagnostics
from doe.model.measured import Fitted
from doe.model.results import ResponseFit
from doe.numerics import criteria, terms
from doe.numerics.load_levels import load_levels
from doe.report import numbers
from doe.report.line_views import CoverageView, IntervalView, PointView
from doe.report.tables import words
from doe.study.spec import Response, Study

Array = NDArray[np.float64]

_CALLS = {
    "order": ("drift with run order",),
    "load": ("load out of line", "loads scatter unequally"),
    "printer": ("printers scatter unequally",),
    "mean": ("scatter grows with the mean", "scatter falls with the mean", "another scale fits better", "lack of fit"),
    "normal": ("scatter not normal", "print out of line", "coupon out of line"),
}
"""Which verdicts call for which figure of the residuals."""
_NAMED = 3
_SHARES = 101


def residual_views(fit: ResponseFit, response: Response, design: Design) -> Iterator[PointView]:
    """
    Yield a figure of the residuals for each kind of look that the verdicts of a response call for.

    Parameters
    ----------
    fit : ResponseFit
    response : Response
    design : Design
        Gives order, load and printer of each print.
    """
    if fit.diagnostics is None or not fit.diagnostics.prints:
        return
    said = {verdict.name for verdict in fit.verdicts}
    for kind, names in _CALLS.items():
        called = [name for name in names if name in said]
        if called:
            yield _residuals(kind, fit.diagnostics, response, design, f"Shown since a verdict says: {', '.join(called)}.")


def _residuals(kind: str, found: Diagnostics, response: Response, design: Design, why: str) -> PointView:
    unit = "natural logarithms" if found.log else response.display_unit
    size = f"residual of {words(response.name)}{f', {unit}' if unit else ''}"
    y = np.array([one.residual for one in found.prints])
    names = [one.print for one in found.prints]
    far = np.argsort(-np.abs(y), kind="stable")[:_NAMED]
    if kind == "normal":
        return _quantiles(y, names, size, why)
    x, label, ticks = _axis(kind, found, names, design)
    what = {"order": "run order", "load": "drying load", "printer": "printer", "mean": "the mean that the model gives"}[kind]
    caption = f"Residuals of {words(response.name)} (measured less fitted, a dot a print) by {what}. {why}"
    return PointView(x, y, (label, size), caption, ticks, named=tuple((int(at), names[at]) for at in sorted(far.tolist())))


def _axis(kind: str, found: Diagnostics, names: Sequence[str], design: Design) -> tuple[Array, str, tuple[str, ...]]:
    """Return where each print stands, what the axis says, and its names."""
    if kind == "mean":
        return np.array([one.fitted for one in found.prints]), "mean that the model gives", ()
    place = {str(name): number for number, name in enumerate(design.runs["print"], 1)}
    if kind == "order":
        return np.array([float(place[name]) for name in names]), "run order", ()
    group = dict(zip(design.runs["print"].astype(str), design.runs[kind].astype(str), strict=True))
    ticks = tuple(dict.fromkeys(one for name, one in group.items() if name in set(names)))
    label = "drying load, in the order dried" if kind == "load" else "printer"
    return np.array([float(ticks.index(group[name])) for name in names]), label, ticks


def _quantiles(y: Array, names: Sequence[str], size: str, why: str) -> PointView:
    """Return residuals over the quantiles of a normal distribution at (i - 3/8) / (n + 1/4) (Blom 1958, from memory)."""
    order = np.argsort(y, kind="stable")
    n = len(y)
    x = stats.norm.ppf((np.arange(1, n + 1) - 0.375) / (n + 0.25))
    ends = dict.fromkeys([0, n - 1])
    caption = (
        f"Normal quantiles: {size.partition(',')[0]}, each print by its rank. Normal scatter lies about the line. {why}"
    )
    return PointView(
        x, y[order], ("quantile of a normal distribution", size), caption, line=(float(y.mean()), float(y.std(ddof=1))),
        named=tuple((at, names[order[at]]) for at in ends),
    )  # fmt: skip


def load_view(fit: ResponseFit, one: Fitted, level: float) -> IntervalView | None:
    """
    Return how far each load lies from the average of all; None where the prints do not tell, or some values are only limits.

    Parameters
    ----------
    fit : ResponseFit
    one : Fitted
        The same fit with its arrays.
    level : float
        Two-sided confidence.
    """
    data = one.data
    if data.load is None or (fit.limits is not None and fit.limits.used):
        return None
    found = load_levels(data.X, data.load, data.means, level)
    if found is None:
        return None
    pairs = zip(data.load_names, np.bincount(data.load, minlength=data.loads).tolist(), strict=True)
    names = tuple(f"{name} ({count} print{'s' if count > 1 else ''})" for name, count in pairs)
    unit = "natural logarithms" if data.response.transform == "log" else data.response.display_unit
    caption = (
        f"Drying loads: how far each lies from the average of all, {words(fit.response)}, with {numbers.level(level)} confidence"
        " intervals by the scatter of prints within loads, the settings that change within a load in the middle. What a load was"
        " dried for is part of its level. Each interval holds for one load, not for all at once."
    )
    if len(set(data.counts.tolist())) > 1:
        caption += " Prints with fewer coupons scatter more: the interval of a load of such prints is too short."
    label = f"load less the average of all, {words(fit.response)}{f', {unit}' if unit else ''}"
    return IntervalView(names, *found, label, caption)


def coverage_view(study: Study, design: Design) -> CoverageView | None:
    """
    Return how well the plan predicts over the region: the share of it whose standard error stays below each value.

    After Zahran, Anderson-Cook and Myers, *Journal of Quality Technology* 35 (2003), 377-386 (from memory). Settings are spread
    evenly over the ranges and levels, those that a constraint bars left out; loads are taken to differ as much as prints do.

    Parameters
    ----------
    study : Study
    design : Design

    Returns
    -------
    CoverageView or None
        None where the plan cannot estimate the declared model, or constraints leave no settings between those of an equality.
    """
    runs, settings = design.fitted, region.spread(study)
    if runs.empty or not len(settings):
        return None
    X, load = check.matrix(study, runs)
    if not terms.estimable(X):
        return None
    rows = quality.rows(study, settings, X.shape[1])
    error = np.sqrt(criteria.prediction_variance(rows, X, load, 1.0))
    share = np.linspace(0, 1, _SHARES)
    caption = (
        "Plan coverage of the region: the share of all settings that may be used, within the ranges and constraints, at which"
        " the standard error of a predicted mean is at most as shown. The lower and flatter, the more evenly the plan tells about"
        " the region. Settings are spread evenly on each factor's scale; loads are taken to differ as much as prints do."
    )
    return CoverageView(share, np.quantile(error, share), caption)
