"""What a cell of the workbook says when it is chosen, and when something else is typed than belongs there."""

from collections.abc import Mapping

from doe.sheet.columns import Column, Value

_EMPTY = "Where there is no result, leave the cell empty."


def offers(column: Column) -> tuple[Value, ...]:
    """Return what a drop-down list shows: words, but numbers where numbers are recorded."""
    return tuple(shown if isinstance(kept, str) else kept for shown, kept in column.choices.items())


def rule(column: Column, lists: Mapping[tuple[Value, ...], str]) -> dict[str, str]:
    """
    Return the validation of one column that is filled in.

    Parameters
    ----------
    column : Column
    lists : mapping of tuple to str
        Where each list of offers stands.

    Returns
    -------
    dict
        ``type``, ``operator`` and ``formula1`` to ``formula2`` as spreadsheets call them; ``errorStyle``: ``stop`` for what
        cannot be recorded, ``warning`` for numbers that are only unlikely; ``error``, and ``prompt`` as of the hint.
    """
    return {**_allowed(column, lists), **_words(column)}


def _words(column: Column) -> dict[str, str]:
    range_ = column.usual if column.kind == "number" else None
    usual = f" Usual: {range_[0]:g} to {range_[1]:g}." if range_ else ""
    return {
        "errorTitle": "Please check",
        "promptTitle": column.header if len(column.header) <= 32 else f"{column.header[:31]}…",
        "prompt": f"{column.hint[: 255 - len(usual)]}{usual}",
    }


def _allowed(column: Column, lists: Mapping[tuple[Value, ...], str]) -> dict[str, str]:
    if column.kind == "choice":
        return {
            "type": "list", "formula1": lists[offers(column)], "errorStyle": "stop",
            "error": "Choose one of the entries in the list: click the arrow beside the cell.",
        }
    if column.kind == "text":
        return {
            "type": "textLength", "operator": "lessThanOrEqual", "formula1": "1000", "errorStyle": "stop",
            "error": "At most 1000 characters, please.",
        }
    if column.kind in ("date", "datetime"):
        example = "2026-03-01 08:30" if column.kind == "datetime" else "2026-03-01"
        return {
            "type": "date", "operator": "between", "formula1": "DATE(2000,1,1)", "formula2": "DATE(2100,1,1)",
            "errorStyle": "stop",
            "error": f"A date{' with the time' if column.kind == 'datetime' else ''} is wanted here: {example}.",
        }
    return _number(column)


def _number(column: Column) -> dict[str, str]:
    if column.usual is not None:
        low, high = column.usual
        return _between(low, high) | {
            "errorStyle": "warning",
            "error": f"Usual is a number from {low:g} to {high:g}. Keep it only if you are sure: decimal sign, unit? {_EMPTY}",
        }
    if column.positive:
        return {
            "type": "decimal", "operator": "greaterThan", "formula1": "0", "errorStyle": "stop",
            "error": f"A number above zero is wanted. {_EMPTY}",
        }
    known = column.low is not None and column.high is not None
    low, high = -1e9 if column.low is None else column.low, 1e9 if column.high is None else column.high
    said = f" from {low:g} to {high:g}" if known else ""
    return _between(low, high) | {"errorStyle": "stop", "error": f"A number{said} is wanted. {_EMPTY}"}


def _between(low: float, high: float) -> dict[str, str]:
    return {"type": "decimal", "operator": "between", "formula1": repr(low), "formula2": repr(high)}
