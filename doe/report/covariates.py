"""Rows about covariates: what those in the model do, or whether others tell what the model leaves over."""

from doe.model.covariate_checks import CovariateCheck, CovariateEffect, ResponseCovariates
from doe.report import numbers
from doe.report.tables import Table, words


def effects_table(found: ResponseCovariates) -> Table:
    """Return the covariates in the model with coefficient per unit, interval and the values seen; no rows without any."""
    size = "logarithm of the response" if found.log else found.unit or "response"
    columns = (
        "Covariate", f"Change per unit, {size}", f"{numbers.level(found.level)} confidence interval", "p", "Seen", "Mean",
        "Prints without it",
    )
    note = (
        "Declared before the data and fitted with the settings. All predictions hold at the means given here, at whatever value a"
        " later print has. Each interval holds for one covariate, not for all at once. A covariate is not set and was not"
        " randomised: its coefficient shows what went with it, not what it causes."
    )
    rows = tuple(_effect(one) for one in found.effects)
    return Table(f"Covariates in the model of {words(found.response)}", columns, rows, "lrrrrrr", note)


def _effect(one: CovariateEffect) -> tuple[str, ...]:
    column = one.column
    place = None if one.low is None or one.high is None else numbers.place_of((one.high - one.low) / 2)
    p = "" if one.p is None else numbers.p_value(one.p)
    return (
        _name(column.name, column.unit, column.since), numbers.at_place(one.estimate, place),
        numbers.interval(one.low, one.high, place), p, _seen(column.low, column.high), numbers.plain(column.mean, 3),
        f"{column.missing} of {column.prints}",
    )


def checks_table(found: ResponseCovariates) -> Table:
    """Return the covariates that are not in the model, each with its test; no rows without any."""
    size = "logarithm of the response" if found.log else found.unit or "response"
    columns = ("Covariate", "Prints", "Seen", f"Change per unit, {size}", "p", "p, allowing for all checks", "In words")
    note = (
        "Not in the model, since they were declared after the first sheet, are only to be recorded, or could not be fitted. Each"
        " was added to the model by itself for this test; no result elsewhere in this report contains it."
    )
    return Table(
        f"Covariates checked on {words(found.response)}", columns, tuple(_check(one) for one in found.checks), "lrrrrrl", note
    )


def _check(one: CovariateCheck) -> tuple[str, ...]:
    seen = numbers.MISSING if one.low is None or one.high is None else _seen(one.low, one.high)
    name = _name(one.covariate, one.unit, one.since)
    if one.p is None or one.adjusted_p is None:
        missing = (numbers.MISSING,) * 3
        return (name, str(one.prints), seen, *missing, f"not tested: {one.reason}")
    said = "tells what the model leaves over" if one.tells else "no drift with it told by these prints"
    p = numbers.p_value(one.p), numbers.p_value(one.adjusted_p)
    return name, str(one.prints), seen, numbers.plain(one.slope, 2), *p, said


def _name(name: str, unit: str, since: str) -> str:
    shown = f"{words(name)}, {unit}" if unit not in ("", "1") else words(name)
    return f"{shown} from {since}" if since else shown


def _seen(low: float, high: float) -> str:
    return f"{numbers.plain(low, 3)} to {numbers.plain(high, 3)}"
