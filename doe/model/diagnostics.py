"""Diagnostics of one measured response: does its fit deserve belief, or does one print, load or column decide it?

All of it is about the means of prints, which are the units. Values and loads are judged under the fitted variance
components; how the residuals scatter is judged within loads, by tests whose size is exact (``doe.numerics.scatter``).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from doe.model.data import ResponseData, in_response_units
from doe.model.diagnosed import ALARM, ALIKE, Alike, Check, Diagnostics, LoadFit, Predicted, PrintFit
from doe.numerics import diagnostics as numerics
from doe.numerics import scatter
from doe.numerics.leastsq import fit_least_squares
from doe.numerics.reml import MixedFit

Array = NDArray[np.float64]

_OWN = 0.05  # a print is off only if it is off among the prints of its own load as well
_FEWEST_NORMAL, _FEWEST = 10, 5  # error degrees of freedom below which a check of the scatter sees nothing
_SEED = 1964
_NO_LOADS = "no load component is estimated"
_TOO_FEW = "{} error degrees of freedom within loads; at least {} are needed"


@dataclass(frozen=True)
class _Case:
    """Print means divided by the root of their relative variance, with all that the checks share."""

    data: ResponseData
    root: Array
    """Root of the relative variance of each print mean, shape (n,)."""
    y: Array
    ratio: float
    covariance: Array
    space: numerics.ErrorSpace
    errors: scatter.Scatter
    added: numerics.Added
    """Of an indicator of each print, of each load where loads are a random component, and of the run order."""
    left: tuple[numerics.LeftOut | None, ...]
    """Without each load; empty where loads are not a random component."""
    patterns: tuple[numerics.Pattern | None, ...]
    """Of the prints of each load."""

    @property
    def dof(self) -> int:
        """Error degrees of freedom within loads."""
        return int(self.space.within.shape[1])

    @property
    def has_loads(self) -> bool:
        """Whether loads are a random component."""
        return bool(self.left)


def diagnose(data: ResponseData, mixed: MixedFit | None, random: Sequence[str]) -> Diagnostics:
    """
    Diagnose the fit of one measured response.

    Parameters
    ----------
    data : ResponseData
    mixed : MixedFit or None
        None where nothing was left to estimate a variance from: only what the plan alone decides is then found.
    random : sequence of str
        Names of the variance components before the residual: a part of ``load``, ``print``.

    Returns
    -------
    Diagnostics
    """
    if mixed is None:
        return _without_fit(data)
    case = _case(data, mixed, random)
    return Diagnostics(
        log=data.response.transform == "log",
        prints=_prints(case, mixed),
        checks=(_coupons(data), *_outliers(case), *_of_loads(case), *_of_scatter(case), _drift(case)),
        loads=_influence(case, mixed),
        powers=_powers(data),
        predicted=_predicted(case),
        alike=_alike(data),
    )


def _without_fit(data: ResponseData) -> Diagnostics:
    reason = "no variance could be estimated"
    names = (
        "one coupon off", "one print off", "one load off", "one load's prints", "normal scatter", "scatter and mean",
        "coupon scatter and mean", "scatter of printers", "scatter of loads", "drift",
    )  # fmt: skip
    checks = tuple(Check(name, reason=reason) for name in names)
    predicted = Predicted(None, None, reason)
    return Diagnostics(data.response.transform == "log", (), checks, (), None, predicted, _alike(data))


def _case(data: ResponseData, mixed: MixedFit, random: Sequence[str]) -> _Case:
    n = len(data.names)
    variance = np.full(n, float(mixed.variances[-1]))
    if data.has_coupons:
        variance = variance / data.counts
    if "print" in random:
        variance += float(mixed.variances[list(random).index("print")])
    root = np.sqrt(variance / variance.mean())
    member = np.zeros((n, 0))
    if "load" in random and data.load is not None:
        member = np.eye(data.loads)[data.load]
    ratio = float(mixed.variances[list(random).index("load")] / variance.mean()) if member.size else 0.0
    y, X, Z = data.means / root, data.X / root[:, None], member / root[:, None]
    space, covariance = numerics.error_space(y, X, Z), np.eye(n) + ratio * Z @ Z.T
    order = (data.order - data.order.mean()) / max(float(np.ptp(data.order)), 1.0) / root
    groups = [column == 1 for column in member.T]
    return _Case(
        data=data,
        root=root,
        y=y,
        ratio=ratio,
        covariance=covariance,
        space=space,
        errors=scatter.scatter(space.within, space.values[space.sizes == 0], _SEED),
        added=numerics.added_columns(space, np.hstack([np.eye(n), Z, order[:, None]])),
        left=tuple(numerics.leave_out(y, X, covariance, group) for group in groups),
        patterns=tuple(numerics.within_group(space, group) for group in groups),
    )


def _prints(case: _Case, mixed: MixedFit) -> tuple[PrintFit, ...]:
    data = case.data
    added = case.added
    leverage = numerics.leverages(case.space, case.covariance, case.ratio)
    fitted = data.X @ mixed.estimates
    return tuple(
        PrintFit(
            print=name,
            measured=float(data.means[row]),
            fitted=float(fitted[row]),
            residual=float(data.means[row] - fitted[row]),
            studentised=_number(added.estimates[row] / added.se[row]),
            leverage=float(leverage[row]),
        )
        for row, name in enumerate(data.names)
    )


def _coupons(data: ResponseData) -> Check:
    """Test single coupons against the others of their print, with the scatter within all prints; the worst is reported."""
    name = "one coupon off"
    if not data.has_coupons:
        return Check(name, reason="no print has several coupons that differ")
    found = fit_least_squares(data.values, np.eye(len(data.names))[data.of_print])
    defined = np.flatnonzero(np.isfinite(found.studentised))
    if not len(defined):
        return Check(name, reason="the coupons leave too little to judge one by the others")
    worst = int(defined[np.abs(found.studentised[defined]).argmax()])
    statistic, dof = float(found.studentised[worst]), found.dof - 1
    p = min(1.0, len(defined) * 2 * float(stats.t.sf(abs(statistic), dof)))
    from_others = float(found.residuals[worst] / (1 - found.leverages[worst]))
    return Check(name, statistic, "t", (dof,), p, from_others, (data.items[worst],))


def _outliers(case: _Case) -> tuple[Check, ...]:
    """Test the prints one at a time; the worst is reported, all that are off among their load's as well are named."""
    n, added = len(case.y), case.added
    if np.isnan(added.p[:n]).all():
        return (Check("one print off", reason="too few error degrees of freedom to leave a print out"),)
    inside = case.space.sizes == 0
    own = numerics.ErrorSpace(case.space.within, np.zeros(int(inside.sum())), case.space.values[inside])
    alone = numerics.added_columns(own, np.eye(n)).p
    p = np.where(np.nan_to_num(alone, nan=0.0) < _OWN, added.p[:n], np.maximum(added.p[:n], alone))
    order = [int(row) for row in np.argsort(np.nan_to_num(p, nan=np.inf), kind="stable")]
    off = [row for row in order if n * p[row] < ALARM] or order[:1]
    worst = order[0]
    return (
        Check(
            "one print off",
            statistic=float(added.estimates[worst] / added.se[worst]),
            kind="t",
            dof=(float(added.dof[worst]),),
            p=min(1.0, float(n * p[worst])),
            estimate=float(added.estimates[worst] * case.root[worst]),
            about=tuple(case.data.names[row] for row in off),
        ),
    )


def _of_loads(case: _Case) -> tuple[Check, ...]:
    """Test each load as a whole, and the pattern of its prints with its mean taken out."""
    if not case.has_loads:
        return (Check("one load off", reason=_NO_LOADS), Check("one load's prints", reason=_NO_LOADS))
    n, added, loads = len(case.y), case.added, len(case.data.load_names)
    whole = Check("one load off", reason="too few load error degrees of freedom to leave a load out")
    if not np.isnan(added.p[n:-1]).all():
        worst = n + int(np.nanargmin(added.p[n:-1]))
        whole = Check(
            "one load off",
            statistic=float(added.estimates[worst] / added.se[worst]),
            kind="t",
            dof=(float(added.dof[worst]),),
            p=min(1.0, float(loads * added.p[worst])),
            estimate=float(added.estimates[worst]),
            about=(case.data.load_names[worst - n],),
        )
    return whole, _of_patterns(case)


def _of_patterns(case: _Case) -> Check:
    name = "one load's prints"
    made = [(test.p, code, test) for code, test in enumerate(case.patterns) if test is not None]
    if not made:
        return Check(name, reason="too few error degrees of freedom to leave a load out")
    p, worst, test = min(made, key=lambda one: one[0])
    return Check(name, test.f, "F", (test.ndf, test.ddf), min(1.0, len(made) * p), about=(case.data.load_names[worst],))


def _of_scatter(case: _Case) -> tuple[Check, ...]:
    data, few = case.data, _TOO_FEW.format(case.dof, _FEWEST)
    normal = Check("normal scatter", reason=_TOO_FEW.format(case.dof, _FEWEST_NORMAL))
    if case.dof >= _FEWEST_NORMAL:
        statistic, p = scatter.non_normality(case.errors)
        normal = Check("normal scatter", statistic, "squared correlation with normal scores", (case.dof,), p)
    fitted = (case.y - case.errors.residuals[0]) * case.root
    grows = Check("scatter and mean", reason=few)
    if np.ptp(fitted) <= 1e-9 * np.abs(fitted).max():
        grows = Check("scatter and mean", reason="the fitted values do not differ")
    elif case.dof >= _FEWEST:
        statistic, p = scatter.growth(case.errors, fitted)
        grows = Check("scatter and mean", statistic, "score", (1,), p)
    printers = _groups(case, "scatter of printers", data.printer, data.printers)
    loads = Check("scatter of loads", reason=_NO_LOADS)
    if case.has_loads and data.load is not None:
        loads = _groups(case, "scatter of loads", data.load, case.data.load_names)
    return normal, grows, _of_coupons(data), printers, loads


def _of_coupons(data: ResponseData) -> Check:
    name = "coupon scatter and mean"
    dof = data.counts - 1
    if not data.has_coupons or (dof > 0).sum() < _FEWEST or np.ptp(data.means[dof > 0]) == 0:
        return Check(name, reason=f"fewer than {_FEWEST} prints with several coupons that differ")
    ss = np.bincount(data.of_print, (data.values - data.means[data.of_print]) ** 2, minlength=len(data.names))
    statistic, p = scatter.growth_of_coupons(ss.astype(float), dof, data.means, _SEED)
    return Check(name, statistic, "relative slope of the variance", (int(dof.sum()),), p)


def _groups(case: _Case, name: str, groups: NDArray[np.int64], names: Sequence[str]) -> Check:
    used = case.errors.shares > scatter.USED_UP
    present = len(np.unique(groups[used]))
    if present < 2 or used.sum() <= present:
        return Check(name, reason="fewer than two groups with residuals to compare")
    if case.dof < _FEWEST:
        return Check(name, reason=_TOO_FEW.format(case.dof, _FEWEST))
    statistic, p, spreads = scatter.unequal_groups(case.errors, groups)
    order = np.argsort(-np.nan_to_num(spreads, nan=-1.0), kind="stable")
    about = tuple(names[int(code)] for code in order if np.isfinite(spreads[code]))
    return Check(name, statistic, "log likelihood ratio, twice,", (), p, float(np.nanmax(spreads)), about)


def _drift(case: _Case) -> Check:
    added = case.added
    if np.isnan(added.p[-1]):
        return Check("drift", reason="the run order cannot be told from the columns of the model, or no error is left")
    return Check(
        "drift",
        statistic=float(added.estimates[-1] / added.se[-1]),
        kind="t",
        dof=(float(added.dof[-1]),),
        p=float(added.p[-1]),
        estimate=float(added.estimates[-1]),
    )


def _influence(case: _Case, mixed: MixedFit) -> tuple[LoadFit, ...]:
    """Leave out each load, at the ratio of the variances as estimated from all."""
    data = case.data
    if not case.has_loads or data.load is None:
        return ()
    se = np.sqrt(np.diag(mixed.adjusted_covariance))
    found = []
    for code, (name, left, test) in enumerate(zip(case.data.load_names, case.left, case.patterns, strict=True)):
        group = data.load == code
        size, p = int(group.sum()), None if test is None else test.p
        if left is None:
            missing = tuple(data.labels[column] for column in numerics.missing_without(data.X, group))
            found.append(LoadFit(name, size, missing, None, None, None, p))
        else:
            relative = left.change / se
            most = int(np.argmax(np.abs(relative)))
            found.append(LoadFit(name, size, (), data.labels[most], float(relative[most]), float(left.change[0]), p))
    return tuple(found)


def _powers(data: ResponseData) -> scatter.Powers | None:
    measured = in_response_units(data.response, data.means)
    if measured.min() <= 0 or np.ptp(measured) == 0:
        return None
    return scatter.likely_powers(measured, np.hstack([data.X, data.load_columns]), 1 - ALARM)


def _predicted(case: _Case) -> Predicted:
    data = case.data
    total = float(((data.means - data.means.mean()) ** 2).sum())
    errors = numerics.deletion_errors(case.space, case.ratio) * case.root
    if np.isnan(errors).any():
        return Predicted(None, None, "the model cannot be fitted without some of the prints")
    by_print = 1 - float(errors @ errors) / total
    if not case.has_loads or data.load is None:
        return Predicted(by_print, None, _NO_LOADS)
    left_out = 0.0
    for code, left in enumerate(case.left):
        if left is None:
            return Predicted(by_print, None, f"the model cannot be fitted without the load {case.data.load_names[code]}")
        left_out += float(((left.errors * case.root[data.load == code]) ** 2).sum())
    return Predicted(by_print, 1 - left_out / total, "")


def _alike(data: ResponseData) -> tuple[Alike, ...]:
    """Group the columns with a great variance inflation by how their estimates go together."""
    inflation, correlation = numerics.variance_inflation(data.X)
    left = [int(column) for column in np.argsort(-inflation, kind="stable") if inflation[column] >= ALIKE]
    groups = []
    while left:
        first = left[0]
        partners = [column for column in range(1, len(inflation)) if abs(correlation[first, column]) > 0.5]
        members = sorted({first, *partners})
        groups.append(Alike(tuple(data.labels[column] for column in members), float(inflation[first])))
        left = [column for column in left if column not in members]
    return tuple(groups)


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
