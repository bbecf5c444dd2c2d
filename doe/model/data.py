"""From a record to the arrays of one response: which values count, at which actual settings, in which load and print."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.design import check, setpoints
from doe.design.plan import PILOT, Design
from doe.numerics import terms
from doe.record.match import Record
from doe.record.schema import NOT_TRIED
from doe.study import scale
from doe.study.spec import Response, Study

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

FAILED = ("detached", "clogged", "warped")
"""Outcomes of a print that the factors may have caused."""
CENSORED = ("broke in handling", "broke in grips", "no break")
"""Outcomes of a coupon whose value is only a limit."""


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

    @property
    def blocks(self) -> int:
        """How many of the columns of X are the printers' and the rounds', not the model's."""
        return int(self.X.shape[1]) - len(terms.column_terms(self.model, self.levels))

    @property
    def loads(self) -> int:
        """How many drying loads the prints come from; 0 where the study has none."""
        return 0 if self.load is None else int(self.load.max()) + 1

    @property
    def has_coupons(self) -> bool:
        """Whether some print gave several values that differ, so that coupon variation can be told apart."""
        scale_of_values = float(np.abs(self.values).max(initial=0.0))
        return self.within_dof > 0 and self.within_ss > (1e-9 * scale_of_values) ** 2

    @property
    def counts(self) -> Codes:
        """How many values each print gave, shape (n,)."""
        return np.bincount(self.of_print, minlength=len(self.names)).astype(np.int64)

    @property
    def means(self) -> Array:
        """Mean of each print's values, shape (n,)."""
        return np.bincount(self.of_print, self.values, minlength=len(self.names)) / self.counts

    @property
    def within_ss(self) -> float:
        """Sum of squares of the values about their print's mean."""
        return float(((self.values - self.means[self.of_print]) ** 2).sum())

    @property
    def within_dof(self) -> int:
        """Degrees of freedom of ``within_ss``."""
        return len(self.values) - len(self.names)

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


def actual_settings(study: Study, design: Design, record: Record) -> pd.DataFrame:
    """Return, per print of the plan, the settings that it really had: natural units, by the printers' checks."""
    runs = design.runs.reset_index(drop=True)
    recorded = record.prints.set_index("print").reindex(runs["print"])
    printers = list(runs["printer"])
    settings = {}
    for factor in study.factors:
        planned = runs[f"set.{factor.name}"]
        used = recorded.get(f"used.{factor.name}")
        if factor.levels is not None:
            changed = planned if used is None else used.fillna("").to_numpy()
            settings[factor.name] = np.where(changed != "", changed, planned)
        else:
            changed = np.full(len(runs), np.nan) if used is None else used.to_numpy(dtype=float)
            values = np.where(np.isnan(changed), planned.to_numpy(dtype=float), changed)
            settings[factor.name] = setpoints.actual_of(study, factor, values, printers)
    return pd.DataFrame(settings)


def response_data(
    study: Study, design: Design, record: Record, response: Response, model: tuple[terms.Term, ...]
) -> ResponseData | None:
    """Return the arrays of one response, or None where no value counts yet."""
    runs = design.runs.reset_index(drop=True)
    table, excluded = _single_values(response, record)
    piloted = table["print"].isin(runs.loc[runs["round"] == PILOT, "print"])
    excluded += [(name, "pilot print") for name in dict.fromkeys(table.loc[piloted, "print"])]
    table = table[table["print"].isin(runs["print"]) & ~piloted]
    if table.empty:
        return None
    row_of = {name: row for row, name in enumerate(runs["print"])}
    rows = np.array(sorted({row_of[name] for name in table["print"]}))
    place = {runs["print"][row]: index for index, row in enumerate(rows)}
    mine = runs.iloc[rows]
    levels = scale.level_counts(study)
    coded = scale.coded(study, actual_settings(study, design, record).iloc[rows])
    blocks, block_labels = _blocks(mine)
    load = check.codes(list(mine["load"]))
    printer = check.codes(list(mine["printer"]))
    values = table["value"].to_numpy(dtype=float)
    return ResponseData(
        response=response,
        model=model,
        levels=levels,
        values=np.log(values) if response.transform == "log" else values,
        of_print=np.array([place[name] for name in table["print"]], dtype=np.int64),
        names=tuple(mine["print"]),
        coded=coded,
        X=np.hstack([terms.model_matrix(coded, model, levels), blocks]),
        labels=(*scale.column_labels(study, model), *block_labels),
        load=None if load.max() < 0 else load,
        cell=mine["cell"].to_numpy(dtype=np.int64),
        printers=tuple(dict.fromkeys(name for name in mine["printer"] if name)),
        printer=np.maximum(printer, 0),
        rounds=tuple(dict.fromkeys(str(number) for number in mine["round"])),
        order=rows.astype(np.int64),
        excluded=tuple(excluded),
    )


def _single_values(response: Response, record: Record) -> tuple[pd.DataFrame, list[tuple[str, str]]]:
    """Return the values that count, one row each with their print, and those that do not with the reason."""
    unit, table = ("coupon", record.coupons) if response.per == "coupon" else ("print", record.prints)
    if response.name not in table or table.empty:
        return pd.DataFrame({"print": [], "value": []}), []
    if response.per == "coupon":  # the others of a print are tested for other responses
        table = table[table["number"] <= response.coupons]
    ended = dict(zip(record.prints["print"], record.prints["outcome"], strict=True))
    kept: list[tuple[str, float]] = []
    excluded: list[tuple[str, str]] = []
    for identifier, owner, outcome, value in zip(
        table[unit], table["print"], table["outcome"], table[response.name], strict=True
    ):
        number = _number(value, response)
        reason = _why_not(str(outcome), str(ended.get(owner, "")), number, response)
        if reason is None:
            kept.append((owner, number))
        elif reason:
            excluded.append((str(identifier), reason))
    return pd.DataFrame(kept, columns=["print", "value"]), excluded


def _number(value: object, response: Response) -> float:
    """Return a value as a number: 1 for pass, 0 for fail, nan where there is none."""
    if response.kind == "pass_fail":
        return {"pass": 1.0, "fail": 0.0}.get(str(value), np.nan)
    return float(value)  # type: ignore[arg-type]


def _why_not(outcome: str, print_outcome: str, value: float, response: Response) -> str | None:
    """Return None where the value counts, the reason where it does not, and "" where none was expected."""
    if outcome in CENSORED:
        return outcome
    if response.kind != "measured" and print_outcome in FAILED:  # also where a grade was typed in for it
        return print_outcome
    if np.isnan(value):
        return (
            outcome
            if outcome and outcome != "completed"
            else print_outcome
            if print_outcome in (*FAILED, *NOT_TRIED)
            else ""
        )
    if response.transform == "log" and value <= 0:
        return "not above zero, and the declared transform is the logarithm"
    return None


def _blocks(runs: pd.DataFrame) -> tuple[Array, list[str]]:
    """Return the sum-to-zero columns of printers and rounds with their labels."""
    columns, labels = [], []
    for name in ("printer", "round"):
        present: Sequence[str] = [str(value) for value in runs[name]]
        made = check.block_columns(present)
        columns.append(made)
        groups = list(dict.fromkeys(value for value in present if value))
        labels += [f"{name} {group}" for group in groups[: made.shape[1]]]
    return np.hstack(columns), labels
