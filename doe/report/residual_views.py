"""What the models leave over: residuals where a verdict calls for a look, loads beside each other, and the plan's coverage."""

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from doe.design import check, region
from doe.design.plan import Design
from doe.model.diagnosed import Diagnostics
from doe.model.measured import Fitted
from doe.model.results import ResponseFit
from doe.numerics import criteria, terms
from doe.report import numbers
from doe.report.lines import CoverageView, IntervalView, PointView
from doe.report.tables import words
from doe.study import scale
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
_PLACES = 4000
_SEED = 1
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
    Return how far the prints of each load lie from the model on average; None with fewer than two loads or no scatter known.

    The interval is that of a mean of so many prints: Student's t with the error degrees of freedom of prints, their variance
    the sum of the components within loads. The coefficients are taken as known.

    Parameters
    ----------
    fit : ResponseFit
    one : Fitted
        The same fit with its arrays.
    level : float
        Two-sided confidence.
    """
    data = one.data
    parts = {part.name: part for part in fit.components}
    inner = parts.get("print", parts.get("residual"))
    if data.load is None or data.loads < 2 or inner is None or inner.dof <= 0:
        return None
    coupons = float(np.mean(data.counts))
    variance = inner.variance + (parts["residual"].variance / coupons if inner.name == "print" else 0.0)
    differs = data.means - data.X @ one.estimates
    counts = np.bincount(data.load, minlength=data.loads)
    centre = np.bincount(data.load, differs, minlength=data.loads) / counts
    half = stats.t.ppf(0.5 + level / 2, inner.dof) * np.sqrt(variance / counts)
    if not np.isfinite(half).all():
        return None
    pairs = zip(data.load_names, counts.tolist(), strict=True)
    names = tuple(f"{name} ({count} print{'s' if count > 1 else ''})" for name, count in pairs)
    unit = "natural logarithms" if data.response.transform == "log" else data.response.display_unit
    caption = (
        f"Drying loads: how far the prints of each lie from the model on average, {words(fit.response)}, with"
        f" {numbers.level(level)} confidence intervals by the scatter of prints within loads, the coefficients taken as known."
        " Loads whose intervals lie clearly on different sides differ by more than their prints do."
    )
    label = f"load less model, {words(fit.response)}{f', {unit}' if unit else ''}"
    return IntervalView(names, centre, np.column_stack([centre - half, centre + half]), label, caption)


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
        None where the plan cannot estimate the declared model.
    """
    runs = design.fitted
    if runs.empty:
        return None
    X, load = check.matrix(study, runs)
    if not terms.estimable(X):
        return None
    counts = scale.level_counts(study)
    spread = stats.qmc.Halton(len(counts), seed=_SEED).random(_PLACES)
    settings = np.column_stack([
        np.floor(column * count) if count else 2 * column - 1 for column, count in zip(spread.T, counts, strict=True)
    ])
    settings = settings[region.allowed(study, settings)]
    base = terms.model_matrix(settings, scale.model_terms(study), counts)
    rows = np.hstack([base, np.zeros((len(base), X.shape[1] - base.shape[1]))])
    error = np.sqrt(criteria.prediction_variance(rows, X, load, 1.0))
    share = np.linspace(0, 1, _SHARES)
    caption = (
        "Plan coverage of the region: the share of all settings that may be used, within the ranges and constraints, at which"
        " the standard error of a predicted mean is at most as shown. The lower and flatter, the more evenly the plan tells about"
        " the region. Loads are taken to differ as much as prints do."
    )
    return CoverageView(share, np.quantile(error, share), caption)
