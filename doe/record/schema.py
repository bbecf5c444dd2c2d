"""The tables of the record: their columns with their kinds for a study."""

import math
from collections.abc import Iterable, Mapping
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.numerics.strength import FORMULAS, Formula
from doe.sheet.columns import DIMENSIONS, OUTCOME_OF
from doe.sheet.grading import GRADE, OTHER, checked_responses
from doe.sheet.logs import PREFIX, log_columns
from doe.sheet.plate import plate_columns
from doe.study.spec import Response, Study

Kind = Literal["text", "number", "integer", "date"]
Columns = dict[str, Kind]
_TEXT: Kind = "text"
_NUMBER: Kind = "number"
_PLATE = "plate."
_BY_INPUTS = {frozenset(one.key for one in formula.inputs): formula for formula in FORMULAS.values()}
"""Formulas with the same inputs compute the same (impact strengths of bars with and without a notch)."""
_INPUTS = frozenset().union(*_BY_INPUTS)

TABLES = ("prints", "coupons", "loads", "checks", "corrections")
LEDGERS = ("spools", "gradings")
"""Tables that a record has a file of only once there is something in them."""
ROW_ID = {"prints": "print", "coupons": "coupon", "loads": "load", "checks": "reading", "spools": "entry", "gradings": "code"}
CORRECTIONS: Columns = {
    "table": "text", "row": "text", "column": "text", "old": "text", "new": "text", "who": "text", "when": "text",
    "why": "text",
}


def schema(study: Study) -> dict[str, Columns]:
    """Return, per table, the columns in their order with their kinds."""
    return {
        "prints": {
            "print": "text", "round": "integer", "load": "text", "printer": "text", "outcome": "text",
            "deviation": "text", "operator": "text", "printed_on": "text",
            **{f"used.{factor.name}": "number" if factor.is_numeric else "text" for factor in study.factors},
            **{response.name: _kind(response) for response in study.responses if response.per == "print"},
            **{f"read.{factor.name}": "number" for factor in study.factors if factor.reading_sd is not None},
            **_covariates(study, "print"), **_logs(study, "print"),
            "note": "text",
        },
        "coupons": {
            "coupon": "text", "print": "text", "number": "integer",
            **dict.fromkeys((column.key for column in plate_columns(study)), _TEXT), "outcome": "text", "deviation": "text",
            **{key: kind for response in study.responses if response.per == "coupon"
               for key, kind in _of_coupon(response).items()},
            **_test_outcomes(study),
            **_logs(study, "coupon"),
            "note": "text",
        },
        "loads": {
            "load": "text", "round": "integer", "spool": "text", "dried_from": "text", "dried_to": "text",
            "oven_reading": "number", "mass_before": "number", "mass_after": "number",
            **_covariates(study, "load"), **_logs(study, "load"), "note": "text",
        },
        "checks": {
            "reading": "text", "printer": "text", "factor": "text", "set": "number", "actual": "number",
            "instrument": "text", "read_on": "text",
        },
        "corrections": CORRECTIONS,
        "spools": {"entry": "text", "lot": "text", "spool": "text", "opened_on": "text", "moisture": "number", "note": "text"},
        "gradings": _gradings(study),
    }


def _test_outcomes(study: Study) -> Columns:
    """Return the outcomes of single tests, where several share the rows of coupons."""
    names = [one.name for one in study.responses if one.per == "coupon"]
    return dict.fromkeys((f"{OUTCOME_OF}{name}" for name in names), _TEXT) if len(names) > 1 else {}


def outcomes_of(table: pd.DataFrame, name: str) -> pd.Series:
    """
    Return, per row of prints or coupons, the outcome that counts for one response: its test's own, or else the row's.

    Parameters
    ----------
    table : DataFrame
        Prints or coupons of a record, n rows.
    name : str
        Of the response.

    Returns
    -------
    Series of str, length n
    """
    key = f"{OUTCOME_OF}{name}"
    return table["outcome"].mask(table[key] != "", table[key]) if key in table else table["outcome"]


def _covariates(study: Study, per: str) -> Columns:
    return {f"covariate.{one.name}": "date" if one.kind == "date" else "number" for one in study.covariates if one.per == per}


def _gradings(study: Study) -> Columns:
    grades = (f"{kind}{one.name}" for kind in (GRADE, OTHER) for one in checked_responses(study))
    return {
        "code": "text", "response": "text", "item": "text", "time": "integer", **dict.fromkeys(grades, _NUMBER), "grader": "text",
        "other_grader": "text", "note": "text",
    }


def _logs(study: Study, per: Literal["print", "coupon", "load"]) -> Columns:
    """Return what may be logged, whatever the study asks for by itself: it may ask for more after the first round."""
    factors = tuple(factor.model_copy(update={"reading_sd": None}) for factor in study.factors)
    plain = study.model_copy(update={"covariates": (), "factors": factors})
    kinds: dict[str, Kind] = {"number": "number", "date": "date"}
    return {column.key: kinds.get(column.kind, "text") for column in log_columns(plain, per)}


def is_optional(column: str) -> bool:
    """Whether a file of the record may lack a column, since it was written before the study had it: it is then empty."""
    return column.startswith(("covariate.", "read.", PREFIX, _PLATE, OUTCOME_OF))


def is_written(column: str, cells: pd.Series) -> bool:
    """Whether a column stands in the record's file: what is only logged does so once there is something in it."""
    return not column.startswith((PREFIX, _PLATE, OUTCOME_OF)) or bool(filled(cells).any())


def is_planned(column: str) -> bool:
    """Whether a column repeats the plan: nobody writes in it."""
    return column in (*ROW_ID.values(), "round", "load", "printer", "number") or column.startswith(_PLATE)


def _kind(response: Response) -> Kind:
    return "text" if response.kind == "pass_fail" else "number"


def _of_coupon(response: Response) -> Columns:
    return {**dict.fromkeys(response.inputs, _NUMBER), response.name: _kind(response)}


def frame(columns: Mapping[str, Kind], rows: Iterable[Mapping[str, Any]]) -> pd.DataFrame:
    """
    Build a table with exact kinds.

    Parameters
    ----------
    columns : mapping of str to kind
    rows : iterable of mapping
        Values by column; what is absent is empty: ``""`` or NaN.

    Returns
    -------
    DataFrame
    """
    listed = list(rows)
    dtypes = {"text": "str", "date": "str", "number": "float64", "integer": "int64"}
    blank = {"text": "", "date": "", "number": math.nan, "integer": 0}
    return pd.DataFrame({
        name: pd.Series([row.get(name, blank[kind]) for row in listed], dtype=dtypes[kind])
        for name, kind in columns.items()
    })


def as_text(value: object) -> str:
    """Return a cell as text that loses nothing: numbers with every digit, missing ones empty."""
    if is_empty(value):
        return ""
    return repr(float(value)) if isinstance(value, float) else str(value)


def is_empty(value: object) -> bool:
    """Whether a cell holds nothing."""
    return value == "" or (isinstance(value, float) and math.isnan(value))


def filled(column: pd.Series) -> pd.Series:
    """Return, per cell, whether something is in it."""
    return column.notna() & (column != "")


def value_columns(table: pd.DataFrame) -> list[str]:
    """Return the columns of prints or coupons that hold results (a force counts, a width does not)."""
    fixed = {
        "print", "round", "load", "printer", "operator", "printed_on", "coupon", "number", "outcome", "deviation",
        "note",
    }
    aside = ("used.", *DIMENSIONS, "covariate.", "read.", PREFIX, _PLATE, OUTCOME_OF)
    return [str(name) for name in table if name not in fixed and not str(name).startswith(aside)]


def formulas(columns: Iterable[object]) -> dict[str, Formula]:
    """
    Return the responses that are computed, with their formulas.

    Parameters
    ----------
    columns : iterable of str
        Of coupons, in a sheet or in the record: a response has the columns of what its formula needs, which tell the formula.
    """
    parts: dict[str, set[str]] = {}
    for column in columns:
        key, _, name = str(column).partition(".")
        if name and key in _INPUTS:
            parts.setdefault(name, set()).add(key)
    return {name: _BY_INPUTS[frozenset(keys)] for name, keys in parts.items() if frozenset(keys) in _BY_INPUTS}


def with_stress(coupons: pd.DataFrame) -> pd.DataFrame:
    """Return coupons with what is computed, in the formulas' units; NaN where something for it is missing or impossible."""
    return coupons.assign(**{name: _computed(coupons, name, formula) for name, formula in formulas(coupons).items()})


def _computed(coupons: pd.DataFrame, name: str, formula: Formula) -> NDArray[np.float64]:
    given = {one: coupons[f"{one.key}.{name}"].to_numpy(dtype=float) for one in formula.inputs}
    whole = np.logical_and.reduce([
        np.isfinite(values) & (values > 0 if one.dimension else values >= 0) for one, values in given.items()
    ])
    found = np.full(len(coupons), np.nan)
    found[whole] = formula.function(*(values[whole] for values in given.values()))
    return found
