"""Every revision of a report: when, of what state of the study, what changed before it with the reason, all from the log."""

import itertools
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from doe.report.inputs import Issued
from doe.report.tables import Table

_DIGITS = 16
_UNKNOWN = "not on record"
_NOTE = (
    f"The first {_DIGITS} digits of each digest; the report that it belongs to prints all of them. Prepared: when the last line"
    " of the log was written that a revision covers. A report that was written twice of one state of the study is one revision."
)


def revision_rows(issued: Sequence[Issued]) -> Table:
    """Return one row a revision, oldest first, with what changed since the one before and the reasons that were given."""
    rows = tuple(
        (
            str(one.number), one.prepared_at, one.study_digest[:_DIGITS] or _UNKNOWN, one.log_head[:_DIGITS],
            changes_words(one.since) if number else "First report",
        )
        for number, one in enumerate(issued)
    )  # fmt: skip
    columns = ("Revision", "Prepared", "Study digest", "Log head", "What changed, and why")
    return Table("Revisions of this report", columns, rows, "rllll", _NOTE)


def changes_words(lines: Sequence[Mapping[str, Any]]) -> str:
    """Say what some lines of the log did, in their order, with the reasons that they hold; what was repeated is said once."""
    said = [text for line in lines for text in _said(str(line["command"]), line.get("detail", {}))]
    text = "; ".join(one for one, _ in itertools.groupby(said))
    return f"{text[:1].upper()}{text[1:]}" if text else "Nothing in the study"


def _said(command: str, detail: Mapping[str, Any]) -> Iterator[str]:
    if command not in ("report", "draft"):
        yield _SAID[command](detail) if command in _SAID else f"doe {command}"


def _amended(detail: Mapping[str, Any]) -> str:
    keys = ", ".join(str(one["key"]) for one in detail.get("changes", ()))
    return f"protocol amended ({keys}): {detail.get('reason', '')}"


def _collected(detail: Mapping[str, Any]) -> str:
    corrected = int(detail.get("corrections", 0))
    more = f" with {corrected} correction{'s' if corrected > 1 else ''} of earlier values" if corrected else ""
    return f"results collected{more}"


def _planned(detail: Mapping[str, Any]) -> str:
    lost = detail.get("reprint", ())
    return f"lost prints planned anew ({', '.join(lost)})" if lost else "prints planned"


def _tried(detail: Mapping[str, Any]) -> str:
    name = f"confirmation {detail.get('number')}"
    if "verdict" in detail:
        return f"{name} judged: {detail['verdict']}"
    override = f" ({detail['override']})" if detail.get("override") else ""
    return f"{name} of recommendation {detail.get('recommendation')} planned{override}"


def _released(detail: Mapping[str, Any]) -> str:
    reason = f" although values or days are in doubt ({detail['reason']})" if detail.get("reason") else ""
    return f"released by {detail.get('by')}{reason}"


_SAID: Mapping[str, Callable[[Mapping[str, Any]], str]] = {
    "plan": _planned,
    "sheet": lambda detail: f"workbook of round {detail.get('round')} written",
    "demo": lambda _: "simulated results written",
    "collect": _collected,
    "amend": _amended,
    "fit": lambda detail: "another model fitted, exploratory" if detail.get("exploratory") else "fitted",
    "recommend": lambda detail: f"recommendation {detail.get('number')}",
    "extend": lambda detail: f"round {detail.get('round')} planned ({str(detail.get('kind')).replace('-', ' ')})",
    "confirm": _tried,
    "release": _released,
}
