"""
Live formulas of the workbook: how far each row is, and how far everything is.

A formula names other cells of its row as ``{key}``; :func:`in_letters` puts the columns' letters there. Nothing that a user
wrote is ever part of a formula.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from doe.sheet.columns import DIMENSIONS, NEVER_PRINTED, NEVER_TESTED, TESTED, Column, distinct

STATE = Column("live.state", "State", width=11.5, part="result", hint="Computed.")
DONE, OPEN, CHECK = "done", "incomplete", "check"
LOST = Column(
    "live.mass_lost", "Mass lost (%), computed", "stress", width=11, part="more",
    formula='=IF(COUNT({mass_before},{mass_after})=2,100*({mass_before}-{mass_after})/({mass_before}-N({log.empty_spool})),"")',
)
ROW = "\0"
"""Stands for the number of the row in what :func:`in_letters` returns."""


def in_letters(formula: str, letters: Mapping[str, str]) -> str:
    """Return a formula with the column's letter and :data:`ROW` in place of every ``{key}``."""
    return re.sub(r"\{([^{}]+)\}", lambda found: f"${letters[found[1]]}{ROW}", formula)


def any_of(cell: str, words: Iterable[str]) -> str:
    """Return the condition that a cell holds one of some words."""
    return "OR(" + ",".join(f'{cell}="{word}"' for word in words) + ")"


def count(columns: Iterable[Column]) -> str:
    """Return how many cells of a row are filled in, of those columns."""
    return "COUNTA(" + ",".join(f"{{{column.key}}}" for column in columns) + ")"


def value_columns(columns: Iterable[Column]) -> list[Column]:
    """Return the columns that hold a result, or what a result is computed from."""
    aside = ("outcome", "deviation")
    return [column for column in columns if column.fill and column.part == "result" and column.key not in aside]


def results(columns: Iterable[Column]) -> list[Column]:
    """Return the columns that hold a result: a force counts, a width does not."""
    return [column for column in value_columns(columns) if not column.key.startswith(DIMENSIONS)]


def ruled_out(columns: Sequence[Column]) -> str:
    """Return the condition that an outcome leaves nothing to measure: the row's own, or its print's on ``Coupons``."""
    if _of_coupons(columns):
        own, prints = any_of("{outcome}", NEVER_TESTED), any_of("{live.print_outcome}", NEVER_PRINTED)
        return f"OR({own},{prints})"
    return any_of("{outcome}", NEVER_PRINTED)


def _of_coupons(columns: Iterable[Column]) -> bool:
    return any(column.key == "live.print_outcome" for column in columns)


def looked_up(names: str, outcomes: str) -> Column:
    """
    Return the column of ``Coupons`` that shows what became of each coupon's print.

    Parameters
    ----------
    names, outcomes : str
        Addresses of the identifiers and of the outcomes on ``Prints``.
    """
    formula = f'=IFERROR(INDEX({outcomes},MATCH({{print}},{names},0))&"","")'
    return Column("live.print_outcome", "Print's outcome", width=12, part="result", formula=formula)


def with_state(columns: Sequence[Column]) -> tuple[Column, ...]:
    """Return the columns of a sheet with distinct headers and the formula of its state: empty, incomplete, check, done."""
    keys = {column.key for column in columns}
    formula = _of_results(columns) if "outcome" in keys else _of_load(columns)
    return distinct(replace(one, formula=formula) if one.key == STATE.key else one for one in columns)


def _of_results(columns: Sequence[Column]) -> str:
    values = value_columns(columns)
    touched = count(column for column in columns if column.fill)
    contradicts = f"AND({ruled_out(columns)},{count(results(columns))}>0)" if values else "FALSE"
    short = f"AND({any_of('{outcome}', TESTED)},{count(values)}<{_wanted(values)})" if values else "FALSE"
    untouched = f'IF({any_of("{live.print_outcome}", NEVER_PRINTED)},"{DONE}","")' if _of_coupons(columns) else '""'
    return (
        f'=IF({touched}=0,{untouched},IF({contradicts},"{CHECK}",IF({{outcome}}="","{OPEN}",IF({short},"{OPEN}","{DONE}"))))'
    )


def _wanted(values: Sequence[Column]) -> str:
    """Return how many results a row has when it is complete; a coupon beyond a response's number lacks its."""
    upto = [column.upto for column in values]
    if len(set(upto)) <= 1:
        return str(len(values))
    return "+".join(f"{upto.count(most)}*({{number}}<={most})" for most in sorted({most for most in upto if most}))


def _of_load(columns: Sequence[Column]) -> str:
    touched = count(column for column in columns if column.fill)
    ended, heavier = (
        f"AND(COUNT({{{first}}},{{{second}}})=2,{{{first}}}{sign}{{{second}}})"
        for first, sign, second in (("dried_from", ">=", "dried_to"), ("mass_before", "<", "mass_after"))
    )
    times = "COUNTA({dried_from},{dried_to})<2"
    return f'=IF({touched}=0,"",IF(OR({ended},{heavier}),"{CHECK}",IF({times},"{OPEN}","{DONE}")))'


def progress(states: str, rows: int, things: str) -> str:
    """
    Return the formula that says how far a sheet is.

    Parameters
    ----------
    states : str
        Address of its states.
    rows : int
        How many there are.
    things : str
        What they are: prints.
    """
    done, unready, check = (f'COUNTIF({states},"{word}")' for word in (DONE, OPEN, CHECK))
    return f'={done}&" of {rows} {things} done, "&{unready}&" incomplete, "&{check}&" to check"'
