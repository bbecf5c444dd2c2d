"""Rows about the values behind a fit: only limits, in doubt, or readings of settings."""

from collections.abc import Sequence

from doe.model.results import ResponseFit
from doe.model.settings import LEAST_RELIABILITY, Readings
from doe.report import numbers
from doe.report.tables import Table, words
from doe.study.names import identifiers


def limit_rows(fit: ResponseFit) -> Table:
    """Return how many values are only limits and whether they count; no rows where there are none."""
    found = fit.limits
    title = f"Values of {words(fit.response)} that are only limits"
    columns = ("What is known", "Values", "In the model")
    if found is None:
        return Table(title, columns, (), "lrl")
    used = "yes, as limits" if found.used else "no"
    kinds = (
        ("at least what was recorded (no break, broke in grips)", found.at_least),
        ("at most the lowest measured value, or zero (broke in handling, detached at zero load)", found.at_most),
    )
    rows = tuple((what, str(count), used) for what, count in kinds if count)
    return Table(title, columns, rows, "lrl", f"They are {identifiers(found.items)}.")


def sensitivity_table(fit: ResponseFit) -> Table:
    """Return the coefficients with and without the values in doubt; no rows where none is in doubt."""
    found = fit.sensitivity
    title = f"Without the values in doubt: {words(fit.response)}"
    columns = ("Term", "With them", "Without them", "Moves by (standard errors)")
    if found is None:
        return Table(title, columns, (), "lrrr")
    rows = []
    for shift, one in zip(found.shifts, fit.coefficients, strict=False):
        place = numbers.place_of(one.se)
        both = numbers.at_place(shift.estimate, place), numbers.at_place(shift.without, place)
        rows.append((words(shift.label), *both, numbers.plain(shift.standard_errors, 2)))
    note = f"In doubt and kept: {identifiers(found.items)}. The fit that is reported has them."
    if found.trouble:
        rows = [("all", "as above", f"cannot be fitted: {found.trouble}", "")]
    return Table(title, columns, tuple(rows), "lrrr", note)


def reading_rows(found: Sequence[Readings]) -> Table:
    """Return what readings of actual values at the prints are worth, factor by factor."""
    rows = []
    for one in found:
        away = f"{numbers.plain(one.offset, 3)} {one.unit}".rstrip() if one.offset is not None else numbers.MISSING
        ratio = numbers.MISSING if one.reliability is None else f"{one.reliability:.3f}"
        judged = "readings" if one.used else "setpoints"
        weight = numbers.MISSING if one.weight is None or not one.used else f"{one.weight:.2f}"
        rows.append((words(one.factor), f"{one.prints} of {one.of}", ratio, away, judged, weight))
    columns = (
        "Factor", "Prints with a reading", "Reliability ratio", "Readings less setpoints, on average", "Counts",
        "Weight of a single reading",
    )
    note = (
        "The reliability ratio is the share of the variance of the readings that is not their own error; slopes would be "
        f"flattened by it. Where it is {LEAST_RELIABILITY:g} or more, a reading moves its print from"
        " the setpoint's actual value by the weight, which leaves out the error of reading; else setpoints count alone, turned"
        " into actual values by the printers' checks. What all readings of a printer have in common moves nothing."
    )
    return Table("Readings of actual values at the prints", columns, tuple(rows), "lrrrlr", note)
