"""Plan with record as they were before any confirmation: what the declared model is fitted to."""

from dataclasses import replace

import pandas as pd

from doe.design.plan import CONFIRMATION, Design
from doe.record.match import Record


def without_confirmations(design: Design, record: Record) -> tuple[Design, Record]:
    """
    Leave out every round that confirms a recommendation.

    A prediction can only be judged by prints that it was not made from, so the declared fit never holds them. What is left is
    what stood there before the first confirmation was planned, to the byte, as long as nothing else was changed.

    Parameters
    ----------
    design : Design
    record : Record

    Returns
    -------
    design : Design
    record : Record
        Without their prints, coupons, loads and readings, and without corrections of these.
    """
    rounds = design.confirmations
    if not rounds:
        return design, record
    kept = replace(design, runs=design.runs[design.runs["kind"] != CONFIRMATION].reset_index(drop=True))
    left_out = design.runs[design.runs["kind"] == CONFIRMATION]
    prints, loads = set(left_out["print"]), {load for load in left_out["load"] if load}
    coupons = record.coupons[record.coupons["print"].isin(prints)]["coupon"] if "coupon" in record.coupons else ()
    of_rounds = tuple(f"{kind}{number}-" for number in rounds for kind in "RS")
    entries = (*record.checks.get("reading", ()), *record.spools.get("entry", ()))
    gone = {*prints, *loads, *coupons, *(str(one) for one in entries if str(one).startswith(of_rounds))}
    return kept, Record(
        prints=_less(record.prints, "print", gone),
        coupons=_less(record.coupons, "print", gone),
        loads=_less(record.loads, "load", gone),
        checks=_less(record.checks, "reading", gone),
        corrections=_less(record.corrections, "row", gone),
        spools=_less(record.spools, "entry", gone),
        gradings=record.gradings,  # of the first round alone
        doubts=record.doubts,
    )


def _less(table: pd.DataFrame, column: str, gone: set[str]) -> pd.DataFrame:
    """Return a table without the rows of some identifiers."""
    return table[~table[column].isin(gone)].reset_index(drop=True) if column in table else table


def with_confirmations(design: Design) -> Design:
    """
    Let prints of confirmations count like the others, for what is said once a confirmation has been judged.

    They take the number of the last round before them: with a round, and so a mean, of their own they would tell nothing about
    the setting, where all of them are.

    Parameters
    ----------
    design : Design

    Returns
    -------
    Design
    """
    last = max(number for number in design.rounds if number not in design.confirmations)
    runs, mine = design.runs, design.runs["kind"] == CONFIRMATION
    before = runs[runs["round"] == last].iloc[0]
    counted = {key: runs[key].where(~mine, before[key]) for key in ("round", "block") if key in runs}
    return replace(design, runs=runs.assign(**counted, kind=runs["kind"].where(~mine, "adopted")))
