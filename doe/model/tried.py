"""Which prints were tried, with the number of coupons that each printed.

A print counts once it has an outcome or a value, unless it was ``lost`` or ``skipped`` or belongs to the pilot
round. It counts as k of m: of the m coupons that it was to give (the most that a response takes of a print, 1 without
coupons) so many were printed.

- The print detached, clogged or warped: none of m; coupons that have a value all the same, or an outcome of a test, count
  as printed. A verdict names the print, also where such a row counts as failed by another test.
  A value of zero at a detached coupon is no such value.
- Any other outcome, or none but a value: every coupon counts as printed, unless it detached, clogged or warped itself.
- A coupon that ``broke in handling`` was printed: its weakness is the business of the strength model, which has it as a limit.
  So were those that broke in the grips or did not break, and those that were not tested yet.
- A coupon that was lost or skipped is not counted in m.
- Where the pieces of several tests share a row of coupons, the row counts as one coupon, by the worst that became of a piece
  of it: a piece that detached, clogged or warped is one that was not printed.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from doe.design.plan import PILOT, Design
from doe.model.values import AT_LEAST, BROKE_EARLY, FAILED
from doe.record.match import Record
from doe.record.schema import filled, outcomes_of
from doe.sheet.columns import NEVER_PRINTED
from doe.study.spec import Study

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

PRINTED = ("completed", *AT_LEAST, BROKE_EARLY)
"""Outcomes of a coupon that say that it was printed."""


@dataclass(frozen=True)
class Tried:
    """
    Prints that count, and how many of their coupons were printed.

    Parameters
    ----------
    rows : ndarray of shape (n,)
        Rows of the plan.
    completed, coupons : ndarray of shape (n,)
        k and m.
    odd : tuple of str
        Prints that failed although coupons of them have values.
    """

    rows: Codes
    completed: Array
    coupons: Array
    odd: tuple[str, ...]


def tried_prints(study: Study, design: Design, record: Record) -> Tried:
    """Return the prints that count, with k and m, by the rules of this module."""
    planned = max((response.coupons for response in study.responses if response.per == "coupon"), default=0)
    row_of = {
        str(name): row
        for row, (name, number) in enumerate(zip(design.runs["print"], design.runs["round"], strict=True))
        if number != PILOT
    }
    coupons = _coupons(study, record, planned)
    has_value = _has_value(study, record.prints, "print")
    found, odd = [], []
    for name, ended, valued in zip(record.prints["print"], record.prints["outcome"], has_value, strict=True):
        mine = coupons.get(str(name), [])
        is_known = ended != "" or valued or any(one.valued or one.outcome in (*PRINTED, *FAILED) for one in mine)
        if str(name) not in row_of or ended in NEVER_PRINTED or not is_known:
            continue
        completed, of = _k_of_m(str(ended) in FAILED, mine, planned)
        if of:
            found.append((row_of[str(name)], completed, of))
        if ended in FAILED and (completed or any(one.valued for one in mine)):
            odd.append(str(name))
    table = np.array(sorted(found), dtype=np.int64).reshape(-1, 3)
    return Tried(table[:, 0], table[:, 1].astype(float), table[:, 2].astype(float), tuple(odd))


@dataclass(frozen=True)
class _Coupon:
    outcome: str
    valued: bool


def _coupons(study: Study, record: Record, planned: int) -> dict[str, list[_Coupon]]:
    """Return the coupons of each print that were to be made."""
    table = record.coupons
    if not planned or table.empty:
        return {}
    found: dict[str, list[_Coupon]] = {}
    valued, tests = _has_value(study, table, "coupon"), [one for one in study.responses if one.per == "coupon"]
    ended = zip(*(outcomes_of(table, one.name) for one in tests), strict=True)
    for name, number, said, has in zip(table["print"], table["number"], ended, valued, strict=True):
        if number <= planned:
            mine = [str(outcome) for one, outcome in zip(tests, said, strict=True) if number <= one.coupons]
            found.setdefault(str(name), []).append(_Coupon(max(mine, key=_worth_saying), bool(has)))
    return found


def _worth_saying(outcome: str) -> int:
    """Rank what became of the pieces of one coupon: that one failed comes first, then that one was printed."""
    return (outcome in FAILED) * 4 + (outcome in PRINTED) * 3 + (outcome == "") * 2


def _has_value(study: Study, table: pd.DataFrame, per: str) -> NDArray[np.bool_]:
    """Return which rows hold a value of some response; a measured zero is how a detached one may be written down."""
    has = np.zeros(len(table), dtype=bool)
    for response in study.responses:
        if response.per == per and response.name in table:
            column = table[response.name]
            here = filled(column).to_numpy(dtype=bool)
            has |= here & (column != 0).to_numpy(dtype=bool) if response.kind == "measured" else here
    return has


def _k_of_m(has_failed: bool, coupons: Sequence[_Coupon], planned: int) -> tuple[int, int]:
    """Return how many coupons of a print were printed, and of how many; 0 of 0 where nothing of it is known."""
    lost = sum(one.outcome in NEVER_PRINTED for one in coupons)
    fallen = sum(one.outcome in FAILED for one in coupons)
    if has_failed:
        known = sum(
            one.outcome not in (*FAILED, *NEVER_PRINTED) and (one.valued or one.outcome in PRINTED) for one in coupons
        )
        return known, max(planned - lost, 1)
    return (max(planned, 1) - lost - fallen, max(planned, 1) - lost)
