"""Rows about the diagnostics of a fit: what was checked, what was found, print by print."""

from doe.model.diagnosed import ALARM, ALIKE, DECIDES, Check, Diagnostics
from doe.report import numbers
from doe.report.tables import Table, words

_ASKED = {
    "one coupon off": "One coupon out of line with the others of its print",
    "one print off": "One print out of line",
    "one load off": "One load out of line as a whole",
    "one load's prints": "Prints of one load out of line with each other",
    "normal scatter": "Normal scatter of prints",
    "scatter and mean": "Scatter of prints changes with the mean",
    "coupon scatter and mean": "Scatter of coupons changes with the mean",
    "scatter of printers": "Printers scatter unequally",
    "scatter of loads": "Loads scatter unequally",
    "drift": "Drift with run order",
}
_JUDGED = {
    "one coupon off": "externally studentised, scatter within prints, worst of all coupons (Bonferroni)",
    "one print off": "externally studentised residual, worst of all prints (Bonferroni)",
    "one load off": "an effect of that load alone, worst of all loads (Bonferroni)",
    "one load's prints": "the load left out, its mean aside, worst of all loads (Bonferroni)",
    "normal scatter": "Shapiro and Francia, within loads, against drawn normal errors",
    "scatter and mean": "score test of Cook and Weisberg, within loads, against drawn normal errors",
    "coupon scatter and mean": "variances of coupons within prints, against drawn normal coupons",
    "scatter of printers": "likelihood of one with a variance of its own, within loads, against drawn normal errors",
    "scatter of loads": "likelihood of one with a variance of its own, within loads, against drawn normal errors",
    "drift": "slope over the run order beside the model, Kenward-Roger",
}
_POINTS_AT = ("one coupon off", "one print off", "one load off", "one load's prints")
_FROM = {
    "one coupon off": "the mean of the other coupons of its print",
    "one print off": "what all other prints predict",
    "one load off": "what the other loads predict",
}
"""What the distance of the named coupon, print or load is counted from: not from the fit that has it, as a residual is."""
_SPREADS = ("scatter of printers", "scatter of loads")


def check_of_fit_rows(found: Diagnostics, response: str, unit: str) -> Table:
    """
    Return the checks of one response's fit: what was asked, what was found, how it was judged.

    Parameters
    ----------
    found : Diagnostics
    response : str
    unit : str
        As people write it; with the declared logarithm, sizes are differences of natural logarithms and have none.
    """
    sized = "" if found.log else unit
    rows = [(_ASKED[check.name], _figures(check, sized), _JUDGED[check.name], _p(check)) for check in found.checks]
    rows += [_powers(found), *_predicted(found), _leverage(found), _alike(found)]
    note = (
        f"p is the chance of as much in a sound fit; below {numbers.exact(ALARM)} it is worth a verdict. Where p is missing the "
        "check is a figure or could not be made. Drawn means: 999 times normal errors of equal size through the same plan."
    )
    return Table(
        f"Checks of the fit of {words(response)}", ("Check", "Found", "Judged how", "p"), tuple(rows), "lllr", note
    )


def print_rows(found: Diagnostics, response: str, unit: str) -> Table:
    """Return every print with what was measured, what the model gives, and how far apart they are."""
    place = numbers.place_of(max((abs(one.residual) for one in found.prints), default=None), 3)
    rows = tuple(
        (
            one.print, numbers.at_place(one.measured, place), numbers.at_place(one.fitted, place),
            numbers.at_place(one.residual, place),
            numbers.MISSING if one.studentised is None else numbers.at_place(one.studentised, -2),
            numbers.at_place(one.leverage, -2),
        )
        for one in found.prints
    )  # fmt: skip
    note = (
        "Fitted is the model's mean at the print's settings on an average load; residual is measured less fitted. Studentised is"
        " another figure: the distance of the print from what all others predict, those of its load included, over its standard"
        " error: beyond about 4 it is out of line. That distance stands in the checks of the fit; the residual differs, since"
        " there the print itself is in the fit. Leverage is how far the print decides its own prediction, 0 not at all, 1 wholly."
    )
    columns = ("Print", "Measured", "Fitted", "Residual", "Studentised", "Leverage")
    size = "natural logarithms" if found.log else unit
    title = f"Prints and their residuals: {words(response)}" + (f", {size}" if size else "")
    return Table(title, columns, rows, "lrrrrr", note)


def load_left_out_rows(found: Diagnostics, response: str, unit: str) -> Table:
    """Return what leaving out each load does to the fit; no rows where loads are not a random component."""
    rows = []
    for one in found.loads:
        if one.moved is None or one.change is None:
            moved = f"none: nothing is known of {', '.join(words(term) for term in one.terms)} without it"
        else:
            moved = f"{words(one.moved)} by {numbers.plain(abs(one.change), 2)} of its standard errors"
        rows.append((one.load, str(one.prints), moved, numbers.plain(one.centre, 2), numbers.p_value(one.p)))
    centre = "Prediction at the centre moves by" + ("" if found.log or not unit else f", {unit}")
    note = "p is of the pattern among the load's prints, its mean aside, for this load alone."
    columns = ("Load left out", "Prints", "Moves most", centre, "p")
    return Table(f"Each load left out: {words(response)}", columns, tuple(rows), "lrlrr", note if rows else "")


def _figures(check: Check, unit: str) -> str:
    if check.statistic is None:
        return f"not checked: {check.reason}"
    dof = ", ".join(numbers.dof(value) for value in check.dof)
    figure = f"{check.kind} {numbers.plain(check.statistic, 3)}" + (f" ({dof} degrees of freedom)" if dof else "")
    size = f"{numbers.plain(check.estimate, 2)} {unit}".strip() if check.estimate is not None else ""
    if check.name in _POINTS_AT:
        lies = f" lies {size} from {_FROM[check.name]}" if size else ""
        figure = f"{', '.join(check.about)}{lies}; {figure}"
    elif check.name in _SPREADS:
        figure = f"most: {check.about[0]}, standard deviation {size}; {figure}"
    elif size:
        figure = f"{size} from the first print to the last; {figure}"
    return figure


def _p(check: Check) -> str:
    return "" if check.p is None else numbers.p_value(check.p)


def _powers(found: Diagnostics) -> tuple[str, str, str, str]:
    powers = found.powers
    what = (
        "not checked: not all print means are above zero, or none differ"
        if powers is None
        else f"{numbers.at_place(powers.best, -1)} ({numbers.level(1 - ALARM)} interval "
        f"{numbers.interval(powers.low, powers.high, -1)})"
    )
    return "Power of the response that fits best", what, "Box and Cox, within loads; 1 as measured, 0 the logarithm", ""


def _predicted(found: Diagnostics) -> list[tuple[str, str, str, str]]:
    predicted = found.predicted
    return [
        (
            f"Predicted R², {what}",
            f"not found: {predicted.reason}" if value is None else numbers.at_place(value, -2),
            f"{how}; 1 is perfect, below 0 is worse than the mean of all prints",
            "",
        )
        for what, value, how in (
            ("a print left out", predicted.by_print, "each print predicted from all others, its load's included"),
            ("a load left out", predicted.by_load, "the prints of each load predicted from the other loads"),
        )
    ]


def _leverage(found: Diagnostics) -> tuple[str, str, str, str]:
    what = ", ".join(found.deciding) or "none"
    return "Prints that decide their own prediction", what, f"leverage {numbers.exact(DECIDES)} or more", ""


def _alike(found: Diagnostics) -> tuple[str, str, str, str]:
    what = "; ".join(", ".join(words(label) for label in one.labels) for one in found.alike) or "none"
    return "Coefficients hardly told apart", what, f"variance inflation {numbers.exact(ALIKE)} or more", ""
