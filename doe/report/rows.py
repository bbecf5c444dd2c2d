"""Rows: from any result to a table of texts. The terminal and the report show the same ones, so they cannot disagree.

Names of factors and responses are written as words (``drying time`` for ``drying_time``); text that people typed
(titles, levels, notes) is passed on as it is.
"""

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from doe.model.results import Fit, Summary
from doe.recommend.results import Recommendation, Setting
from doe.report import numbers
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
from doe.report.tables import Table, plain_text, unit, words
from doe.verdicts import Verdict

__all__ = [
    "MOST_PRINTERS_ACROSS", "Table", "alias_rows", "amendment_rows", "answer", "check_rows", "completion_rows",
    "condition_rows", "conformance_rows", "correction_rows", "data_summary", "deviation_rows", "factor_rows",
    "failure_rows", "file_digest_rows", "instrument_rows", "load_rows", "plain_text", "plan_facts", "plan_table",
    "printer_promise_table", "printer_table", "promise_table", "requirement_rows", "requirement_words", "setting_table",
    "summary_rows", "verdict_table", "version_rows", "with_unit", "words",
]

MOST_PRINTERS_ACROSS = 5


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
        rows.append((words(one.factor), unit(one.unit), _value(one.value), _range(one), *setpoints))
    printers = (f"Set on {row['printer']}" for row in across)
    columns = ("Factor", "Unit", "Setting (actual)", "Near-optimal, the others held", *printers)
    starred = any(cell.endswith("*") for row in rows for cell in row[4:])
    note = _UNCHECKED if starred else ""
    return Table("Recommended setting", columns, tuple(rows), "llrr" + "r" * len(across), note)


_UNCHECKED = "* No reference probe has checked this factor on this printer: the setpoint is the setting itself."


def printer_table(recommendation: Recommendation) -> Table:
    """Return the setpoints, one row a printer and factor, for any number of printers."""
    rows = tuple(
        (str(row["printer"]), words(one.factor), unit(one.unit), _setpoint(row, one.factor))
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
        name = words(one.response) + (f", {unit(one.unit)}" if one.unit else "")
        limits = (numbers.interval(*one.mean_interval, place), numbers.interval(*one.prediction_interval, place))
        rows.append((name, numbers.at_place(one.mean, place), *limits, one.requirement, one.meets))
    level = numbers.level(confidence)
    columns = (
        "Response", "Predicted mean", f"{level} confidence interval of the mean",
        f"{level} prediction interval, new print on a new load", "Requirement", "Mean meets it",
    )
    note = (
        "Each interval holds for one response, not for all at once. That of the mean is wider than for a setting named"
        " beforehand, since this one was chosen by its predictions."
    )
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
            head = (words(one.response), unit(one.unit), str(row["printer"]))
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
