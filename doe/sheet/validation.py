"""What a cell of the workbook says when it is chosen, or when something else is typed than belongs there."""

from collections.abc import Mapping

from doe.sheet.columns import Column, Value
from doe.study.operators import Texts


def offers(column: Column) -> tuple[Value, ...]:
    """Return what a drop-down list shows: words, but numbers where numbers are recorded."""
    return tuple(shown if isinstance(kept, str) else kept for shown, kept in column.choices.items())


def rule(column: Column, lists: Mapping[tuple[Value, ...], str], say: Texts) -> dict[str, str]:
    """
    Return the validation of one column that is filled in.

    Parameters
    ----------
    column : Column
    lists : mapping of tuple to str
        Where each list of offers stands.
    say : Texts

    Returns
    -------
    dict
        ``type``, ``operator`` and ``formula1`` to ``formula2`` as spreadsheets call them; ``errorStyle``: ``stop`` for what
        cannot be recorded, ``warning`` for numbers that are only unlikely; ``error``, and ``prompt`` as of the hint.
    """
    return {**_allowed(column, lists, say), **_words(column, say)}


def _words(column: Column, say: Texts) -> dict[str, str]:
    range_ = column.usual if column.kind == "number" else None
    usual = say("hints.usual", low=say.number(range_[0]), high=say.number(range_[1])) if range_ else ""
    return {
        "errorTitle": say("errors.title"),
        "promptTitle": column.header if len(column.header) <= 32 else f"{column.header[:31]}…",
        "prompt": f"{column.hint[: 255 - len(usual)]}{usual}",
    }


def _allowed(column: Column, lists: Mapping[tuple[Value, ...], str], say: Texts) -> dict[str, str]:
    if column.kind == "choice":
        return {"type": "list", "formula1": lists[offers(column)], "errorStyle": "stop", "error": say("errors.list")}
    if column.kind == "text":
        return {
            "type": "textLength", "operator": "lessThanOrEqual", "formula1": "1000", "errorStyle": "stop",
            "error": say("errors.text"),
        }
    if column.kind in ("date", "datetime"):
        return {
            "type": "date", "operator": "between", "formula1": "DATE(2000,1,1)", "formula2": "DATE(2100,1,1)",
            "errorStyle": "stop", "error": say(f"errors.{column.kind}"),
        }
    return _number(column, say)


def _number(column: Column, say: Texts) -> dict[str, str]:
    empty = say("errors.empty")
    if column.usual is not None:
        low, high = column.usual
        return _between(low, high) | {
            "errorStyle": "warning",
            "error": say("errors.usual", low=say.number(low), high=say.number(high), empty=empty),
        }
    if column.positive:
        return {
            "type": "decimal", "operator": "greaterThan", "formula1": "0", "errorStyle": "stop",
            "error": say("errors.positive", empty=empty),
        }
    known = column.low is not None and column.high is not None
    low, high = -1e9 if column.low is None else column.low, 1e9 if column.high is None else column.high
    within = say("errors.between", low=say.number(low), high=say.number(high), empty=empty)
    return _between(low, high) | {"errorStyle": "stop", "error": within if known else say("errors.number", empty=empty)}


def _between(low: float, high: float) -> dict[str, str]:
    return {"type": "decimal", "operator": "between", "formula1": repr(low), "formula2": repr(high)}
