"""Rows about the models of graded or pass-fail responses: log odds, chances at the printed settings, checks."""

from doe.model.results import JudgedFit
from doe.report import numbers
from doe.report.measured import excluded_rows
from doe.report.tables import Table, words

_COVERAGE = (
    "In simulated studies of 30 prints in 6 to 8 loads, 95 % intervals of this kind held the truth in 92 to 98 % of cases,"
    " with standard deviations of loads up to 1.8 logits."
)


def judged_tables(fit: JudgedFit) -> tuple[Table, ...]:
    """Return everything that is shown of the model of one graded or pass-fail response; tables without rows are left out."""
    shown = (judged_columns(fit), judged_chances(fit), judged_facts(fit), excluded_rows(fit))
    return tuple(table for table in shown if table.rows)


def judged_columns(fit: JudgedFit) -> Table:
    """Return the coefficients of a graded or pass-fail response; no rows where there is no model."""
    better = "a better grade" if fit.kind == "graded" else "passing"
    rows = []
    for one in fit.columns:
        place = None if one.low is None or one.high is None else numbers.place_of((one.high - one.low) / 2)
        limits = numbers.interval(one.low, one.high, place)
        rows.append((words(one.label), numbers.at_place(one.estimate, place), limits))
    columns = ("Term", f"Change of the log odds of {better}", f"{numbers.level(fit.level)} interval of the change")
    loads = f" in {fit.loads} drying loads" if fit.loads else ""
    note = (
        f"{fit.method[:1].upper()}{fit.method[1:]}; {fit.values} values from {fit.prints} prints{loads}. An intercept is"
        " the log odds itself where all else is 0. Factors are coded −1 at the low and +1 at the high end of their range."
        f" Each interval holds for one coefficient, not for all at once. {_COVERAGE}"
    )
    return Table(f"Coefficients of {words(fit.response)}, log odds", columns, tuple(rows), "lrr", note)


def judged_chances(fit: JudgedFit) -> Table:
    """Return, per setting that was printed, the chance of meeting the requirement; no rows where there is no model."""
    rows = tuple(
        (
            words(one.setting), f"{one.meets} of {one.values}", str(one.failed), numbers.percent(one.chance),
            f"{numbers.percent_bound(one.low)} to {numbers.percent(one.high)}",
        )
        for one in fit.settings if fit.columns
    )
    columns = (
        "Setting", "Seen to meet it", "Failed prints", "Chance, load taken at random",
        f"{numbers.level(fit.level)} confidence interval of the chance",
    )
    note = (
        f"Chance that a {fit.unit} on a load taken at random meets the requirement ({fit.requirement}), given that the print"
        " completes; average over printers and rounds. Each interval holds for one setting, not for all at once."
        f" {_COVERAGE}"
    )
    return Table(f"Chance of meeting the requirement: {words(fit.response)}", columns, rows, "lrrrr", note)


def judged_facts(fit: JudgedFit) -> Table:
    """Return how much loads differ, whether effects are equal at every grade, and how many prints have no value."""
    rows = [("prints that were judged", str(fit.prints)), ("failed prints, whose values do not count", str(fit.failed))]
    if fit.load_sd is not None:
        rows.append(("standard deviation of loads, log odds", numbers.plain(fit.load_sd, 2)))
    test = fit.proportionality
    if test is not None:
        figures = f"chi-square {numbers.plain(test['statistic'], 3)} with {numbers.dof(test['dof'])} degrees of freedom"
        found = f"{figures}, p {numbers.p_value(test['p'])}; takes prints as independent"
        rows.append(("test of equal effects at every grade", found))
    elif fit.kind == "graded":
        rows.append(("test of equal effects at every grade", f"none: {fit.untested}"))
    return Table(f"Model of {words(fit.response)}", ("Fact", "Value"), tuple(rows), "ll")
