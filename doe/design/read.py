"""``plan.csv`` or a plan made elsewhere: text to table or back, every digit kept."""

import io
import math
from collections.abc import Iterator

import pandas as pd

from doe.design.plan import Design
from doe.errors import InputRefused, Problem
from doe.study.spec import Study

PLAN = "plan.csv"
_COUNTS = ("round", "order", "cell", "seed")
_TEXTS = ("print", "load", "printer", "point", "kind")
_OF_REPRINTS = "block"


def read_plan(content: bytes, study: Study, where: str = PLAN) -> Design:
    """
    Return the plan that was written before.

    Raises
    ------
    InputRefused
        Where the table is not one that ``doe plan`` wrote for this study.
    """
    table = read_table(content, where)
    expected = [*_COUNTS, *_TEXTS, *(f"{what}.{factor.name}" for factor in study.factors for what in ("target", "set"))]
    missing = sorted(set(expected) - set(table.columns))
    if missing or table.empty:
        found = f"the columns {', '.join(missing)} are missing" if missing else "no prints"
        raise InputRefused(
            Problem(
                where,
                found,
                "the table as 'doe plan' wrote it",
                "bring the file back from a copy, or plan again in a new folder",
            )
        )
    counts = [*_COUNTS, *(key for key in (_OF_REPRINTS,) if key in table)]
    values = [f"{what}.{factor.name}" for factor in study.factors if factor.is_numeric for what in ("target", "set")]
    problems = [*_not_numbers(table[counts], where, whole=True), *_not_numbers(table[values], where, whole=False)]
    if problems:
        raise InputRefused(problems)
    return Design(runs=table.astype({**dict.fromkeys(counts, int), **dict.fromkeys(values, float)}))


def _not_numbers(cells: pd.DataFrame, where: str, *, whole: bool) -> Iterator[Problem]:
    """Yield the cells that are no numbers, by column and by row as a spreadsheet counts them."""
    for name in cells:
        for row, text in enumerate(cells[name], 2):
            if not (text.strip().isdecimal() if whole else is_number(text)):
                wanted = "a whole number, as 'doe plan' wrote it" if whole else "a number, as 'doe plan' wrote it"
                yield Problem(f"{where}, column '{name}', row {row}", f"'{text}'", wanted, "bring the file back from a copy")


def is_number(text: str) -> bool:
    """Whether a cell holds a finite number."""
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False


def read_table(content: bytes, where: str) -> pd.DataFrame:
    """Return a CSV table as text cells, empty where they are; comma, semicolon or tab separate. Refused if it is no table."""
    try:
        text = content.decode("utf-8-sig")
        separator = max(",;\t", key=(text.splitlines() or [""])[0].count)
        table = pd.read_csv(io.StringIO(text), sep=separator, dtype=str, keep_default_na=False, skipinitialspace=True)
    except (UnicodeDecodeError, ValueError) as error:
        found = "it is empty" if not content.strip() else f"it cannot be read as a table ({str(error).splitlines()[0]})"
        raise InputRefused(
            Problem(where, found, "a CSV file in UTF-8 with one header row", "export it again as CSV (UTF-8)")
        ) from None
    table.columns = [str(name).strip() for name in table.columns]
    return table


def plan_text(design: Design) -> bytes:
    """Return the plan as CSV; numbers keep every digit."""
    return str(design.runs.to_csv(index=False, lineterminator="\n")).encode()
