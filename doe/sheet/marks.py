"""What the workbook points out by itself while it is filled in: missing, unusual or contradictory cells."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from doe.sheet.columns import OFF_PLAN, Column
from doe.sheet.layout import Sheet
from doe.sheet.states import STATE, contradictions, count, quoted, results, ruled_out, tested, tests
from doe.study.operators import Texts

Style = Literal["missing", "unusual", "contradiction"]
_ASKED = ("read.", "covariate.")


@dataclass(frozen=True)
class Mark:
    """One rule for the cells of one column; where several hold, the first one counts."""

    key: str
    style: Style
    condition: str
    """As of :func:`doe.sheet.states.in_letters`, without an equals sign."""


def marks(table: Sheet, say: Texts) -> Iterator[Mark]:
    """
    Yield the rules of one sheet, those that count before others first.

    Parameters
    ----------
    say : Texts
        In the language of the sheet, since words in cells are compared.
    table : Sheet
        On ``Prints`` and ``Coupons`` a result is missing once the outcome says that there was a test, and contradicts an
        outcome that left nothing to measure.
    """
    columns = {column.key: column for column in table.columns}
    if "outcome" in columns:
        yield from _of_results(table, say)
        yield from _of_deviation(columns, say)
    if "dried_to" in columns:
        yield Mark("dried_to", "contradiction", "AND(COUNT({dried_from},{dried_to})=2,{dried_to}<={dried_from})")
        yield Mark("mass_after", "contradiction", "AND(COUNT({mass_before},{mass_after})=2,{mass_after}>{mass_before})")
    if STATE in columns:
        yield Mark(STATE, "contradiction", f"{{{STATE}}}={quoted(say('states.check'))}")
    for column in table.columns:
        if column.fill and column.kind == "number" and (condition := _unusual(column)):
            yield Mark(column.key, "unusual", condition)


def _of_results(table: Sheet, say: Texts) -> Iterator[Mark]:
    touched = count(column for column in table.columns if column.fill)
    yield Mark("outcome", "missing", f'AND({{outcome}}="",{touched}>0)')
    for own, contradicts in contradictions(table.columns, say):
        yield Mark("outcome", "contradiction", f'AND({{{own}}}="",{contradicts})' if own else contradicts)
        if own:
            yield Mark(own, "contradiction", f'AND({{{own}}}<>"",{contradicts})')
    made = tests(table.columns)
    for column, own in ((column, own) for own, values in made for column in results(values)):
        barred = ruled_out(table.columns, own, say, read_off=column.read_off)
        yield Mark(column.key, "contradiction", f'AND({{{column.key}}}<>"",{barred})')
    asked = [column for column in table.columns if column.key.startswith(_ASKED)]
    for column, own in ((column, own) for own, values in (*made, ("", asked)) for column in values):
        within = f",{{number}}<={column.upto}" if column.upto is not None else ""
        yield Mark(column.key, "missing", f'AND({{{column.key}}}="",{tested(own, say)}{within})')


def _of_deviation(columns: dict[str, Column], say: Texts) -> Iterator[Mark]:
    used = [column for key, column in columns.items() if key.startswith("used.")]
    if used:
        off_plan = quoted(say(f"deviations.word.{OFF_PLAN}"))
        yield Mark("deviation", "missing", f"AND({count(used)}>0,{{deviation}}<>{off_plan})")


def _unusual(column: Column) -> str:
    """Return the condition that a cell is no number, or not a plausible one."""
    cell = f"{{{column.key}}}"
    low, high = (column.low, column.high) if column.usual is None else column.usual
    beyond = [f"NOT(ISNUMBER({cell}))"]
    beyond += [f"{cell}<=0"] if column.positive else []
    beyond += [f"{cell}<{low!r}"] if low is not None else []
    beyond += [f"{cell}>{high!r}"] if high is not None else []
    return f'AND({cell}<>"",OR({",".join(beyond)}))'
