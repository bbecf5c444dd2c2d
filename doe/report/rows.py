"""Rows: from any result to a table of texts. The terminal and the report show the same ones, so they cannot disagree.

Names of factors and responses are written as words (``drying time`` for ``drying_time``); text that people typed
(titles, levels, notes) is passed on as it is.
"""

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from doe.model.results import Fit, Summary
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
from doe.verdicts import Verdict, ordered

__all__ = [
    "Table", "alias_rows", "amendment_rows", "check_rows", "completion_rows", "condition_rows", "correction_rows",
    "data_summary", "deviation_rows", "factor_rows", "failure_rows", "file_digest_rows", "instrument_rows", "load_rows",
    "plain_text", "plan_facts", "plan_table", "requirement_rows", "requirement_words", "summary_rows", "verdict_table",
    "version_rows", "with_unit", "words",
]



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
    """Return what the data cannot support, each with its cause and the next step, the gravest first."""
    rows = tuple((one.name, words(one.about) or "the study", one.cause, one.next_step) for one in ordered(verdicts))
    return Table("Verdicts", ("Verdict", "About", "Cause", "Next step"), rows, "llll")


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
