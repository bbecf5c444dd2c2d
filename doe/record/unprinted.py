"""Prints that have coupons but nothing else: coupons that may stand in the wrong row."""

from collections.abc import Collection, Iterator, Mapping

from doe.record.findings import spanned
from doe.record.match import Cell, Record
from doe.record.schema import filled, is_planned, value_columns

_FEW = 3
"""So many prints are named each with the cell of a coupon; more in one line."""


def unprinted_lines(record: Record, places: Mapping[Cell, str], blank: Collection[Cell]) -> tuple[str, ...]:
    """
    Name the prints of which a collection has values of coupons, but nothing of the print itself, nor has the record.

    Parameters
    ----------
    record : Record
        With the collection in it: a print whose coupons have values is ``completed`` in it.
    places : mapping of Cell to str
        Where the values of the collection stand.
    blank : collection of Cell
        Cells that a file of the collection has, and that are empty: of a print without such an outcome nothing is said, since
        nobody was asked for it.
    """
    noted = _noted(record, places)
    found = {
        name: place for name, place in _tested(record, places)
        if name not in noted and ("prints", name, "outcome") in blank and ("prints", name, "outcome") not in places
    }
    if len(found) > _FEW:
        names = spanned(list(found))
        return (f"Prints {names} have coupons but nothing on Prints: were they printed? Are these the right rows?",)
    return tuple(
        f"{place}: {name} has coupons but nothing on Prints: was it printed? Is it the right row? It counts as completed."
        for name, place in found.items()
    )


def _noted(record: Record, places: Mapping[Cell, str]) -> set[str]:
    """Return the prints of which something is recorded besides an outcome that may follow, or what is used for all of a load."""
    prints = record.prints
    of_loads = [name for name in prints if str(name).startswith("used.")]
    asked = [name for name in prints if not is_planned(str(name)) and name not in ("outcome", *of_loads)]
    known = prints["outcome"].isin(["", "completed"]).eq(False)
    for name in asked:
        known |= filled(prints[name])
    shared = [places[cell] for cell in places if cell[0] == "prints" and cell[2] in of_loads]
    own = {cell[1] for cell, place in places.items() if cell[0] == "prints" and cell[2] in of_loads and shared.count(place) == 1}
    return {*prints.loc[known, "print"], *own}


def _tested(record: Record, places: Mapping[Cell, str]) -> Iterator[tuple[str, str]]:
    """Yield the prints with a value of a coupon in this collection, and where the last of these stands."""
    coupons = record.coupons
    for column in value_columns(coupons):
        for name, owner in coupons.loc[filled(coupons[column]), ["coupon", "print"]].itertuples(index=False):
            if ("coupons", name, column) in places:
                yield str(owner), places["coupons", name, column]
