"""Why the plan is as it is: what the log kept of the reason, of the plans beside it, of the rounds that came after."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from doe.report import pieces
from doe.report.pieces import Block
from doe.report.tables import Table

Line = Mapping[str, Any]
"""A line of the log."""

_NOT_KEPT = "Why this plan was chosen is not on record: the log holds no reason. Later versions of the software keep it."
_ALONE = "It was set beside no other plan."


def why_blocks(lines: Sequence[Line]) -> list[Block]:
    """Return the reason for the plan and the plans beside it as they were shown, then what each later round is for."""
    planned = _planned(lines)
    later = rounds_table(lines)
    return [*([] if planned is None else _chosen(planned)), *([pieces.table(later)] if later.rows else [])]


def _planned(lines: Sequence[Line]) -> Line | None:
    """Return the line of the plan that stands: the last one that planned a first round, or else a pilot."""
    return next((line for line in reversed(lines) if line["command"] == "plan" and not line["detail"].get("reprint")), None)


def _chosen(line: Line) -> list[Block]:
    reason, compared = str(line["detail"].get("reason", "")), line["detail"].get("comparison", ())
    if not reason:
        return [pieces.text(_NOT_KEPT)]
    tables = [restored(one) for one in compared]
    said = f"As shown when the plan was made, {line['time']}: {reason}"
    return [pieces.text(said if tables else f"{said} {_ALONE}"), *map(pieces.table, tables)]


def restored(stored: Mapping[str, Any]) -> Table:
    """Return a table from what the log keeps of it."""
    rows = tuple(tuple(str(cell) for cell in row) for row in stored["rows"])
    columns = tuple(str(column) for column in stored["columns"])
    return Table(str(stored["title"]), columns, rows, str(stored["align"]), str(stored["note"]))


def rounds_table(lines: Sequence[Line]) -> Table:
    """Return what was planned after the first round: further rounds, lost prints planned anew, confirmations."""
    of_round: dict[int, tuple[str, ...]] = {}
    for line in lines[_first(lines) :]:
        for number, what, why in _round(line):
            of_round[number] = (str(number), str(line["time"]), what, why)
    rows = tuple(row for _, row in sorted(of_round.items()))
    return Table("Rounds that were planned later", ("Round", "Planned", "What", "Why"), rows, "rlll")


def _first(lines: Sequence[Line]) -> int:
    planned = _planned(lines)
    return 0 if planned is None else next(place for place, line in enumerate(lines) if line is planned)


def _round(line: Line) -> Iterator[tuple[int, str, str]]:
    """Yield the round that a line of the log planned, what it is and what it is for."""
    detail = line["detail"]
    if line["command"] == "extend":
        kind = str(detail["kind"]).replace("-", " ")
        yield detail["round"], f"{kind}, seed {detail['seed']}", "further prints, chosen with those of the earlier rounds"
    elif line["command"] == "plan" and detail.get("reprint") and "round" in detail:
        lost = ", ".join(detail["reprint"])
        yield detail["round"], f"prints planned anew, seed {detail['seed']}", f"stand for lost prints: {lost}"
    elif line["command"] == "confirm" and "round" in detail:
        why = f"tries recommendation {detail['recommendation']} on new drying loads"
        override = f"; in spite of what speaks against it: {detail['override']}" if detail.get("override") else ""
        yield detail["round"], f"confirmation {detail['number']}, seed {detail['seed']}", why + override
