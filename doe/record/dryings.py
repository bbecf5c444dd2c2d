"""Dryings whose times do not fit the hours that count for them: named with their cells, recorded as they stand."""

import datetime
from collections.abc import Iterator, Mapping

import pandas as pd

from doe.design.plan import Design
from doe.record.match import Cell, Record
from doe.study.equipment import MINUTES_PER, drying_factor
from doe.study.operators import texts_of
from doe.study.spec import Study

_SHARE, _LEAST = 0.1, 0.5
"""Times may differ by so much of the hours, or by so many hours, whichever is more; common practice, no source."""


def hours_lines(study: Study, design: Design, record: Record, places: Mapping[Cell, str]) -> tuple[str, ...]:
    """
    Name the loads that were in the dryer for other hours than they count with.

    Parameters
    ----------
    study : Study
        Its warm-up may or may not be within the times.
    design : Design
    record : Record
        With the collection in it.
    places : mapping of Cell to str
        Where the values of the collection stand; only loads with a time in it are named.

    Returns
    -------
    tuple of str
        A sentence a load; none where no factor is a drying time.
    """
    factor = drying_factor(study.factors)
    if factor is None or record.loads.empty:
        return ()
    counted, say = _counted(design, record, factor.name), texts_of(study)
    column = say("columns.used", name=say.name(factor.name), unit=f" ({factor.display_unit})")
    per_hour = 60 / MINUTES_PER[str(factor.unit)]
    warm_up = study.oven.warm_up_minutes / 60
    return tuple(
        _sentence(load, where, span, {value / per_hour for value in counted[load]}, column)
        for load, where, span in _spans(record, places)
        if load in counted and all(_differs(span, value / per_hour, warm_up) for value in counted[load])
    )


def _counted(design: Design, record: Record, factor: str) -> dict[str, set[float]]:
    """Return the drying times with which the prints of each load count, in the factor's unit."""
    runs = design.runs.merge(record.prints[["print", f"used.{factor}"]], on="print")
    values = runs[f"used.{factor}"].where(runs[f"used.{factor}"].notna(), runs[f"set.{factor}"])
    return {str(load): {float(value) for value in found} for load, found in values.groupby(runs["load"])}


def _spans(record: Record, places: Mapping[Cell, str]) -> Iterator[tuple[str, str, float]]:
    """Yield load, cells and hours of every drying that has both times, one of them in this collection."""
    loads: pd.DataFrame = record.loads
    for load, began, ended in zip(loads["load"], loads["dried_from"], loads["dried_to"], strict=True):
        where = [place for key in ("dried_from", "dried_to") if (place := places.get(("loads", load, key)))]
        if began and ended and where:
            length = datetime.datetime.fromisoformat(ended) - datetime.datetime.fromisoformat(began)
            cells = " and ".join([where[0], *(one.rpartition(", ")[2] for one in where[1:])])
            yield str(load), cells, length.total_seconds() / 3600


def _differs(span: float, hours: float, warm_up: float) -> bool:
    """Whether hours in the dryer are not those that count, with the warm-up or without it."""
    apart = max(hours - span, span - hours - warm_up)
    return apart > max(_SHARE * hours, _LEAST)


def _sentence(load: str, where: str, span: float, hours: set[float], column: str) -> str:
    planned = " or ".join(f"{value:.4g}" for value in sorted(hours))
    return (
        f"Please look again, {where}: load {load} was in the dryer for {span:.4g} h, and counts as dried for {planned} h. Write "
        f"what it had under '{column}' in its row of the loads, or correct the times. They are recorded as they stand."
    )
