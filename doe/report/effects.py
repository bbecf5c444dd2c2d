"""Rows about whole terms or factors: joint tests, sums of squares by stratum, printers that act differently."""

from collections.abc import Sequence

from doe.model.effects import Effects, JointTest, StratumRow
from doe.model.printers import PrinterEffects, SlopeDifference
from doe.report import numbers
from doe.report.tables import Table, words

_TEST_COLUMNS = ("Coefficients", "F", "Error degrees of freedom", "p")


def effect_table(found: Effects) -> Table:
    """Return the tests of whole factors, then those of terms with several coefficients, in words."""
    rows = [(f"{words(test.name)}, in any term", *_tested(test), _in_words(test)) for test in found.factors]
    rows += [(words(test.name), *_tested(test), _in_words(test)) for test in found.terms]
    note = (
        "Each row asks whether all coefficients named are zero (Kenward-Roger F of the fit). A factor in any term: does it"
        " matter at all, by itself, in a square or together with others? A term with several coefficients holds at the centre of"
        " the other factors, averaged over levels; the plan's power was computed for a factor's own coefficients. Each p holds"
        " for its row alone: of twenty rows without any effect, one is below 0.05 on average."
    )
    columns = ("What", *_TEST_COLUMNS, "In words")
    return Table(f"Whole factors and terms of {words(found.response)}", columns, tuple(rows), "lrrrrl", note)


def _tested(test: JointTest) -> tuple[str, str, str, str]:
    if test.reason:
        return str(test.ndf), numbers.MISSING, numbers.MISSING, numbers.MISSING
    return str(test.ndf), numbers.plain(test.f, 3), numbers.dof(test.ddf), numbers.p_value(test.p)


def _in_words(test: JointTest) -> str:
    if test.p is None:
        return f"not tested: {test.reason}"
    if test.p < 0.01:
        return "an effect shows clearly"
    return "an effect shows" if test.p < 0.05 else "no effect told from scatter by these prints"


def strata_rows(response: str, found: Sequence[StratumRow]) -> Table:
    """Return the sums of squares by stratum; no rows where some values are only limits."""
    rows = tuple(
        (
            row.stratum, words(row.source), str(row.dof), numbers.plain(row.ss),
            "" if row.source == "total" else numbers.plain(row.ms), "" if row.f is None else numbers.plain(row.f, 3),
            "" if row.p is None else numbers.p_value(row.p), row.reason,
        )
        for row in found
    )
    columns = ("Where it varies", "Source", "Degrees of freedom", "Sum of squares", "Mean square", "F", "p", "Why no F")
    note = (
        "Every single value counts the same, and the rows add up to the total. Within a stratum each row takes what it explains"
        " beyond the rows above it, in the declared order of the terms; a term that varies between and within loads is in both"
        " strata. F compares with the error of the same stratum and is given only where that is exact;"
        " elsewhere the Kenward-Roger F of the whole term, or the p of its single coefficient, is the test."
    )
    return Table(f"Sums of squares of {words(response)}", columns, rows, "llrrrrrl", note if rows else _limits())


def _limits() -> str:
    return "Some values are only limits, which have no sum of squares."


def printer_test_table(found: PrinterEffects) -> Table:
    """Return, per factor, whether it acts differently on the printers; no rows where nothing could be tested."""
    title = f"Do the printers respond alike? {words(found.response)}"
    columns = ("Factor", *_TEST_COLUMNS, "p, allowing for all factors", "In words")
    if found.reason and all(one.adjusted_p is None for one in found.factors):
        return Table(title, columns, (), "lrrrrrl", f"Not tested: {found.reason}.")
    rows = [
        (words(one.factor), *_tested(one.test), numbers.p_value(one.adjusted_p), _alike(one.test, one.adjusted_p))
        for one in found.factors
    ]
    if found.together is not None:
        rows.append(("all factors together", *_tested(found.together), "", _alike(found.together, found.together.p)))
    left_out = f" Left out, since the prints cannot tell them apart: {words(', '.join(found.dropped))}." if found.dropped else ""
    spools = (
        " Several prints of one load share a printer; where each load gave each printer a spool of its own, a difference may"
        " as well be the spools."
        if found.spools else ""
    )
    note = (
        "Linear effect of each factor, printer against printer (Kenward-Roger F): one factor at a time, beside those that were"
        f" found to differ; all together in one model where it leaves enough error. No difference told is not the same as"
        f" printers that act alike: the intervals of the effects by printer say how much may be left.{left_out}{spools}"
    )
    return Table(title, columns, tuple(rows), "lrrrrrl", note)


def _alike(test: JointTest, p: float | None) -> str:
    if p is None:
        return f"not tested: {test.reason}"
    return "differs between printers" if p < 0.05 else "no difference told by these prints"


def printer_difference_table(found: PrinterEffects) -> Table:
    """Return how much each factor's effect on each printer differs from the average of the printers."""
    rows = tuple(_difference(one) for one in found.differences)
    size = "logarithm of the response" if found.log else found.unit or "response"
    columns = (
        "Factor", "Change", "Printer", f"More than the average of the printers, {size}",
        f"{numbers.level(found.level)} confidence interval",
    )
    note = "Each interval holds for one difference, not for all at once." if rows else ""
    return Table(f"Effects by printer of {words(found.response)}", columns, rows, "lllrr", note)


def _difference(one: SlopeDifference) -> tuple[str, ...]:
    place = numbers.place_of((one.high - one.low) / 2)
    change = one.change if one.change == "low to high" else f"{one.change} against the average of the levels"
    limits = numbers.interval(one.low, one.high, place)
    return words(one.factor), change, one.printer, numbers.at_place(one.estimate, place), limits
