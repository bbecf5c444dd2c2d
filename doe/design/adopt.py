"""A plan made elsewhere, given its loads, printers or order, so that it can be recorded here."""

import difflib
from collections.abc import Iterator

import numpy as np
import pandas as pd

from doe.design import check, plan
from doe.design.read import is_number
from doe.errors import InputRefused, Problem
from doe.study.spec import Factor, Study

_OWN_COLUMNS = ("order", "load", "printer")


def adopt(study: Study, table: pd.DataFrame, where: str, seed: int = 0) -> plan.Design:
    """
    Return a plan made elsewhere as a design.

    Parameters
    ----------
    study : Study
    table : DataFrame of str
        One row a print, in run order unless a column ``order`` gives it; one column per factor (natural units or level
        names), optionally ``load`` (any label) and ``printer`` (a name of the study).
    where : str
        The file's name, for problems.
    seed : int
        Recorded with the plan; 0 says that the order was not drawn here.

    Raises
    ------
    InputRefused
        Every column and cell that does not fit, by row as a spreadsheet counts them.
    """
    _refuse_if(_column_problems(study, table, where))
    _refuse_if(_cell_problems(study, table, where))
    if "order" in table:
        table = table.iloc[np.argsort(table["order"].astype(float).to_numpy(), kind="stable")].reset_index(drop=True)
    targets = pd.DataFrame(
        {
            factor.name: table[factor.name].str.strip()
            if factor.levels is not None
            else table[factor.name].astype(float)
            for factor in study.factors
        }
    )
    none = [""] * len(table)
    load = check.codes([label.strip() for label in table.get("load", none)])
    names = {printer.name: code for code, printer in enumerate(study.printers)}
    printer = np.array([names.get(name.strip(), -1) for name in table.get("printer", none)], dtype=np.int64)
    runs = plan.assemble(study, targets, load, printer, ["adopted"] * len(table), plan.Provenance("adopted", seed))
    return plan.checked(study, runs, {"kind": "adopted"})


def _refuse_if(problems: Iterator[Problem]) -> None:
    found = list(problems)
    if found:
        raise InputRefused(found)


def _column_problems(study: Study, table: pd.DataFrame, where: str) -> Iterator[Problem]:
    known = [*_OWN_COLUMNS, *(factor.name for factor in study.factors)]
    for name in table.columns:
        if name not in known:
            near = difflib.get_close_matches(str(name), known, 1)
            yield Problem(
                f"{where}, column '{name}'",
                "the study knows no such factor",
                f"columns may be {', '.join(known)}",
                f"rename it to '{near[0]}'" if near else "remove the column, or declare the factor in study.toml",
            )
    needed = [factor.name for factor in study.factors]
    if study.load_factors:
        needed.append("load")
    for name in needed:
        if name not in table:
            why = (
                "one column per factor is needed"
                if name != "load"
                else "prints that shared a drying load must be marked"
            )
            yield Problem(f"{where}, column '{name}'", "it is missing", why, f"add a column headed '{name}'")
    if table.empty:
        yield Problem(where, "no rows", "one row a print is needed", "add the prints below the header row")


def _cell_problems(study: Study, table: pd.DataFrame, where: str) -> Iterator[Problem]:
    for factor in study.factors:
        for row, text in enumerate(table[factor.name], 2):
            yield from _value_problem(factor, str(text).strip(), f"{where}, column '{factor.name}', row {row}")
    for row, text in enumerate(table.get("order", []), 2):
        if not is_number(text):
            yield Problem(
                f"{where}, column 'order', row {row}",
                f"'{text}'",
                "a number is needed",
                "number the prints 1, 2, 3, ...",
            )
    names = [printer.name for printer in study.printers]
    for row, text in enumerate(table.get("printer", []), 2):
        if str(text).strip() not in names:
            yield Problem(
                f"{where}, column 'printer', row {row}",
                f"'{text}'",
                f"a printer of the study ({', '.join(names) or 'none declared'})",
                "use one of these names, or declare the printer in study.toml",
            )
    if "load" in table:
        yield from _load_problems(study, table, where)


def _load_problems(study: Study, table: pd.DataFrame, where: str) -> Iterator[Problem]:
    labels = table["load"].str.strip()
    if (labels == "").any() and (labels != "").any():
        rows = [str(row) for row in np.flatnonzero((labels == "").to_numpy()) + 2]
        yield Problem(
            f"{where}, column 'load'",
            f"rows {', '.join(rows)} are empty",
            "all prints or none name their load",
            "fill them in",
        )
    for factor in study.load_factors:
        for label, group in table.groupby(labels, sort=False):
            values = {_value(factor, text.strip()): text.strip() for text in group[factor.name]}
            if len(values) > 1:
                yield Problem(
                    f"{where}, load '{label}'",
                    f"{factor.name} takes {', '.join(sorted(values.values()))} within it",
                    'a factor with change = "load" is the same for the whole load',
                    'split the load, or declare the factor with change = "print"',
                )


def _value(factor: Factor, text: str) -> float | str:
    """Return what a cell says: 8 and 8.0 are the same setting."""
    return float(text) if factor.is_numeric and is_number(text) else text


def _value_problem(factor: Factor, text: str, place: str) -> Iterator[Problem]:
    if factor.levels is not None:
        if text not in factor.levels:
            yield Problem(
                place, f"'{text}'", f"a level of the factor ({', '.join(factor.levels)})", "use one of these words"
            )
    elif not is_number(text):
        yield Problem(
            place, f"'{text}'", "a number in the factor's unit", "write it with a decimal point and without the unit"
        )
