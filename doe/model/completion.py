"""
Whether prints complete: the first of the two parts of what a setting is worth; the second is strength, given completion.

Which prints count is in ``tried``, how much of the declared model is fitted in ``completing``. Here are its results: counts and
chances per printed setting, coefficients, verdicts, and P(completes) at any other setting.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from doe.design import check
from doe.design.plan import Design
from doe.model.completing import OVERALL, Chance, CompletionModel, chances, fit_tried, overall_chance
from doe.model.data import printer_and_round_columns
from doe.model.settings import actual_settings
from doe.model.tried import Tried, tried_prints
from doe.numerics import binary, terms
from doe.record.match import Record
from doe.study import scale
from doe.study.names import identifiers
from doe.study.spec import Study
from doe.verdicts import Verdict

Array = NDArray[np.float64]
Codes = NDArray[np.int64]


@dataclass(frozen=True)
class CompletionColumn:
    """One coefficient of the model; coded units of the factors."""

    label: str
    estimate: float
    """Change of the log odds of completing."""
    low: float | None
    high: float | None


@dataclass(frozen=True)
class CompletionSetting:
    """One printed cell of the plan."""

    cell: int
    setting: str
    prints: int
    """Prints that were tried."""
    whole: int
    """Prints that completed with every coupon."""
    coupons: int
    completed: int
    chance: float
    """That a coupon of a new print, on a load taken at random, is printed; average over printers and rounds."""
    low: float
    high: float
    lower: float
    """One-sided lower bound at the level of the fit."""


@dataclass(frozen=True)
class CompletionFit:
    """Whether prints complete: counts and model."""

    method: str
    """``OVERALL``, ``MAIN`` or ``DECLARED``."""
    reason: str
    """Why so much of the model was fitted, in words."""
    level: float
    terms: tuple[str, ...]
    prints: int
    whole: int
    failed: float
    """Failed prints, partly failed ones as shares."""
    coupons: int
    completed: int
    loads: int
    overall: Chance | None
    """Average over the settings that were printed; None where nothing was tried."""
    columns: tuple[CompletionColumn, ...]
    settings: tuple[CompletionSetting, ...]
    load_sd: float | None
    """Standard deviation of loads, logits (median of its posterior); None where it is not in the model."""
    likeness: float | None
    """Correlation of coupons of one print beside the settings, 0 to 1; None with one coupon a print or no model."""
    verdicts: tuple[Verdict, ...]


def completion_model(
    study: Study, design: Design, record: Record, declared: tuple[terms.Term, ...]
) -> CompletionModel | None:
    """
    Fit the chance of completing to all prints that count.

    Parameters
    ----------
    study : Study
    design : Design
    record : Record
    declared : tuple of Term
        Hierarchical, intercept first.

    Returns
    -------
    CompletionModel or None
        None where no print counts yet.
    """
    arranged = _arranged(study, design, record, declared)
    return None if arranged is None else arranged.model


@dataclass(frozen=True)
class _Arranged:
    tried: Tried
    runs: pd.DataFrame
    X: Array
    labels: tuple[str, ...]
    load: Codes | None
    model: CompletionModel


def _arranged(study: Study, design: Design, record: Record, declared: tuple[terms.Term, ...]) -> _Arranged | None:
    tried = tried_prints(study, design, record)
    if not len(tried.rows):
        return None
    runs = design.runs.iloc[tried.rows].reset_index(drop=True)
    levels = scale.level_counts(study)
    coded = scale.coded(study, actual_settings(study, design, record).iloc[tried.rows])
    blocks, block_labels = printer_and_round_columns(runs)
    X = np.hstack([terms.model_matrix(coded, declared, levels), blocks])
    is_main = np.array([len(term) < 2 for term, _ in terms.column_terms(declared, levels)] + [True] * blocks.shape[1])
    load = check.codes(list(runs["load"]))
    codes = None if load.min(initial=0) < 0 else load
    made = fit_tried(tried.completed, tried.coupons, X, is_main, codes)
    model = replace(made, declared=declared, levels=levels)
    return _Arranged(tried, runs, X, (*scale.column_labels(study, declared), *block_labels), codes, model)


def _rows_at(model: CompletionModel, coded: Array) -> Array:
    """Return declared rows at settings, padded for printers and rounds: their average."""
    base = terms.model_matrix(np.atleast_2d(coded), model.declared, model.levels)
    return np.pad(base, [(0, 0), (0, max(0, int(model.kept.max(initial=0)) + 1 - base.shape[1]))])


def chance_at(model: CompletionModel, coded: Array, level: float, *, chosen: bool = False) -> tuple[Chance, ...]:
    """
    Return P(completes) at new settings, on a load taken at random, average over printers and rounds.

    Parameters
    ----------
    model : CompletionModel
        From ``completion_model``.
    coded : ndarray of shape (m, k)
        Coded units.
    level : float
    chosen : bool
        Whether the settings were chosen for their chance of completing; a choice by another response needs no allowance.

    Returns
    -------
    tuple of Chance
    """
    return tuple(Chance(*map(float, one)) for one in chances(model, _rows_at(model, coded), level, chosen=chosen))


def completion_fit(
    study: Study, design: Design, record: Record, declared: tuple[terms.Term, ...], level: float
) -> CompletionFit:
    """
    Return counts and model of completion.

    Parameters
    ----------
    study : Study
    design : Design
    record : Record
    declared : tuple of Term
        Hierarchical, intercept first.
    level : float
        Of the intervals and of the one-sided bounds.

    Returns
    -------
    CompletionFit
    """
    arranged = _arranged(study, design, record, declared)
    if arranged is None:
        return CompletionFit(
            OVERALL, "no print counts yet", level, (), 0, 0, 0.0, 0, 0, 0, None, (), (), None, None, ()
        )
    tried, model = arranged.tried, arranged.model
    columns = terms.column_terms(declared, model.levels)
    used = dict.fromkeys(columns[at][0] for at in model.kept if at < len(columns))
    return CompletionFit(
        method=model.method,
        reason=model.reason,
        level=level,
        terms=tuple(scale.term_label(study, term) for term in used),
        prints=len(tried.rows),
        whole=int(np.sum(tried.completed == tried.coupons)),
        failed=float(np.sum(1 - model.shares)),
        coupons=int(tried.coupons.sum()),
        completed=int(tried.completed.sum()),
        loads=0 if arranged.load is None else int(arranged.load.max()) + 1,
        overall=overall_chance(model, level),
        columns=_columns(arranged, level),
        settings=_settings(study, arranged, level),
        load_sd=_load_sd(model),
        likeness=_likeness(arranged),
        verdicts=tuple(_verdicts(arranged)),
    )


def _columns(arranged: _Arranged, level: float) -> tuple[CompletionColumn, ...]:
    model = arranged.model
    if model.fit is None:
        return ()
    limits = binary.coefficient_limits(model.fit, level)
    return tuple(
        CompletionColumn(arranged.labels[at], float(estimate), _finite(low), _finite(high))
        for at, estimate, (low, high) in zip(model.kept, model.fit.estimates, limits, strict=True)
    )


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _settings(study: Study, arranged: _Arranged, level: float) -> tuple[CompletionSetting, ...]:
    """Return the printed cells at their planned settings."""
    runs, tried = arranged.runs, arranged.tried
    cells, first = np.unique(runs["cell"].to_numpy(dtype=np.int64), return_index=True)
    targets = check.settings_of(study, runs.iloc[first])
    found = chance_at(arranged.model, scale.coded(study, targets), level)
    rows: list[dict[str, Any]] = targets.to_dict("records")
    made = []
    for cell, target, chance in zip(cells, rows, found, strict=True):
        here = runs["cell"].to_numpy() == cell
        done, of = tried.completed[here], tried.coupons[here]
        counts = int(here.sum()), int(np.sum(done == of)), int(of.sum()), int(done.sum())
        made.append(CompletionSetting(int(cell), scale.describe_setting(study, target), *counts, **vars(chance)))
    return tuple(made)


def _load_sd(model: CompletionModel) -> float | None:
    if model.fit is None or not model.fit.loads.covariance.any():
        return None
    return float(model.fit.loads.load_var**0.5)


def _likeness(arranged: _Arranged) -> float | None:
    """
    Return the correlation of two coupons of a print beside their fitted chance.

    The products of residuals of all pairs of a print, over their sum under full correlation; within 0 and 1.
    """
    fit, k, m = arranged.model.fit, arranged.tried.completed, arranged.tried.coupons
    if fit is None or m.max() < 2:
        return None
    share = special.expit(arranged.X[:, arranged.model.kept] @ fit.estimates)
    pairs = (k - m * share) ** 2 - k * (1 - share) ** 2 - (m - k) * share**2
    return float(np.clip(pairs.sum() / np.sum(m * (m - 1) * share * (1 - share)), 0, 1))


def _verdicts(arranged: _Arranged) -> Iterator[Verdict]:
    model, tried = arranged.model, arranged.tried
    n, failed = len(tried.rows), float(np.sum(1 - model.shares))
    if tried.odd:
        yield Verdict(
            "failed prints with values",
            f"{identifiers(tried.odd)} failed, and coupons of them have values: "
            "these count as printed where no other test of their row failed",
            "look at the outcome of these prints and coupons, and correct what is wrong",
        )
    if failed == n:
        yield Verdict(
            "every print failed",
            f"none of {n} prints completed, so nothing shows which settings are better",
            "look for a setting that prints at all before anything else: other ranges, bed surface or drying",
        )
    elif model.fit is not None and model.method == OVERALL:
        yield Verdict(
            "failures not modelled",
            model.reason,
            "read the counts per setting; the chance is an average over the settings, and may be much lower at some of them",
        )
