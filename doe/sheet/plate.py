"""Where on the plate each coupon is printed, in which orientation.

Positions are rotated from print to print, so that no coupon number, and with it no test, belongs to one place of the plate.
"""

import pandas as pd

from doe.sheet.columns import Column, fitting
from doe.study.operators import ENGLISH, Texts, texts, texts_of
from doe.study.spec import Study

POSITION, ORIENTATION = "plate.position", "plate.orientation"


def plate_columns(study: Study) -> list[Column]:
    """Return the locked columns of coupons: position where the study names positions, orientation where it gives one."""
    columns, say = [], texts_of(study)
    if study.plate.positions:
        columns.append(Column(POSITION, say("columns.position"), width=fitting(study.plate.positions, 18)))
    if any(_orientations(study, 1)):
        codes = (_orientation(study, number, say) for number in range(1, study.coupons_per_print + 1))
        header = say("columns.orientation")
        columns.append(Column(ORIENTATION, header, width=fitting([*codes, header])))
    return columns


def places(study: Study, runs: pd.DataFrame, say: Texts | None = None) -> dict[str, dict[str, str]]:
    """
    Return position and orientation of each coupon of one round.

    Coupon j of print i (both counted from 0, prints in the order in which they are made) is at position (i + j) mod k of the k
    positions: over k prints each coupon number is once in each place, a cyclic Latin square.

    Parameters
    ----------
    study : Study
    runs : DataFrame
        The rows of one round, in the order in which they are made.
    say : Texts, optional
        In whose language the responses are named; without it in English, as they are recorded.

    Returns
    -------
    dict of str to dict of str to str
        By coupon, what its columns of :func:`plate_columns` hold.
    """
    keys = [column.key for column in plate_columns(study)]
    positions = study.plate.positions
    found = {}
    for place, name in enumerate(runs["print"]):
        for number in range(1, study.coupons_per_print + 1):
            at = positions[(place + number - 1) % len(positions)] if positions else ""
            cells = {POSITION: at, ORIENTATION: _orientation(study, number, say or texts(ENGLISH))}
            found[f"{name}-{number}"] = {key: cells[key] for key in keys}
    return found


def _orientations(study: Study, number: int) -> dict[str, str]:
    """Return the orientation of each response that a coupon of this number is tested for; those without one are left out."""
    tested = [one for one in study.responses if one.per == "coupon" and number <= one.coupons]
    given = {one.name: one.orientation or study.plate.orientation for one in tested}
    return {name: code for name, code in given.items() if code is not None}


def _orientation(study: Study, number: int, say: Texts) -> str:
    """Return a code, or one for each response where they differ: ``ZX (z strength), XZ (bend)``."""
    given = _orientations(study, number)
    tested = [one for one in study.responses if one.per == "coupon" and number <= one.coupons]
    if len(set(given.values())) <= 1 and len(given) == len(tested):
        return next(iter(given.values()), "")
    return ", ".join(f"{code} ({say.within(name)})" for name, code in given.items())
