"""Rows about the model of one measured response; ``log`` says that the declared transform is the logarithm."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from doe.model.coefficients import Component
from doe.model.inference import POSTERIOR, PRIOR_SCALE
from doe.model.results import JudgedFit, ResponseFit
from doe.report import numbers
from doe.report.choice import choice_rows, importance_rows
from doe.report.covariates import checks_table, effects_table
from doe.report.diagnostics import check_of_fit_rows, load_left_out_rows
from doe.report.effects import effect_table, printer_difference_table, printer_test_table, strata_rows
from doe.report.tables import Table, unit, words
from doe.report.values import limit_rows, sensitivity_table
from doe.study.names import identifiers


def short_tables(fit: ResponseFit, log: bool = False) -> tuple[Table, ...]:
    """Return what a first look at one measured response needs; its verdicts say what else to look at."""
    shown = (
        coefficient_table(fit, log), component_table(fit, log), *_of_measured(fit, lack_of_fit_rows(fit)), excluded_rows(fit),
    )
    return tuple(table for table in shown if table.rows or table.note)


def measured_tables(fit: ResponseFit, log: bool = False) -> tuple[Table, ...]:
    """Return everything that is shown of one measured response, in its order; tables without rows are left out."""
    shown = (
        coefficient_table(fit, log), *_effects(fit), component_table(fit, log), *_of_measured(fit, *_printers(fit)),
        *_covariates(fit), *_of_measured(fit, lack_of_fit_rows(fit), *_checks(fit), *_choice(fit)), shape_rows(fit, log),
        limit_rows(fit), sensitivity_table(fit), excluded_rows(fit),
    )
    return tuple(table for table in shown if table.rows or table.note)


def sensitivity_tables(fit: ResponseFit) -> tuple[Table, ...]:
    """Return the smaller models beside the declared one, and the fit without values in doubt; no empty tables."""
    shown = (*_of_measured(fit, *_choice(fit)), sensitivity_table(fit))
    return tuple(table for table in shown if table.rows)


def _of_measured(fit: ResponseFit, *tables: Table) -> tuple[Table, ...]:
    """Return tables that look at the measured values alone, which their notes say where some values are only limits."""
    if fit.limits is None or not fit.limits.used:
        return tables
    said = "From the measured values alone: values that are only limits do not enter here, as they do in the coefficients."
    return tuple(replace(one, note=f"{one.note} {said}".lstrip()) for one in tables)


def _effects(fit: ResponseFit) -> tuple[Table, ...]:
    if fit.effects is None:
        return ()
    return effect_table(fit.effects), *_of_measured(fit, strata_rows(fit.response, fit.strata))


def _printers(fit: ResponseFit) -> tuple[Table, ...]:
    return () if fit.printers is None else (printer_test_table(fit.printers), printer_difference_table(fit.printers))


def _checks(fit: ResponseFit) -> tuple[Table, ...]:
    if fit.diagnostics is None:
        return ()
    of = unit(fit.unit)
    return check_of_fit_rows(fit.diagnostics, fit.response, of), load_left_out_rows(fit.diagnostics, fit.response, of)


def _choice(fit: ResponseFit) -> tuple[Table, ...]:
    return () if fit.choice is None else (choice_rows(fit.choice), importance_rows(fit.choice))


def _covariates(fit: ResponseFit) -> tuple[Table, ...]:
    return () if fit.covariates is None else (effects_table(fit.covariates), checks_table(fit.covariates))


def coefficient_table(fit: ResponseFit, log: bool = False) -> Table:
    """Return every coefficient of the model with its interval and the stratum that judges it."""
    rows = []
    for one in fit.coefficients:
        place = numbers.place_of(one.se)
        estimate, error = numbers.at_place(one.estimate, place), numbers.at_place(one.se, place)
        limits, freedom = numbers.interval(one.low, one.high, place), numbers.dof(one.dof)
        limits += "†" if one.basis == POSTERIOR else ""
        rows.append((words(one.label), estimate, error, limits, freedom, numbers.p_value(one.p_value), one.changes))
    columns = (
        "Term", "Estimate", "Standard error", f"{numbers.level(fit.level)} confidence interval of the coefficient",
        "Error degrees of freedom", "p", "Changes per",
    )
    loads = f" in {fit.loads} drying loads" if fit.loads else ""
    note = (
        f"{fit.method[:1].upper()}{fit.method[1:]}; {fit.values} values{_limits_of(fit)} from {fit.prints} prints{loads}. Factors"
        " are coded −1 at the low and +1 at the high end of their range. Each interval holds for one coefficient, not for all at"
        " once."
    )
    note += _BY_POSTERIOR if any(one.basis == POSTERIOR for one in fit.coefficients) else ""
    return Table(f"Coefficients of {_of(fit, log)}", columns, tuple(rows), "lrrrrrl", note)


_BY_POSTERIOR = (
    " † With two or fewer error degrees of freedom for loads the interval is that of a posterior distribution, which rests on a"
    f" half-Cauchy prior of scale {PRIOR_SCALE:g} on the ratio of the loads' standard deviation to that of prints; standard"
    " error, degrees of freedom and p are those of Kenward and Roger."
)


def _limits_of(fit: ResponseFit) -> str:
    """Return how many of the values are only limits, in words; nothing where none is."""
    if fit.limits is None or not fit.limits.used:
        return ""
    return f" (of which {fit.limits.at_least + fit.limits.at_most} are only limits)"


def component_table(fit: ResponseFit, log: bool = False) -> Table:
    """Return the variance components: how much loads, prints and coupons vary at one setting."""
    remarks = any(part.at_zero for part in fit.components)
    rows = []
    for part in fit.components:
        spread = max(part.variance, 0.0) ** 0.5
        size = (str(part.groups), numbers.plain(part.variance, 3), numbers.plain(spread, 3), numbers.dof(part.dof))
        rows.append((part.name, *size, *((_resolved(part),) if remarks else ())))
    columns = ("Source", "Groups", "Variance", "Standard deviation", "Error degrees of freedom")
    title = f"Variance components of {_of(fit, log)}"
    return Table(title, (*columns, "Remark") if remarks else columns, tuple(rows), "lrrrrl" if remarks else "lrrrr")


def _resolved(part: Component) -> str:
    if not part.at_zero:
        return ""
    limit = ""
    if part.upper_ratio is not None:
        limit = f"; it may be up to {numbers.plain(part.upper_ratio, 2)} times the residual variance (95 % limit)"
    return f"not resolvable with {numbers.dof(part.dof)} degrees of freedom{limit}"


def lack_of_fit_rows(fit: ResponseFit) -> Table:
    """Return the test of the declared model against the replicates, on print means."""
    title = f"Lack of fit of {words(fit.response)}"
    columns = ("Source", "Degrees of freedom", "Sum of squares", "Mean square", "F", "p")
    test = fit.lack_of_fit
    if test is None:
        untested = "It cannot be tested: the plan leaves no replicates, or no degree of freedom beyond the model."
        return Table(title, columns, (), "lrrrrr", untested)
    judged = (numbers.plain(test["f"], 3), numbers.p_value(test["p"]))
    rows = (
        ("lack of fit", *_squares(test["df_lof"], test["ss_lof"]), *judged),
        ("pure error", *_squares(test["df_pe"], test["ss_pe"]), "", ""),
    )
    return Table(title, columns, rows, "lrrrrr", "On print means, within drying loads where there are loads.")


def _squares(freedom: float, total: float) -> tuple[str, str, str]:
    return numbers.dof(freedom), numbers.plain(total), numbers.plain(total / freedom if freedom else None)


def shape_rows(fit: ResponseFit, log: bool = False) -> Table:
    """Return what the surface does: curvature from centre prints, and the stationary point of a quadratic model."""
    of = "" if log else unit(fit.unit)
    rows: list[tuple[str, str]] = []
    if fit.curvature is not None:
        value, error = numbers.with_uncertainty(fit.curvature["estimate"], fit.curvature["se"])
        judged = f"standard error {error}, p {numbers.p_value(fit.curvature['p'])}"
        rows.append(("centre minus corners", f"{value} {of}".rstrip() + f" ({judged})"))
    if fit.stationary is not None:
        found: Mapping[str, Any] = fit.stationary
        place = ", ".join(f"{words(name)} {numbers.plain(value)}" for name, value in found["point"].items())
        beyond = ", outside of the ranges that were tried" if max(map(abs, found["coded"])) > 1 else ""
        rows += [
            ("stationary point", f"{found['nature']}, {numbers.plain(found['value'])} {of}".rstrip() + beyond),
            ("its setting", place),
            ("eigenvalues, coded units", ", ".join(numbers.plain(value, 3) for value in found["eigenvalues"])),
        ]
    return Table(f"Shape of {_of(fit, log)}", ("Fact", "Value"), tuple(rows), "ll")


def _of(fit: ResponseFit, log: bool) -> str:
    """Return the name of a response with the unit that its coefficients have."""
    of = unit(fit.unit)
    if log:
        return f"{words(fit.response)}, natural logarithm" + (f" of {of}" if of else "")
    return f"{words(fit.response)}, {of}" if of else words(fit.response)


def excluded_rows(fit: ResponseFit | JudgedFit) -> Table:
    """Return every value that did not enter the model, by reason."""
    reasons = dict.fromkeys(reason for _, reason in fit.excluded)
    found = {reason: [item for item, why in fit.excluded if why == reason] for reason in reasons}
    rows = tuple((reason, str(len(items)), identifiers(items)) for reason, items in found.items())
    return Table(f"Not in the model of {words(fit.response)}", ("Why", "Values", "Print or coupon"), rows, "lrl")
