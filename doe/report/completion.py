"""Rows about completion: how many prints completed at each setting, with the chance that a new one does."""

from doe.model.completing import OVERALL, Chance
from doe.model.completion import CompletionFit, CompletionSetting
from doe.recommend.results import predicted, predicted_bound
from doe.report import numbers
from doe.report.tables import Table, words

_COVERAGE = (
    "In simulated studies of 5 to 12 loads, with 3 to 30 % of the prints failed, intervals of this kind held the truth in 99 % of"
    " cases on average."
)


def completion_tables(fit: CompletionFit) -> tuple[Table, ...]:
    """Return everything that is shown of whether prints complete; tables without rows are left out."""
    shown = (completion_facts(fit), completion_chances(fit), completion_columns(fit))
    return tuple(table for table in shown if table.rows)


def completion_facts(fit: CompletionFit) -> Table:
    """Return the counts over all prints, what was fitted and why, and how alike prints of a load and coupons of a print are."""
    rows = [
        ("prints that were tried", str(fit.prints)),
        ("completed with every coupon", f"{fit.whole} of {fit.prints}"),
        ("coupons that were printed", f"{fit.completed} of {fit.coupons}"),
        ("model", fit.method),
        ("why this much", words(fit.reason)),
    ]
    if fit.overall is not None:
        at_least = predicted_bound(fit.overall.lower)
        rows.append(("chance to complete, average over the printed settings", predicted(fit.overall.chance)))
        rows.append((f"the same, at least ({numbers.level(fit.level)} confidence)", at_least))
    if fit.load_sd is not None:
        rows.append(("standard deviation of loads, log odds", numbers.plain(fit.load_sd, 2)))
    if fit.likeness is not None:
        rows.append(("correlation of coupons of one print", numbers.plain(fit.likeness, 2)))
    note = (
        "Prints that were lost or skipped, and pilot prints, do not count. The average says nothing of a single"
        " setting. Where no print failed, its bound allows for drying loads by what is assumed of how much they differ."
    )
    return Table("Completion of prints", ("Fact", "Value"), tuple(rows), "ll", note)


def completion_columns(fit: CompletionFit) -> Table:
    """Return the coefficients; no rows where there is no model."""
    rows = []
    for one in fit.columns:
        place = None if one.low is None or one.high is None else numbers.place_of((one.high - one.low) / 2)
        rows.append((words(one.label), numbers.at_place(one.estimate, place), numbers.interval(one.low, one.high, place)))
    columns = ("Term", "Change of the log odds of completing", f"{numbers.level(fit.level)} interval of the change")
    note = (
        "Factors are coded −1 at the low and +1 at the high end of their range. Each interval holds for one coefficient, not for"
        f" all at once. {_COVERAGE}"
    )
    return Table("Coefficients of completion, log odds", columns, tuple(rows), "lrr", note)


def completion_chances(fit: CompletionFit) -> Table:
    """Return, per printed setting, what completed and the chance that a coupon of a new print does: once where it is pooled."""
    pooled = fit.overall if fit.method == OVERALL else None
    together = f"{fit.whole} of {fit.prints}", f"{fit.completed} of {fit.coupons}"
    rows = [] if pooled is None or not fit.settings else [("all settings, not told apart", *together, *_chance(pooled))]
    rows += [
        (
            words(one.setting), f"{one.whole} of {one.prints}", f"{one.completed} of {one.coupons}",
            *(("", "", "") if pooled is not None else _chance(one)),
        )
        for one in fit.settings
    ]
    level = numbers.level(fit.level)
    columns = (
        "Setting", "Prints completed", "Coupons printed", "Chance, load taken at random",
        f"{level} confidence interval of the chance", f"At least, {level} confidence",
    )
    same = (
        " No model of the settings is fitted: there is one chance, from all prints together, and none for a single setting, where"
        " it may be much lower."
    )
    note = (
        f"Chance that a coupon of a new print is printed ({fit.method}); average over printers and rounds."
        f"{same if pooled is not None else ' Each interval holds for one setting, not for all at once.'} {_COVERAGE}"
    )
    return Table("Chance to complete at each setting", columns, tuple(rows), "lrrrrr", note)


def _chance(one: Chance | CompletionSetting) -> tuple[str, str, str]:
    """Return a chance with its interval and its bound."""
    return predicted(one.chance), f"{predicted_bound(one.low)} to {predicted(one.high)}", predicted_bound(one.lower)
