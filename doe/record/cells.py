"""One cell: from what was typed to the value that is recorded, or to the problem with it."""

import datetime
import difflib
import math
import re
from collections.abc import Iterable

from doe.errors import Problem
from doe.record.read import Raw
from doe.sheet.columns import Column, Value
from doe.study.operators import languages, texts

NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?", re.ASCII)
_WITH_UNIT = re.compile(rf"(?P<number>{NUMBER.pattern})\s*(?P<unit>[^\d\s.,+-].*)", re.ASCII)
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}", re.ASCII)
"""Reads as a thousand in one country and as a decimal fraction in another."""
_UNIT = re.compile(r"\(([^()]*)\)(?! *\()")
_DEGREES = frozenset({"°c", "degc", "c", "celsius", "ºc", "℃"})
_UNSEEN = re.compile("[\u00ad\u200b-\u200f\u202a-\u202e\u2060\ufeff]")
"""Signs without ink that come with copied text: soft hyphens, joints, marks of direction."""
_MINUS = str.maketrans({"\u2212": "-", "\u2013": "-"})
"""Signs that spreadsheets and word processors put in the place of a minus."""
_ERRORS = frozenset({"#NULL!", "#DIV/0!", "#VALUE!", "#REF!", "#NAME?", "#NUM!", "#N/A", "#SPILL!", "#CALC!", "#GETTING_DATA"})
_ISO = re.compile(r"(?P<year>\d{4})[-/](?P<month>\d{1,2})[-/](?P<day>\d{1,2})", re.ASCII)
_DOTTED = re.compile(r"(?P<day>\d{1,2})\. ?(?P<month>\d{1,2})\. ?(?P<year>\d{4}|\d{2})", re.ASCII)
_NAMED = re.compile(r"(?P<day>[0-9]{1,2})(?:\.|st|nd|rd|th)?[ -](?P<name>[^\W\d_]{3,9})\.?,?[ -](?P<year>[0-9]{4})")
_MONTH_FIRST = re.compile(r"(?P<name>[a-zA-Z]{3,9})\.? (?P<day>\d{1,2})(?:st|nd|rd|th)?,? (?P<year>\d{4})", re.ASCII)
_CLOCK = re.compile(
    r"(?P<hour>\d{1,2})[:.](?P<minute>\d{2})(?:[:.]\d{2}(?:\.\d+)?)? ?(?P<half>[ap]\.?m\.?)?(?: ?(?:h|Uhr))?", re.ASCII | re.I
)
_MONTHS = tuple(tuple(texts(language).table("months").values()) for language in languages())
"""Their names in every language, January first."""
_TABLES = ("outcomes.word", "deviations.word", "pass_fail", "conditions")
_PREFIXES = {
    "G": 9, "M": 6, "k": 3, "": 0, "c": -2, "m": -3, "u": -6, "\N{MICRO SIGN}": -6, "\N{GREEK SMALL LETTER MU}": -6,
}  # fmt: skip
"""Powers of ten."""
_BASES = ("Pa", "N", "m", "g", "J")
"""Units that prefixes are put before."""
_LONGEST_TEXT = 1000
_DIGITS_ONLY = "type the number alone, in digits and without a unit"
_EMPTY_IF_MISSING = "leave the cell empty for a missing result"


def read_cell(column: Column, raw: Raw | None, where: str, decimal: str | None = None) -> Value | Problem | None:
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
    decimal : str, optional
        The decimal sign of numbers that are text, where it is known: ``.`` or ``,``. Without it either is read, and what may
        be a thousand or a fraction is a problem.

    Returns
    -------
    str, float, Problem or None
        The value to record; the problem; None where the cell is empty. Dates are ISO 8601 text.
    """
    if raw is None or (isinstance(raw, str) and not key_of(raw)):
        return None
    if column.kind == "number":
        return _number(column, raw, where, decimal)
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
    """Return what two texts share when they differ only in case, blanks and signs that nobody sees."""
    return " ".join(_UNSEEN.sub("", text).split()).casefold()


def nearest(text: str, offered: Iterable[str]) -> str | None:
    """Return the offered word that a text most likely means, or None."""
    by_key = {key_of(word): word for word in offered}
    close = difflib.get_close_matches(key_of(text), by_key, n=1, cutoff=0.6)
    return by_key[close[0]] if close else None


def tolerated(column: Column, raw: Raw, value: Value) -> bool:
    """Whether a value was read from something that was not quite it: text for a number, another unit's spelling, blanks."""
    if column.kind == "number":
        return isinstance(raw, str)
    if column.kind == "choice":
        return shown(raw) not in column.choices
    if column.kind in ("date", "datetime"):
        return _curtailed(raw) if isinstance(raw, datetime.datetime) else shown(raw).replace(" ", "T") != value
    return isinstance(raw, str) and raw.replace("\r\n", "\n").replace("\r", "\n") != value


def unit_of(column: Column) -> str:
    """Return the unit of a column of numbers as its heading gives it; empty where it gives none."""
    found = _UNIT.findall(column.header)
    return str(found[-1]) if found and column.kind == "number" else ""


def _curtailed(raw: datetime.datetime) -> bool:
    """Whether a moment has seconds, which are not kept."""
    return raw.second not in (0, 59) or (raw.second == 59 and raw.microsecond < 500_000)


def _number(column: Column, raw: Raw, where: str, decimal: str | None) -> float | Problem:
    if isinstance(raw, datetime.date | datetime.time | datetime.timedelta):
        return Problem(where, f"'{shown(raw)}' is a date or a time", "a number is allowed",
                       "type the number again, with the decimal sign of your system, in a cell formatted as a number")
    text = "" if isinstance(raw, bool) else _UNSEEN.sub("", str(raw)).strip().translate(_MINUS)
    unit = unit_of(column)
    if isinstance(raw, str) and not NUMBER.fullmatch(text) and (with_unit := _WITH_UNIT.fullmatch(text)):
        if not same_unit(with_unit["unit"], unit):
            allowed = f"a number in {unit} is allowed" if unit not in ("", "1") else "a number without a unit is allowed"
            remedy = _in_unit(with_unit["number"], with_unit["unit"], unit)
            return Problem(where, f"'{shown(raw)}' is not a number", allowed, remedy)
        text = with_unit["number"]
    if isinstance(raw, str) and decimal is None and _THOUSANDS.fullmatch(text):
        return Problem(where, f"the text '{text}' may be a thousand or a fraction", "a number is allowed",
                       "type it again as a number")
    if not NUMBER.fullmatch(text) or (decimal == "." and "," in text) or (decimal == "," and "." in text):
        sign = "" if decimal is None else f" with the decimal sign '{decimal}'"
        return Problem(where, f"'{shown(raw)}' is not a number", f"a number{sign} is allowed",
                       _DIGITS_ONLY if any(letter.isdigit() for letter in text) else _EMPTY_IF_MISSING)
    number = float(text.replace(",", "."))
    return _possible(column, number, where)


def _in_unit(number: str, said: str, unit: str) -> str:
    """Return what to type in a column's unit for a number that was given in another one, where the two are multiples."""
    if unit in ("", "1"):
        return _DIGITS_ONLY
    powers = next((found for base in _BASES if (found := _powers(said.strip(), unit, base))), None)
    if powers is None or _THOUSANDS.fullmatch(number):
        return f"type the number alone, as it is in {unit}, in digits and without a unit"
    value = float(number.replace(",", ".")) * 10.0 ** (powers[0] - powers[1])
    return f"type the number alone, in {unit}: {value:.10g}"


def _powers(said: str, unit: str, base: str) -> tuple[int, int] | None:
    """Return the powers of ten of two units where both are multiples of a third."""
    found = [_PREFIXES.get(text.removesuffix(base)) for text in (said, unit) if text.endswith(base)]
    return (found[0], found[1]) if len(found) == 2 and found[0] is not None and found[1] is not None else None


def same_unit(said: str, unit: str) -> bool:
    """Whether a typed unit is the column's; a prefix that differs in case is another one (mPa is not MPa)."""
    plain = [text.replace(" ", "").replace("²", "2").replace("^", "") for text in (said, unit)]
    if plain[1].casefold() in _DEGREES:
        return plain[0].casefold() in _DEGREES
    return bool(unit) and plain[0].casefold() == plain[1].casefold() and plain[0][0] == plain[1][0]


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
    recorded = {key_of(kept): kept for kept in column.choices.values() if isinstance(kept, str)}
    if key_of(text) in recorded:  # as it is recorded, whatever the language of the workbook
        return recorded[key_of(text)]
    if (word := _foreign(key_of(text), recorded.values())) is not None:
        return word
    near = nearest(text, column.choices)
    remedy = f"did you mean '{near}'? Choose it from the list" if near else "choose from the list, or clear the cell"
    allowed = f"{', '.join(column.choices)} are allowed"
    return Problem(where, f"'{text}' is not among the words of this column", allowed, remedy)


def _foreign(key: str, offered: Iterable[str]) -> str | None:
    """Return what a word of another language stands for, among what a column may record; None where it is none, or two."""
    found = {
        kept for kept in offered for say in map(texts, languages())
        if key in {key_of(word) for word in (say.name(kept), *(say.table(table).get(kept, "") for table in _TABLES))}
    }
    return found.pop() if len(found) == 1 else None


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
        return None if with_time else datetime.datetime.combine(raw, datetime.time())
    if not isinstance(raw, str):
        return None
    text = " ".join(_UNSEEN.sub("", raw).split())
    for form in (_ISO, _DOTTED, _NAMED, _MONTH_FIRST):
        if (found := form.match(text)) and (day := _day(found.groupdict())):
            return _at_time(day, text[found.end():], with_time=with_time)
    return None


def _day(parts: dict[str, str]) -> datetime.date | None:
    """Return the day that a text gives by number or by the name of its month; None for one that does not exist."""
    year = int(parts["year"]) + (2000 if len(parts["year"]) == 2 else 0)
    name = parts.get("name", "").casefold()
    named = [
        number for months in _MONTHS for number, month in enumerate(map(str.casefold, months), 1)
        if name and name in (month, month[:3], month[:4])
    ]
    if "name" in parts and not named:
        return None
    try:
        return datetime.date(year, named[0] if named else int(parts["month"]), int(parts["day"]))
    except ValueError:
        return None


def _at_time(day: datetime.date, text: str, *, with_time: bool) -> datetime.datetime | None:
    """Return a day at the time that follows it in a text; without one only where none is wanted."""
    rest = text.removeprefix("T").strip(" ,")
    if not rest:
        return None if with_time else datetime.datetime.combine(day, datetime.time())
    clock = _CLOCK.fullmatch(rest)
    if clock is None or (text and text[0] not in "T ,"):
        return None
    hour, minute, half = int(clock["hour"]), int(clock["minute"]), (clock["half"] or "").casefold()
    if half:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if half.startswith("p") else 0)
    if hour > 23 or minute > 59:
        return None
    return datetime.datetime.combine(day, datetime.time(hour, minute))


def _text(raw: Raw, where: str) -> str | Problem:
    text = shown(raw).replace("\r\n", "\n").replace("\r", "\n").strip()
    if text in _ERRORS:
        return Problem(where, f"'{text}' is the error of a formula", "text is allowed", "type the text, or clear the cell")
    if len(text) > _LONGEST_TEXT:
        allowed = f"at most {_LONGEST_TEXT} are allowed"
        return Problem(where, f"the text has {len(text)} characters", allowed, "shorten it")
    return text
