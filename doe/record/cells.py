"""One cell: from what was typed to the value that is recorded, or to the problem with it."""

import datetime
import difflib
import math
import re
from collections.abc import Iterable

from doe.errors import Problem
from doe.record.read import Raw
from doe.sheet.columns import Column, Value

_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}")
"""Reads as a thousand in one country and as a decimal fraction in another."""
_ISO = re.compile(r"(\d{4})-(\d{1,2})-(\d{1,2})")
_DOTTED = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})")
_TIME = re.compile(r"(\d{1,2}):(\d{2})(:\d{2})?")
_LONGEST_TEXT = 1000
_DIGITS_ONLY = "type the number alone, in digits and without a unit"
_EMPTY_IF_MISSING = "leave the cell empty for a missing result"


def read_cell(column: Column, raw: Raw | None, where: str) -> Value | Problem | None:
    """
    Read one cell.

    Parameters
    ----------
    column : Column
        What the cell may hold.
    raw : str, number, date or None
        What stands in it.
    where : str
        The cell's place, for the problem.

    Returns
    -------
    str, float, Problem or None
        The value to record; the problem; None where the cell is empty. Dates are ISO 8601 text.
    """
    if raw is None or (isinstance(raw, str) and not raw.strip()):
        return None
    if column.kind == "number":
        return _number(column, raw, where)
    if column.kind == "choice":
        return _choice(column, raw, where)
    if column.kind in ("date", "datetime"):
        return _moment(raw, where, with_time=column.kind == "datetime")
    return _text(raw, where)


def shown(raw: Raw) -> str:
    """Return a cell's content as text, as a person sees it."""
    if isinstance(raw, bool):
        return str(raw).upper()
    if isinstance(raw, float) and raw.is_integer() and abs(raw) < 1e15:
        return str(int(raw))
    if isinstance(raw, datetime.datetime):
        return raw.isoformat(sep=" ", timespec="minutes").removesuffix(" 00:00")
    return str(raw)


def key_of(text: str) -> str:
    """Return what two texts share when they differ only in case and blanks."""
    return " ".join(text.split()).casefold()


def nearest(text: str, offered: Iterable[str]) -> str | None:
    """Return the offered word that a text most likely means, or None."""
    by_key = {key_of(word): word for word in offered}
    close = difflib.get_close_matches(key_of(text), by_key, n=1, cutoff=0.6)
    return by_key[close[0]] if close else None


def _number(column: Column, raw: Raw, where: str) -> float | Problem:
    if isinstance(raw, datetime.date | datetime.time | datetime.timedelta):
        return Problem(where, f"'{shown(raw)}' is a date or a time", "a number is allowed",
                       "type the number again, with the decimal sign of your system, in a cell formatted as a number")
    text = "" if isinstance(raw, bool) else str(raw).strip()
    if isinstance(raw, str) and _THOUSANDS.fullmatch(text):
        return Problem(where, f"the text '{text}' may be a thousand or a fraction", "a number is allowed",
                       "type it again as a number")
    if not _NUMBER.fullmatch(text):
        return Problem(where, f"'{shown(raw)}' is not a number", "a number is allowed",
                       _DIGITS_ONLY if any(letter.isdigit() for letter in text) else _EMPTY_IF_MISSING)
    number = float(text.replace(",", "."))
    return _possible(column, number, where)


def _possible(column: Column, number: float, where: str) -> float | Problem:
    if not math.isfinite(number):
        return Problem(where, "the number is too large", "a number that can be measured is allowed", _EMPTY_IF_MISSING)
    if column.positive and number <= 0:
        return Problem(where, f"{number:g} is not possible here", "a number above zero is allowed",
                       f"{_EMPTY_IF_MISSING}, and let the outcome say why")
    low, high = column.low, column.high
    if (low is not None and number < low) or (high is not None and number > high):
        limits = [f"at least {low:g}" if low is not None else "", f"at most {high:g}" if high is not None else ""]
        allowed = f"{' and '.join(filter(None, limits))} is allowed"
        return Problem(where, f"{number:g} is out of reach", allowed, "correct the number")
    return number


def _choice(column: Column, raw: Raw, where: str) -> Value | Problem:
    text = shown(raw).strip()
    if text in column.choices:
        return column.choices[text]
    by_key = {key_of(word): word for word in column.choices}
    if key_of(text) in by_key:
        return column.choices[by_key[key_of(text)]]
    near = nearest(text, column.choices)
    remedy = f"did you mean '{near}'? Choose it from the list" if near else "choose from the list, or clear the cell"
    allowed = f"{', '.join(column.choices)} are allowed"
    return Problem(where, f"'{text}' is not among the words of this column", allowed, remedy)


def _moment(raw: Raw, where: str, *, with_time: bool) -> str | Problem:
    what = "a date with its time" if with_time else "a date"
    allowed = f"{what}, such as {'2026-03-01 08:30' if with_time else '2026-03-01 or 01.03.2026'}, is allowed"
    moment = _parsed(raw, with_time=with_time)
    if moment is None:
        return Problem(where, f"'{shown(raw)}' is not {what}", allowed, "type it so, or clear the cell")
    if not 2000 <= moment.year < 2100:
        return Problem(where, f"the year {moment.year} cannot be meant", allowed, "correct the year")
    if not with_time:
        return moment.date().isoformat()
    # Spreadsheets keep times as fractions of a day; half a second brings a minute back that arithmetic took away.
    return (moment + datetime.timedelta(milliseconds=500)).isoformat(timespec="minutes")


def _parsed(raw: Raw, *, with_time: bool) -> datetime.datetime | None:
    if isinstance(raw, datetime.datetime):
        return raw.replace(tzinfo=None)
    if isinstance(raw, datetime.date):
        return datetime.datetime.combine(raw, datetime.time())
    if not isinstance(raw, str):
        return None
    day, _, time = raw.strip().replace("T", " ").partition(" ")
    if iso := _ISO.fullmatch(day):
        year, month, date = iso.groups()
    elif dotted := _DOTTED.fullmatch(day):
        date, month, year = dotted.groups()
    else:
        return None
    clock = _TIME.fullmatch(time.strip())
    if bool(time.strip()) != bool(clock) or (with_time and not clock):
        return None
    hour, minute = (int(clock.group(1)), int(clock.group(2))) if clock else (0, 0)
    try:
        return datetime.datetime(int(year), int(month), int(date), hour, minute)
    except ValueError:
        return None


def _text(raw: Raw, where: str) -> str | Problem:
    text = shown(raw).replace("\r\n", "\n").replace("\r", "\n").strip()
    if len(text) > _LONGEST_TEXT:
        allowed = f"at most {_LONGEST_TEXT} are allowed"
        return Problem(where, f"the text has {len(text)} characters", allowed, "shorten it")
    return text
