"""Live formulas of the workbook: how far each row is, how far everything is.

A formula names other cells of its row as ``{key}``; :func:`in_letters` puts the columns' letters there. Nothing that a user
wrote is ever part of a formula.
"""

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from doe.sheet.columns import (
    DIMENSIONS,
    NEVER_MEASURED,
    NEVER_PRINTED,
    NEVER_TESTED,
    OUTCOME_OF,
    TESTED,
    Column,
    distinct,
)
from doe.study.operators import Texts

STATE, LOST, PRINT_OUTCOME = "live.state", "live.mass_lost", "live.print_outcome"
"""Keys of the columns that are computed."""
_MASS_LOST = '=IF(COUNT({mass_before},{mass_after})=2,100*({mass_before}-{mass_after})/({mass_before}-N({log.empty_spool})),"")'
ROW = "\0"
"""Stands for the number of the row in what :func:`in_letters` returns."""


def state(say: Texts) -> Column:
    """Return the column that says how far a row is; :func:`with_state` puts its formula in."""
    longest = max(len(text) for text in say.table("states").values())
    return Column(STATE, say("columns.state"), width=max(11.5, longest + 1.5), part="result", hint=say("hints.computed"))


def lost(say: Texts) -> Column:
    """Return the column that says how much of its mass a load lost."""
    return Column(LOST, say("columns.mass_lost"), "stress", width=11, part="more", formula=_MASS_LOST)


def quoted(text: str) -> str:
    """Return a text as a formula writes it."""
    return '"' + text.replace('"', '""') + '"'


def in_letters(formula: str, letters: Mapping[str, str]) -> str:
    """Return a formula with the column's letter and :data:`ROW` in place of every ``{key}``."""
    return re.sub(r"\{([^{}]+)\}", lambda found: f"${letters[found[1]]}{ROW}", formula)


def any_of(cell: str, outcomes: Iterable[str], say: Texts) -> str:
    """Return the condition that a cell holds the words for one of some outcomes."""
    return "OR(" + ",".join(f"{cell}={quoted(say(f'outcomes.word.{one}'))}" for one in outcomes) + ")"


def count(columns: Iterable[Column]) -> str:
    """Return how many cells of a row are filled in, of those columns."""
    return "COUNTA(" + ",".join(f"{{{column.key}}}" for column in columns) + ")"


def value_columns(columns: Iterable[Column]) -> list[Column]:
    """Return the columns that hold a result, or what a result is computed from."""
    filled = [column for column in columns if column.fill and column.part == "result"]
    return [column for column in filled if column.key not in ("outcome", "deviation") and not column.key.startswith(OUTCOME_OF)]


def results(columns: Iterable[Column]) -> list[Column]:
    """Return the columns that hold a result: a force counts, a width does not."""
    return [column for column in value_columns(columns) if not column.key.startswith(DIMENSIONS)]


def tests(columns: Sequence[Column]) -> list[tuple[str, list[Column]]]:
    """Return the columns of results test by test, each with the key of the outcome that its test has for itself, or ``""``."""
    keys = {column.key for column in columns}
    found: dict[str, list[Column]] = {}
    for column in value_columns(columns):
        own = f"{OUTCOME_OF}{column.key.rpartition('.')[2]}"
        found.setdefault(own if own in keys else "", []).append(column)
    return list(found.items())


def ruled_out(columns: Sequence[Column], own: str, say: Texts, *, read_off: bool = False) -> str:
    """
    Return the condition that an outcome leaves nothing to measure.

    Parameters
    ----------
    columns : sequence of Column
        Of the whole sheet: on ``Coupons`` the print's outcome counts, too.
    own : str
        As of :func:`tests`.
    say : Texts
    read_off : bool
        Whether it is about columns that are measured whatever broke.
    """
    if not _of_coupons(columns):
        return any_of("{outcome}", NEVER_PRINTED, say)
    return f'OR({_ended(own, _ruling(columns, read_off=read_off), say)},{any_of(f"{{{PRINT_OUTCOME}}}", NEVER_PRINTED, say)})'


def tested(own: str, say: Texts) -> str:
    """Return the condition that a test was made, so that its values are expected; its own outcome is as of :func:`tests`."""
    return _ended(own, TESTED, say)


def contradictions(columns: Sequence[Column], say: Texts) -> list[tuple[str, str]]:
    """Return, for every test with results, the key of its own outcome and the condition that this, or another, rules them out."""
    return [
        (own, f"AND({ruled_out(columns, own, say, read_off=found[0].read_off)},{count(found)}>0)")
        for own, found in _measured(columns)
    ]


def _measured(columns: Sequence[Column]) -> Iterator[tuple[str, list[Column]]]:
    """Yield the results of every test, those that a break ends apart from those that are measured whatever broke."""
    for own, values in tests(columns):
        for read_off in (False, True):
            if found := [column for column in results(values) if column.read_off == read_off]:
                yield own, found


def _ruling(columns: Sequence[Column], *, read_off: bool) -> tuple[str, ...]:
    """Return the outcomes of a sheet's rows that leave nothing to measure."""
    if not _of_coupons(columns):
        return NEVER_PRINTED
    return NEVER_MEASURED if read_off else NEVER_TESTED


def _ended(own: str, outcomes: Iterable[str], say: Texts) -> str:
    """Return the condition that a test ended in one of some ways: by its own outcome, or else by its row's."""
    if not own:
        return any_of("{outcome}", outcomes, say)
    words = "/".join(["", *(say(f"outcomes.word.{one}").lower() for one in outcomes), ""])  # short: a formula has its limit
    return f'ISNUMBER(FIND("/"&LOWER(IF({{{own}}}="",{{outcome}},{{{own}}}))&"/",{quoted(words)}))'


def _of_coupons(columns: Iterable[Column]) -> bool:
    return any(column.key == PRINT_OUTCOME for column in columns)


def looked_up(say: Texts, names: str, outcomes: str) -> Column:
    """
    Return the column of ``Coupons`` that shows what became of each coupon's print.

    Parameters
    ----------
    say : Texts
    names, outcomes : str
        Addresses of the identifiers and of the outcomes on ``Prints``.
    """
    formula = f'=IFERROR(INDEX({outcomes},MATCH({{print}},{names},0))&"","")'
    widest = max(len(text) for text in say.table("outcomes.word").values())
    return Column(PRINT_OUTCOME, say("columns.print_outcome"), width=max(12.0, 0.85 * widest), part="result", formula=formula)


def with_state(columns: Sequence[Column], say: Texts) -> tuple[Column, ...]:
    """Return the columns of a sheet with distinct headers and the formula of its state: empty, incomplete, check, done."""
    keys = {column.key for column in columns}
    formula = _of_results(columns, say) if "outcome" in keys else _of_load(columns, say)
    return distinct(replace(one, formula=formula) if one.key == STATE else one for one in columns)


def _words(say: Texts) -> tuple[str, str, str]:
    """Return what a state is called, in formulas: done, open, to check."""
    return quoted(say("states.done")), quoted(say("states.open")), quoted(say("states.check"))


def _of_results(columns: Sequence[Column], say: Texts) -> str:
    done, unready, check = _words(say)
    touched = count(column for column in columns if column.fill)
    contradicts = _contradicts(columns, say)
    short = _either([f"AND({tested(own, say)},{_lacking(own, values)})" for own, values in tests(columns)])
    of_lost = any_of(f"{{{PRINT_OUTCOME}}}", NEVER_PRINTED, say)
    untouched = f'IF({of_lost},{done},"")' if _of_coupons(columns) else '""'
    return f'=IF({touched}=0,{untouched},IF({contradicts},{check},IF({{outcome}}="",{unready},IF({short},{unready},{done}))))'


def _contradicts(columns: Sequence[Column], say: Texts) -> str:
    """Return the condition that a row holds a result which an outcome rules out; the print's, which all tests share, once."""
    ways = [
        f"AND({_ended(own, _ruling(columns, read_off=found[0].read_off), say)},{count(found)}>0)"
        for own, found in _measured(columns)
    ]
    if ways and _of_coupons(columns):
        ways.append(f"AND({any_of(f'{{{PRINT_OUTCOME}}}', NEVER_PRINTED, say)},{count(results(columns))}>0)")
    return _either(ways)


def _either(conditions: Sequence[str]) -> str:
    return f"OR({','.join(conditions)})" if len(conditions) > 1 else next(iter(conditions), "FALSE")


def _lacking(own: str, values: Sequence[Column]) -> str:
    """Return the condition that a test lacks a result; beyond its number of coupons none is made of it."""
    within = f"{{number}}<={values[0].upto}," if own else ""
    return f"{within}{count(values)}<{len(values)}"


def _of_load(columns: Sequence[Column], say: Texts) -> str:
    done, unready, check = _words(say)
    touched = count(column for column in columns if column.fill)
    ended, heavier = (
        f"AND(COUNT({{{first}}},{{{second}}})=2,{{{first}}}{sign}{{{second}}})"
        for first, sign, second in (("dried_from", ">=", "dried_to"), ("mass_before", "<", "mass_after"))
    )
    times = "COUNTA({dried_from},{dried_to})<2"
    return f'=IF({touched}=0,"",IF(OR({ended},{heavier}),{check},IF({times},{unready},{done})))'


def progress(say: Texts, states: str, rows: int, things: str) -> str:
    """
    Return the formula that says how far a sheet is.

    Parameters
    ----------
    say : Texts
    states : str
        Address of its states.
    rows : int
        How many there are.
    things : str
        What they are: ``prints``, ``coupons``, ``loads``.
    """
    counts = [f"COUNTIF({states},{word})" for word in _words(say)]
    text = say(f"progress.{things}", rows=rows, done="\0done\0", open="\0open\0", check="\0check\0")
    known = dict(zip(("done", "open", "check"), counts, strict=True))
    parts = [known[part] if place % 2 else quoted(part) for place, part in enumerate(text.split("\0")) if part]
    return "=" + "&".join(parts)
