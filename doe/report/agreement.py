"""Rows about how well grades repeat."""

from collections.abc import Sequence

from doe.model.agreement import Repeated, repeated_grades, verdicts
from doe.record.match import Record
from doe.report import numbers, rows
from doe.report.tables import Table, words
from doe.study.spec import Study


def agreement_tables(study: Study, record: Record) -> tuple[Table, ...]:
    """Return how well all grades repeat, and what follows; nothing where no response asks for its grades to be checked."""
    found = repeated_grades(study, record)
    tables = [agreement_table(name, found) for name in dict.fromkeys(one.response for one in found)]
    said = tuple(verdicts(study, found))
    return (*tables, rows.verdict_table(said)) if said else tuple(tables)


def agreement_table(response: str, found: Sequence[Repeated]) -> Table:
    """Return how well the grades of one response agree where prints were graded twice; no rows where none were."""
    mine = [one for one in found if one.response == response]
    listed = tuple(
        (
            one.who, str(one.found.pieces), numbers.whole_percent(one.found.equal),
            numbers.whole_percent(one.found.within_one), _fixed(one.found.kappa),
            numbers.interval(one.found.low, one.found.high, -2), one.word or "all grades are the same one",
        )
        for one in mine
    )
    level = numbers.level(mine[0].level) if mine else ""
    columns = ("Who", "Pairs", "Equal", "Within one grade", "Weighted kappa", f"{level} interval", "Called")
    note = (
        "Prints graded twice and blind. Kappa compares the squared differences with those of independent gradings: 1 is full"
        " agreement, 0 that of chance (Fleiss, Levin and Paik 2003; words by Landis and Koch 1977). Its interval is one for many"
        " pieces, and rough for few."
    )
    return Table(f"Grades given twice: {words(response)}", columns, listed, "lrrrrrl", note)


def _fixed(kappa: float | None) -> str:
    return numbers.MISSING if kappa is None else numbers.at_place(kappa, -2)
