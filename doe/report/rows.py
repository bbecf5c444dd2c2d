"""Rows: from any result to a table of texts. The terminal and the report show the same ones, so they cannot disagree.

Names of factors and responses are written as words (``drying time`` for ``drying_time``); text that people typed
(titles, levels, notes) is passed on as it is.
"""

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from doe.model.results import Component, Fit, JudgedFit, ResponseFit, Summary
from doe.recommend.results import Recommendation, Setting
from doe.report import numbers
from doe.report.judged import judged_chances, judged_columns, judged_facts
from doe.report.protocol import (
    alias_rows,
    check_rows,
    condition_rows,
    correction_rows,
    data_summary,
    deviation_rows,
    factor_rows,
    instrument_rows,
    load_rows,
    plan_facts,
    plan_table,
    requirement_rows,
    requirement_words,
    with_unit,
)
from doe.report.tables import Table, plain_text, words
from doe.verdicts import Verdict

__all__ = [
    "MOST_PRINTERS_ACROSS", "Table", "alias_rows", "amendment_rows", "answer", "check_rows", "coefficient_table",
    "completion_rows", "component_table", "condition_rows", "conformance_rows", "correction_rows", "data_summary",
    "deviation_rows", "excluded_rows", "factor_rows", "failure_rows", "file_digest_rows", "instrument_rows",
    "judged_chances", "judged_columns", "judged_facts", "lack_of_fit_rows", "load_rows", "plain_text", "plan_facts",
    "plan_table", "printer_promise_table", "printer_table", "promise_table", "requirement_rows", "requirement_words",
    "setting_table", "shape_rows", "summary_rows", "verdict_table", "version_rows", "with_unit", "words",
]

MOST_PRINTERS_ACROSS = 5
_UNITS = {"degC": "°C"}


# The model of one response; ``log`` says that the declared transform is the logarithm


def coefficient_table(fit: ResponseFit, log: bool = False) -> Table:
    """Return every coefficient of the model with its interval and the stratum that judges it."""
    rows = []
    for one in fit.coefficients:
        place = numbers.place_of(one.se)
        estimate, error = numbers.at_place(one.estimate, place), numbers.at_place(one.se, place)
        limits, freedom = numbers.interval(one.low, one.high, place), numbers.dof(one.dof)
        rows.append((words(one.label), estimate, error, limits, freedom, numbers.p_value(one.p_value), one.changes))
    columns = (
        "Term", "Estimate", "Standard error", f"{numbers.level(fit.level)} confidence interval of the coefficient",
        "Error degrees of freedom", "p", "Changes per",
    )
    loads = f" in {fit.loads} drying loads" if fit.loads else ""
    note = (
        f"{fit.method[:1].upper()}{fit.method[1:]}; {fit.values} values from {fit.prints} prints{loads}. Factors are coded −1"
        " at the low and +1 at the high end of their range. Each interval holds for one coefficient, not for all at once."
    )
    return Table(f"Coefficients of {_of(fit, log)}", columns, tuple(rows), "lrrrrrl", note)


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
    unit = "" if log else _unit(fit.unit)
    rows: list[tuple[str, str]] = []
    if fit.curvature is not None:
        value, error = numbers.with_uncertainty(fit.curvature["estimate"], fit.curvature["se"])
        judged = f"standard error {error}, p {numbers.p_value(fit.curvature['p'])}"
        rows.append(("centre minus corners", f"{value} {unit}".rstrip() + f" ({judged})"))
    if fit.stationary is not None:
        found: Mapping[str, Any] = fit.stationary
        place = ", ".join(f"{words(name)} {numbers.plain(value)}" for name, value in found["point"].items())
        beyond = ", outside of the ranges that were tried" if max(map(abs, found["coded"])) > 1 else ""
        rows += [
            ("stationary point", f"{found['nature']}, {numbers.plain(found['value'])} {unit}".rstrip() + beyond),
            ("its setting", place),
            ("eigenvalues, coded units", ", ".join(numbers.plain(value, 3) for value in found["eigenvalues"])),
        ]
    return Table(f"Shape of {_of(fit, log)}", ("Fact", "Value"), tuple(rows), "ll")


def _of(fit: ResponseFit, log: bool) -> str:
    """Return the name of a response with the unit that its coefficients have."""
    unit = _unit(fit.unit)
    if log:
        return f"{words(fit.response)}, natural logarithm" + (f" of {unit}" if unit else "")
    return f"{words(fit.response)}, {unit}" if unit else words(fit.response)


def excluded_rows(fit: ResponseFit | JudgedFit) -> Table:
    """Return every value that did not enter the model, by reason."""
    reasons = dict.fromkeys(reason for _, reason in fit.excluded)
    found = {reason: [item for item, why in fit.excluded if why == reason] for reason in reasons}
    rows = tuple((reason, str(len(items)), ", ".join(items)) for reason, items in found.items())
    return Table(f"Not in the model of {words(fit.response)}", ("Why", "Values", "Print or coupon"), rows, "lrl")


# Graded and pass-fail responses, and how the prints ended


def summary_rows(fit: Fit) -> tuple[Table, ...]:
    """Return one table per graded or pass-fail response: what was seen at each setting."""
    return tuple(_summary(summary) for summary in fit.summaries)


def _summary(summary: Summary) -> Table:
    grade = "× grade " if summary.kind == "graded" else ""
    rows = []
    for row in summary.rows:
        counts: Mapping[str, int] = row["counts"]  # type: ignore[assignment]
        seen = ", ".join(f"{count} {grade}{value}" for value, count in counts.items())
        rows.append((words(str(row["setting"])), seen, f"{row['meets']} of {row['values']}"))
    title = f"Seen at each setting: {words(summary.response)}"
    return Table(title, ("Setting", "Seen", "Meets the requirement"), tuple(rows), "lll")


def completion_rows(fit: Fit) -> Table:
    """Return how the prints ended, per outcome."""
    rows = tuple((outcome or "not recorded", str(count)) for outcome, count in fit.completion.outcomes.items())
    return Table("How the prints ended", ("Outcome", "Prints"), rows, "lr")


def failure_rows(fit: Fit) -> Table:
    """Return every print that failed, with its setting: failures tell about the factors."""
    keys = ("print", "printer", "load", "outcome", "setting")
    rows = tuple(tuple(words(str(row[key])) for key in keys) for row in fit.completion.failures)
    return Table("Failed prints", ("Print", "Printer", "Load", "Outcome", "Setting"), rows, "lllll")


# The answer


def verdict_table(verdicts: Sequence[Verdict]) -> Table:
    """Return what the data cannot support, each with its cause and the next step."""
    rows = tuple((one.name, words(one.about) or "the study", one.cause, one.next_step) for one in verdicts)
    return Table("Verdicts", ("Verdict", "About", "Cause", "Next step"), rows, "llll")


def setting_table(recommendation: Recommendation) -> Table:
    """Return the recommended setting, and with up to five printers what to set on each."""
    across = recommendation.printers if len(recommendation.printers) <= MOST_PRINTERS_ACROSS else ()
    rows = []
    for one in recommendation.settings:
        setpoints = (_setpoint(row, one.factor) for row in across)
        rows.append((words(one.factor), _unit(one.unit), _value(one.value), _range(one), *setpoints))
    printers = (f"Set on {row['printer']}" for row in across)
    columns = ("Factor", "Unit", "Setting (actual)", "Near-optimal, the others held", *printers)
    starred = any(cell.endswith("*") for row in rows for cell in row[4:])
    note = _UNCHECKED if starred else ""
    return Table("Recommended setting", columns, tuple(rows), "llrr" + "r" * len(across), note)


_UNCHECKED = "* No reference probe has checked this factor on this printer: the setpoint is the setting itself."


def printer_table(recommendation: Recommendation) -> Table:
    """Return the setpoints, one row a printer and factor, for any number of printers."""
    rows = tuple(
        (str(row["printer"]), words(one.factor), _unit(one.unit), _setpoint(row, one.factor))
        for row in recommendation.printers for one in recommendation.settings
    )
    starred = any(row[3].endswith("*") for row in rows)
    note = _UNCHECKED if starred else ""
    return Table("Setpoints per printer", ("Printer", "Factor", "Unit", "Setpoint"), rows, "lllr", note)


def _setpoint(row: Mapping[str, Any], factor: str) -> str:
    value = row["setpoints"].get(factor)
    mark = "" if isinstance(value, str) or value is None or factor in row["checked"] else "*"
    return _value(value) + mark


def _range(setting: Setting) -> str:
    if isinstance(setting.value, str):
        return ", ".join(str(level) for level in setting.interval)
    low, high = setting.interval
    return f"{_value(low)} to {_value(high)}"


def _value(value: Any) -> str:  # noqa: ANN401 - number or level
    return value if isinstance(value, str) else numbers.setting(value)


def promise_table(recommendation: Recommendation, confidence: float) -> Table:
    """
    Return what each measured response is predicted to be at the setting.

    Parameters
    ----------
    recommendation : Recommendation
        Its responses are shown in their own order.
    confidence : float
        The study's level, which both intervals have.
    """
    rows = []
    for one in recommendation.responses:
        place = numbers.place_of((one.mean_interval[1] - one.mean_interval[0]) / 2)
        name = words(one.response) + (f", {_unit(one.unit)}" if one.unit else "")
        limits = (numbers.interval(*one.mean_interval, place), numbers.interval(*one.prediction_interval, place))
        rows.append((name, numbers.at_place(one.mean, place), *limits, one.requirement, one.meets))
    level = numbers.level(confidence)
    columns = (
        "Response", "Predicted mean", f"{level} confidence interval of the mean",
        f"{level} prediction interval, new print on a new load", "Requirement", "Mean meets it",
    )
    note = "Each interval holds for one response, not for all at once."
    if any(one.meets == "not shown" for one in recommendation.responses):
        note += " Not shown: the interval of the mean lies on both sides of the limit."
    return Table("Predictions at the setting", columns, tuple(rows), "lrrrll", note if rows else "")


def printer_promise_table(recommendation: Recommendation, confidence: float) -> Table:
    """Return the predicted means printer by printer; empty where there is one printer or none."""
    rows = []
    for one in recommendation.responses:
        for row in one.by_printer:
            low, high = (float(limit) for limit in row["mean_interval"])  # type: ignore[attr-defined]
            place = numbers.place_of((high - low) / 2)
            mean = numbers.at_place(float(row["mean"]), place)  # type: ignore[arg-type]
            head = (words(one.response), _unit(one.unit), str(row["printer"]))
            rows.append((*head, mean, numbers.interval(low, high, place)))
    heading = f"{numbers.level(confidence)} confidence interval of the mean"
    columns = ("Response", "Unit", "Printer", "Predicted mean", heading)
    return Table("Predictions per printer", columns, tuple(rows), "lllrr")


def conformance_rows(recommendation: Recommendation) -> Table:
    """Return the share of future prints that meet the requirements, with what it stands for."""
    rows: list[tuple[str, str]] = []
    share = recommendation.conformance
    if share is not None:
        rows = [
            ("estimate", numbers.percent(share.estimate)),
            (f"lower bound, one-sided {numbers.level(share.level)}", numbers.percent_bound(share.lower)),
            ("required", numbers.level(share.required)),
            *((f"{words(name)} alone", numbers.percent(value)) for name, value in share.by_response.items()),
            ("what it is", share.method),
        ]
    if recommendation.not_modelled:
        rows.append(("not part of it", ", ".join(words(name) for name in recommendation.not_modelled)))
    return Table("Conformance", ("Fact", "Value"), tuple(rows), "ll")


def answer(recommendation: Recommendation) -> str:
    """Return what may be expected of the setting, in plain words."""
    share = recommendation.conformance
    if share is None:
        return "No measured response has a requirement, so no share of conforming prints is stated."
    if share.lower >= share.required:
        judged = "These data show it, for the printers, lots and ovens of this study."
    elif share.estimate >= share.required:
        judged = "The estimate reaches it, the bound does not: it is not shown by these data."
    else:
        judged = "The estimate itself stays below it: the setting does not do."
    bound = f"with {numbers.level(share.level)} confidence at least {numbers.percent_bound(share.lower)} do"
    return (
        f"Of future prints on new drying loads that complete, an estimated {numbers.percent(share.estimate)} meet every"
        f" measured requirement; {bound}. The study asks for {numbers.level(share.required)}. {judged}"
    )


# Where it comes from


def amendment_rows(log: Iterable[Mapping[str, Any]]) -> Table:
    """
    Return what was changed in the protocol after it was locked.

    Parameters
    ----------
    log : iterable of mapping
        Lines of the log; those whose ``detail`` holds ``changes`` (each with ``key``, ``before``, ``after``) are shown.
    """
    rows = []
    for line in log:
        detail = line.get("detail", {})
        for number, change in enumerate(detail.get("changes", ())):
            head = (str(line["time"]), str(detail.get("reason", ""))) if number == 0 else ("", "")
            rows.append((*head, str(change["key"]), _json(change["before"]), _json(change["after"])))
    return Table("Amendments", ("When", "Reason", "Key", "Before", "After"), tuple(rows), "lllll")


def _json(value: Any) -> str:  # noqa: ANN401 - any JSON value
    return "absent" if value is None else value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)


def file_digest_rows(digests: Mapping[str, str]) -> Table:
    """Return the SHA-256 of every file that the report rests on."""
    return Table("Files", ("File", "SHA-256"), tuple(digests.items()), "ll")


def version_rows(versions: Mapping[str, str]) -> Table:
    """Return the software that made the report."""
    return Table("Software", ("Part", "Version"), tuple(versions.items()), "ll")


def _unit(unit: str) -> str:
    return _UNITS.get(unit, unit)
