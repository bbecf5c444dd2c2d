"""From a record to the arrays of one response: which values count, at which actual settings, in which load or print."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.design import check
from doe.design.plan import PILOT, Design
from doe.model.settings import actual_settings
from doe.model.values import single_values
from doe.numerics import terms
from doe.numerics.limits import Limits
from doe.record.match import Record
from doe.study import scale
from doe.study.spec import Response, Study

Array = NDArray[np.float64]
Codes = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class ResponseData:
    """
    The values of one response, arranged for fitting.

    Parameters
    ----------
    response : Response
    model : tuple of Term
        Hierarchical, intercept first.
    levels : tuple of int
        Per factor, 0 for numeric, the number of levels for categorical.
    values : ndarray of shape (m,)
        Single values (coupons, or one a print), response units, or their natural logarithms with ``transform = "log"``;
        grades as numbers, 1 for pass and 0 for fail.
    of_print : ndarray of shape (m,)
        Which print each value belongs to, 0 .. n - 1.
    names : tuple of str, length n
        Identifiers of the prints that gave values.
    coded : ndarray of shape (n, k)
        Actual settings of those prints, coded units.
    X : ndarray of shape (n, p)
        Model matrix of the prints; the printers' and then the rounds' sum-to-zero columns come last.
    labels : tuple of str, length p
    load : ndarray of shape (n,) or None
        Load codes 0 .. L - 1; None where the study has no loads.
    cell : ndarray of shape (n,)
        The plan's cells: equal numbers are replicates.
    printers : tuple of str
        Printers in the order of their codes; the last one's effect is minus the sum of the others'.
    printer : ndarray of shape (n,)
        Printer codes; zeros where there is none.
    rounds : tuple of str
        Numbers of the rounds that the prints come from, ascending; the last one's effect is minus the sum of the others'.
    order : ndarray of shape (n,)
        Run order over all rounds.
    excluded : tuple of (str, str)
        Print or coupon, and why its value does not enter.
    load_names : tuple of str
        Identifiers of the loads, in the order of their codes.
    items : tuple of str, length m
        The coupon or print that has each value.
    suspect : ndarray of shape (m,), bool, or None
        Values that are marked as in doubt; None for none.
    limits : Limits or None
        Limits of the values, on their scale, where some are only limits (``values`` then has the finite one); None where all
        were measured.
    weights : ndarray of shape (m,) or None
        How much of a measured value each acts like, after a fit with limits; None where all were measured.
    """

    response: Response
    model: tuple[terms.Term, ...]
    levels: tuple[int, ...]
    values: Array
    of_print: Codes
    names: tuple[str, ...]
    coded: Array
    X: Array
    labels: tuple[str, ...]
    load: Codes | None
    cell: Codes
    printers: tuple[str, ...]
    printer: Codes
    rounds: tuple[str, ...]
    order: Codes
    excluded: tuple[tuple[str, str], ...]
    load_names: tuple[str, ...] = ()
    items: tuple[str, ...] = ()
    suspect: Flags | None = None
    limits: Limits | None = None
    weights: Array | None = None

    @property
    def blocks(self) -> int:
        """How many of the columns of X are the printers' and the rounds', not the model's."""
        return int(self.X.shape[1]) - len(terms.column_terms(self.model, self.levels))

    @property
    def loads(self) -> int:
        """How many drying loads the prints come from; 0 where the study has none."""
        return 0 if self.load is None else int(self.load.max()) + 1

    @property
    def load_columns(self) -> Array:
        """Indicators of the loads, shape (n, loads); no columns without loads, or where each print has a load of its own."""
        shared = self.load is not None and self.loads < len(self.names)
        return np.eye(self.loads)[self.load] if shared else np.zeros((len(self.names), 0))

    @property
    def has_coupons(self) -> bool:
        """Whether some print gave several values that differ, so that coupon variation can be told apart."""
        scale_of_values = float(np.abs(self.values).max(initial=0.0))
        return self.within_dof > 0 and self.within_ss > (1e-9 * scale_of_values) ** 2

    @property
    def measured(self) -> Flags:
        """Which values were measured, shape (m,)."""
        return np.ones(len(self.values), dtype=bool) if self.limits is None else self.limits.measured

    @property
    def counts(self) -> NDArray[Any]:
        """How many values each print gave, shape (n,); with weights, their sums."""
        return np.bincount(self.of_print, self.weights, minlength=len(self.names))

    @property
    def means(self) -> Array:
        """Mean of each print's values, shape (n,)."""
        weights = 1.0 if self.weights is None else self.weights
        return np.asarray(np.bincount(self.of_print, self.values * weights, minlength=len(self.names)) / self.counts)

    @property
    def within_ss(self) -> float:
        """Sum of squares of the measured values about their print's mean."""
        values, of_print = self.values[self.measured], self.of_print[self.measured]
        counts = np.maximum(np.bincount(of_print, minlength=len(self.names)), 1)
        means = np.bincount(of_print, values, minlength=len(self.names)) / counts
        return float(((values - means[of_print]) ** 2).sum())

    @property
    def within_dof(self) -> int:
        """Degrees of freedom of ``within_ss``."""
        return int(self.measured.sum() - len(np.unique(self.of_print[self.measured])))

    def rows(self, coded: Array, printer: int | None = None) -> Array:
        """
        Return model-matrix rows for new settings.

        Parameters
        ----------
        coded : ndarray of shape (m, k)
            Coded units.
        printer : int, optional
            Code of a printer; without it the average over the printers. The mean of the rounds, each counting the same,
            is meant in any case: a difference between rounds is not the settings' doing.

        Returns
        -------
        ndarray of shape (m, p)
        """
        base = terms.model_matrix(coded, self.model, self.levels)
        rows = np.zeros((len(base), self.X.shape[1]))
        rows[:, : base.shape[1]] = base
        columns = len(self.printers) - 1
        if printer is not None and columns > 0:
            rows[:, base.shape[1] : base.shape[1] + columns] = np.vstack([np.eye(columns), -np.ones(columns)])[printer]
        return rows


def response_data(
    study: Study,
    design: Design,
    record: Record,
    response: Response,
    model: tuple[terms.Term, ...],
    *,
    limits: bool = False,
) -> ResponseData | None:
    """
    Return the arrays of one response, or None where no value counts yet.

    Parameters
    ----------
    study : Study
    design : Design
    record : Record
    response : Response
    model : tuple of Term
    limits : bool
        Whether values that are only limits count as well; otherwise they are listed as excluded.

    Returns
    -------
    ResponseData or None
    """
    found = single_values(response, record)
    wanted = (found.lower == found.upper) | limits
    runs = design.runs.reset_index(drop=True)
    row_of = {name: row for row, name in enumerate(runs["print"]) if runs["round"][row] != PILOT}
    piloted = [name for name in dict.fromkeys(found.owners) if name in set(runs["print"]) - set(row_of)]
    kept = np.array([name in row_of for name in found.owners], dtype=bool) & wanted
    if not kept.any():
        return None
    owner_rows = np.array([row_of[name] for name, keep in zip(found.owners, kept, strict=True) if keep])
    rows, of_print = np.unique(owner_rows, return_inverse=True)
    pair = _on_scale(response, found.lower[kept], found.upper[kept])
    data = _arranged(study, runs.iloc[rows], actual_settings(study, design, record).iloc[rows], response, model)
    return replace(
        data,
        values=np.where(np.isfinite(pair.lower), pair.lower, pair.upper),
        of_print=of_print.astype(np.int64),
        order=rows.astype(np.int64),
        excluded=(*found.excluded, *((name, "pilot print") for name in piloted)),
        items=tuple(item for item, keep in zip(found.items, kept, strict=True) if keep),
        suspect=found.suspect[kept] if found.suspect[kept].any() else None,
        limits=None if pair.measured.all() else pair,
    )


def _on_scale(response: Response, lower: Array, upper: Array) -> Limits:
    """Return limits on the scale of the model."""
    if response.transform == "log":
        lower, upper = (np.where(np.isfinite(one), np.log(np.where(one > 0, one, 1.0)), one) for one in (lower, upper))
    return Limits(lower, upper, lower == upper)


def in_response_units(response: Response, values: Array | float) -> Array:
    """Return values, of any shape, on the scale of the model in response units: of a mean of logarithms, the median."""
    return np.asarray(np.exp(values) if response.transform == "log" else values, dtype=float)


def without(data: ResponseData, dropped: Flags) -> ResponseData | None:
    """
    Return the data without some of their values, and without the prints that are left with none.

    Parameters
    ----------
    data : ResponseData
    dropped : ndarray of shape (m,), bool

    Returns
    -------
    ResponseData or None
        None where nothing is left. Printers' and rounds' columns stay those of all prints.
    """
    kept = ~dropped
    if not kept.any():
        return None
    rows, of_print = np.unique(data.of_print[kept], return_inverse=True)
    return replace(
        data,
        values=data.values[kept],
        of_print=of_print.astype(np.int64),
        names=tuple(data.names[row] for row in rows),
        coded=data.coded[rows],
        X=data.X[rows],
        load=None if data.load is None else np.unique(data.load[rows], return_inverse=True)[1].astype(np.int64),
        load_names=() if data.load is None else tuple(data.load_names[code] for code in np.unique(data.load[rows])),
        cell=data.cell[rows],
        printer=data.printer[rows],
        order=data.order[rows],
        items=tuple(item for item, keep in zip(data.items, kept, strict=True) if keep),
        suspect=None if data.suspect is None else data.suspect[kept],
        limits=None if data.limits is None else Limits(*(part[kept] for part in vars(data.limits).values())),
        weights=None if data.weights is None else data.weights[kept],
    )


def _arranged(
    study: Study, runs: pd.DataFrame, actual: pd.DataFrame, response: Response, model: tuple[terms.Term, ...]
) -> ResponseData:
    """Return what is known of some prints before their values: settings, model matrix, loads, printers, rounds."""
    levels = scale.level_counts(study)
    coded = scale.coded(study, actual)
    blocks, block_labels = printer_and_round_columns(runs)
    load = check.codes(list(runs["load"]))
    none = np.zeros(0, dtype=np.int64)
    return ResponseData(
        response=response,
        model=model,
        levels=levels,
        values=np.zeros(0),
        of_print=none,
        names=tuple(runs["print"]),
        coded=coded,
        X=np.hstack([terms.model_matrix(coded, model, levels), blocks]),
        labels=(*scale.column_labels(study, model), *block_labels),
        load=None if load.max() < 0 else load,
        cell=runs["cell"].to_numpy(dtype=np.int64),
        printers=tuple(dict.fromkeys(name for name in runs["printer"] if name)),
        printer=np.maximum(check.codes(list(runs["printer"])), 0),
        rounds=tuple(dict.fromkeys(check.round_blocks(runs))),
        order=none,
        excluded=(),
        load_names=tuple(dict.fromkeys(name for name in runs["load"] if name)),
    )


def printer_and_round_columns(runs: pd.DataFrame) -> tuple[Array, list[str]]:
    """Return the sum-to-zero columns of printers and rounds with their labels."""
    columns, labels = [], []
    for name, present in (("printer", list(runs["printer"])), ("round", check.round_blocks(runs))):
        made = check.block_columns(present)
        columns.append(made)
        groups = list(dict.fromkeys(value for value in present if value))
        labels += [f"{name} {group}" for group in groups[: made.shape[1]]]
    return np.hstack(columns), labels
