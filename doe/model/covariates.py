"""
Covariates: what was written down but not set; in the model where it was declared before the data, else only checked.

A declared covariate is one more column of the model, centred at its mean over the prints that count, so that every prediction
holds at that mean. One that was declared late, or is recorded only (``fit = false``), is never fitted, since whoever knows the
results finds a covariate for each of them; ``doe.model.covariate_checks`` has the test of it.

A covariate helps where the settings do not move it: the weather, the age of the nozzle, the day of the test. What the settings
cause (how long a print takes, a temperature that follows the flow) is not one: the model would give the covariate a part of
what the settings do. Random order leaves only chance between the two; ``covariate follows the settings`` says where chance does
not explain what is seen. No arithmetic can say what causes what.

In simulated studies of 30 prints in 6 to 10 loads, with a covariate that does nothing (300 studies each), ``covariate follows the
settings`` appeared in 0.3 to 2 %, and 95 % intervals of its coefficient held zero in 94 to 98 %.
"""

import datetime
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from doe.design.plan import Design
from doe.model import structure
from doe.model.data import ResponseData
from doe.model.inference import FEW_LOAD_DOF
from doe.numerics.terms import rank
from doe.record.match import Record
from doe.study.spec import Covariate, Study
from doe.verdicts import Verdict

Array = NDArray[np.float64]

MOST_MISSING = 0.10
"""Share of prints without a value up to which a covariate is fitted, with the mean in their place."""
FOLLOWS = 0.01
"""Settings move a covariate where the p of that is below this."""


@dataclass(frozen=True)
class FittedColumn:
    """One covariate in the model, and what its values were over the prints that count."""

    name: str
    unit: str
    per: str
    prints: int
    missing: int
    """Prints without a value, which have the mean."""
    low: float
    high: float
    mean: float
    since: str
    """Date from which days count; empty for a number."""

    @property
    def half_range(self) -> float:
        """By how much the covariate changes where its column changes by one."""
        return (self.high - self.low) / 2


@dataclass(frozen=True)
class Covariates:
    """What becomes of the covariates in the model of one response."""

    columns: tuple[FittedColumn, ...]
    by_print: Mapping[str, Array]
    """Per print of the plan, its values of the columns, shape (q,): centred, and divided by half the range."""
    checked: tuple[Covariate, ...]
    """Those that are not fitted."""
    verdicts: tuple[Verdict, ...]


def observed(study: Study, design: Design, record: Record, names: Sequence[str]) -> dict[str, Array]:
    """
    Return the covariates at some prints.

    Parameters
    ----------
    study : Study
    design : Design
    record : Record
    names : sequence of str, length n
        Prints of the plan.

    Returns
    -------
    dict of str to ndarray of shape (n,)
        By covariate, its unit, for a date the day (proleptic Gregorian ordinal); nan where nothing was written down.
    """
    load_of = dict(zip(design.runs["print"], design.runs["load"], strict=True))
    found = {}
    for one in study.covariates:
        table, key = (record.prints, "print") if one.per == "print" else (record.loads, "load")
        column = table.set_index(key).get(f"covariate.{one.name}")
        written = {} if column is None else column.to_dict()
        rows = names if one.per == "print" else [load_of[name] for name in names]
        found[one.name] = np.array([_number(one, written.get(row)) for row in rows], dtype=float)
    return found


def _number(one: Covariate, written: object) -> float:
    if one.kind == "date":
        return float(datetime.date.fromisoformat(str(written)).toordinal()) if written else np.nan
    return float(str(written)) if written is not None else np.nan


def covariate_columns(
    study: Study, design: Design, record: Record, data: ResponseData, declared: Collection[str] | None = None
) -> Covariates:
    """
    Decide which covariates the model of a response has.

    Parameters
    ----------
    study : Study
    design : Design
    record : Record
    data : ResponseData
        Of the response, without covariates.
    declared : collection of str, optional
        Covariates that were declared before the data, as of :func:`doe.study.amend.declared_before_data`; without it, all that
        are to be fitted.

    Returns
    -------
    Covariates
        A covariate is fitted where it was declared in time, at most a tenth of the prints lacks it, it varies, the prints can
        tell it from the model, and an error degree of freedom is left for what it is judged against.
    """
    wanted = [one for one in study.covariates if one.fit and (declared is None or one.name in declared)]
    late = [one for one in study.covariates if one.fit and one not in wanted]
    values = observed(study, design, record, data.names)
    verdicts = [_late(one, data.response.name) for one in late]
    kept: list[tuple[Covariate, FittedColumn]] = []
    wider = data
    for one in wanted:
        column = described(one, values[one.name])
        with_it = None if column is None else widened(wider, scaled(column, values[one.name])[:, None], (one.name,))
        refusal = _refusal(one, column, wider, with_it)
        if refusal is not None or column is None or with_it is None:
            verdicts += [refusal] if refusal else []
            continue
        verdicts += _cautions(column, data, values[one.name], structure.strata(wider), structure.strata(with_it))
        kept.append((one, column))
        wider = with_it
    names = list(design.runs["print"])
    everywhere = observed(study, design, record, names)
    rows = np.column_stack(
        [np.zeros((len(names), 0)), *(scaled(col, everywhere[one.name])[:, None] for one, col in kept)]
    )
    fitted = {one.name for one, _ in kept}
    return Covariates(
        columns=tuple(column for _, column in kept),
        by_print=dict(zip(names, rows, strict=True)),
        checked=tuple(one for one in study.covariates if one.name not in fitted),
        verdicts=tuple(replace(one, about=data.response.name) for one in verdicts),
    )


def with_columns(data: ResponseData, found: Covariates) -> ResponseData:
    """
    Return the data of a response with the fitted covariates as the last columns of the model.

    Parameters
    ----------
    data : ResponseData
        Any prints of the plan, without covariates: with the values that are only limits, or without some.
    found : Covariates

    Returns
    -------
    ResponseData
        Its ``rows`` predict at the means of the covariates.
    """
    if not found.columns:
        return data
    added = np.array([found.by_print[name] for name in data.names])
    return widened(data, added, tuple(column.name for column in found.columns))


def widened(data: ResponseData, added: Array, labels: tuple[str, ...]) -> ResponseData:
    """Return data with more columns, shape (n, q), at the end of the model matrix."""
    return replace(data, X=np.hstack([data.X, added]), labels=(*data.labels, *labels))


def described(one: Covariate, values: Array) -> FittedColumn | None:
    """Return what the values, of shape (prints,), are; None where there are none."""
    seen = values[~np.isnan(values)]
    if not len(seen):
        return None
    since = datetime.date.fromordinal(int(seen.min())).isoformat() if one.kind == "date" else ""
    seen = seen - _origin(since)
    return FittedColumn(
        name=one.name,
        unit=one.display_unit,
        per=one.per,
        prints=len(values),
        missing=len(values) - len(seen),
        low=float(seen.min()),
        high=float(seen.max()),
        mean=float(seen.mean()),
        since=since,
    )


def _origin(since: str) -> float:
    return float(datetime.date.fromisoformat(since).toordinal()) if since else 0.0


def scaled(column: FittedColumn, values: Array) -> Array:
    """Return values (any shape) less their mean by half the range, 0 where there is none: the mean takes its place."""
    half = column.half_range or 1.0
    return np.where(np.isnan(values), 0.0, (values - _origin(column.since) - column.mean) / half)


def _late(one: Covariate, response: str) -> Verdict:
    return Verdict(
        "covariate declared after the data",
        f"{one.name} was not declared to be fitted when the first sheet was written, so it is checked and not part of the model",
        "declare it before the first sheet of the next study, if it is to be in the model",
        response,
    )


def _refusal(
    one: Covariate, column: FittedColumn | None, before: ResponseData, after: ResponseData | None
) -> Verdict | None:
    """Return why a declared covariate is not fitted; None where it is."""
    if column is None or after is None or column.missing > MOST_MISSING * column.prints:
        missing = len(before.names) if column is None else column.missing
        return Verdict(
            "covariate not fitted for want of values",
            f"{one.name} was not written down for {missing} of {len(before.names)} prints; up to a tenth can be missing",
            "fill it in on the sheet where it is still known, and run 'doe collect' and 'doe fit' again",
        )
    if column.half_range <= 1e-9 * max(abs(column.low), abs(column.high)):
        return Verdict(
            "covariate did not vary",
            f"{one.name} was the same at every print, so nothing can be said about it and it is not fitted",
            "none is needed: the results hold at that value",
        )
    if rank(after.X) < after.X.shape[1]:
        return Verdict(
            "covariate not told apart from the model",
            f"{one.name} changed exactly as settings, printers, rounds or another covariate did, so it is not fitted, and what "
            "it does is part of what these seem to do",
            "let it vary apart from them in the next round: keep to the random order, and share days and spools out evenly",
        )
    return _no_error_left(one, structure.strata(before), structure.strata(after))


def _no_error_left(one: Covariate, before: structure.Strata, after: structure.Strata) -> Verdict | None:
    loads = before.load_dof is not None and after.load_dof is not None and before.load_dof >= 1 > after.load_dof
    if not loads and (before.print_dof < 1 or after.print_dof >= 1):
        return None
    what = "drying load" if loads else "print"
    return Verdict(
        "no spare prints for the covariate",
        f"{one.name} would take the last {what} that shows how much {what}s differ by themselves, so it is not fitted",
        f"plan more {what}s, or hold it constant",
    )


def _cautions(
    column: FittedColumn, data: ResponseData, values: Array, before: structure.Strata, after: structure.Strata
) -> Iterator[Verdict]:
    """Yield what to know about a covariate that is fitted."""
    if column.missing:
        yield Verdict(
            "covariate values missing",
            f"{column.name} was not written down for {column.missing} of {column.prints} prints, which are fitted as if it had "
            "been at its mean",
            "fill it in on the sheet where it is still known, and run 'doe collect' and 'doe fit' again",
        )
    if before.load_dof is not None and after.load_dof is not None and before.load_dof > FEW_LOAD_DOF >= after.load_dof:
        yield Verdict(
            "covariate leaves few loads",
            f"{column.name} changes from load to load, which leaves {after.load_dof} instead of {before.load_dof} degrees of "
            "freedom to judge differences of loads by: intervals of what changes from load to load are wide",
            "dry more loads in the next round, or hold it constant",
        )
    p = settings_p(data, values)
    if p is not None and p < FOLLOWS:
        yield Verdict(
            "covariate follows the settings",
            f"{column.name} differed between settings by more than chance explains (p {p_text(p)}). If the settings cause that, "
            "the model gives a part of their effects to the covariate",
            "where the settings cause it, write fit = false (with 'doe amend'): their effects then include it; where "
            "they do not, keep to the random order in the next round",
        )


def settings_p(data: ResponseData, values: Array) -> float | None:
    """
    Return the p value of an F test of whether the settings move a covariate, beyond printers, rounds and loads.

    Parameters
    ----------
    data : ResponseData
    values : ndarray of shape (n,)
        Of the covariate at the prints, its unit; nan where missing.

    Returns
    -------
    float or None
        What changes from load to load only is compared load by load, all else print by print within loads. None where no degree
        of freedom is left.
    """
    seen = ~np.isnan(values)
    X, y = data.X[seen], values[seen]
    load = None
    if data.load is not None and data.loads < len(data.names):
        load = np.unique(data.load[seen], return_inverse=True)[1]
    split = data.X.shape[1] - data.blocks
    base = np.ones((len(y), 1))
    if load is not None:
        first = np.unique(load, return_index=True)[1]
        if np.ptp(y - y[first][load]) == 0:
            fixed = np.abs(X - X[first][load]).max(axis=0) < 1e-9
            X, y, base = X[first][:, fixed], y[first], np.ones((len(first), 1))
            split = int(fixed[:split].sum())
        else:
            base = np.eye(len(first))[load]
    return _f_test_p(y, np.hstack([base, X[:, split:]]), X[:, :split])


def _f_test_p(y: Array, base: Array, tested: Array) -> float | None:
    both = np.hstack([base, tested])
    ranks = rank(base), rank(both)
    q, dof = ranks[1] - ranks[0], len(y) - ranks[1]
    if q < 1 or dof < 1:
        return None
    less, more = (_left_over(y - y.mean(), columns) for columns in (base, both))
    if more <= 1e-18 * max(less, np.finfo(float).tiny):
        return 0.0 if less > 0 else None
    return float(stats.f.sf((less - more) / q / (more / dof), q, dof))


def _left_over(y: Array, columns: Array) -> float:
    return float(((y - columns @ np.linalg.lstsq(columns, y, rcond=None)[0]) ** 2).sum())


def p_text(p: float) -> str:
    """Return a p value as a sentence has it."""
    return "below 0.001" if p < 0.001 else f"{p:.2g}"
