"""Weighings of a drying as a table in text: hours, masses, where there are several ovens their temperatures."""

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from doe.errors import InputRefused, Problem
from doe.numerics.weighings import DryingFit, Weighings, fit_drying
from doe.record.cells import NUMBER

MOST_BYTES, MOST_LINES, MOST_DRYINGS = 1_000_000, 1_000, 6
_NEEDED, _COLUMNS = ("hours", "mass"), ("hours", "mass", "temperature", "drying")
_LIMITS = {"hours": (0.0, 10_000.0), "mass": (0.0, 1e6), "temperature": (0.0, 150.0)}
_FORM = "a CSV file with the headings hours, mass (g) and, for several dryings, temperature (°C) and drying (its name)"


@dataclass(frozen=True)
class _Line:
    number: int
    hours: float
    mass: float
    temperature: float
    drying: str


def fit_weighings(content: bytes, where: str, oven: float, diameter: float, readability: float) -> DryingFit:
    """
    Read weighings and fit them.

    Parameters
    ----------
    content : bytes
        Of a CSV file in UTF-8; separated by semicolons or tabs, where the decimal sign may be a comma, or by commas.
    where : str
        The file's name.
    oven : float
        Temperature where the table gives none, degC.
    diameter : float
        Of the filament, mm.
    readability : float
        Of the balance, g.

    Raises
    ------
    InputRefused
        With every problem, each with its line and column; and where the weighings do not tell how slowly it dries.
    """
    lines = _read(_rows(content, where), where, oven)
    names = list(dict.fromkeys(line.drying for line in lines))
    temperatures = {name: {line.temperature for line in lines if line.drying == name} for name in names}
    uneven = [
        Problem(where, f"drying '{name}' has {len(found)} temperatures", "one drying has one", "name them apart")
        for name, found in temperatures.items() if len(found) > 1
    ]  # fmt: skip
    if uneven:
        raise InputRefused(uneven)
    if len(names) > MOST_DRYINGS:
        raise _refused(where, f"{len(names)} dryings", f"at most {MOST_DRYINGS} are fitted at once", "take fewer")
    try:
        weighings = Weighings(
            np.array([line.hours for line in lines]), np.array([line.mass for line in lines]),
            np.array([names.index(line.drying) for line in lines], dtype=np.intp),
            np.array([next(iter(temperatures[name])) for name in names]),
        )  # fmt: skip
        fit = fit_drying(weighings, diameter, readability)
    except ValueError as error:
        raise _refused(where, str(error), "weighings that show a course", "weigh more often, from the start") from None
    _require_speed(fit, where)
    return fit


def _require_speed(fit: DryingFit, where: str) -> None:
    """Refuse weighings that set no limit to how slow it is: times from them would mean nothing."""
    if fit.diffusivity.low == 0:
        raise _refused(
            where, "the weighings do not tell how slowly it dries: their scatter allows any slowness",
            "a course that levels off",
            "weigh oftener early on and until the mass hardly changes, on a finer balance where need be",
        )  # fmt: skip


def _rows(content: bytes, where: str) -> list[list[str]]:
    if len(content) > MOST_BYTES:
        raise _refused(where, f"it has {len(content)} bytes", f"at most {MOST_BYTES} are read", "look for the right file")
    try:
        text = content.decode("utf-8-sig")
        first = text.split("\n", 1)[0]
        separator = next((sign for sign in ";\t" if sign in first), ",")
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True))
    except UnicodeError:
        raise _refused(where, "it is not text in UTF-8", _FORM, "save it again as CSV in UTF-8") from None
    except csv.Error as error:
        raise _refused(where, f"it cannot be read as CSV ({error})", _FORM, "save it again as CSV") from None
    if len(rows) > MOST_LINES:
        raise _refused(where, f"it has {len(rows)} lines", f"at most {MOST_LINES} are read", "look for the right file")
    return rows


def _read(rows: Sequence[list[str]], where: str, oven: float) -> list[_Line]:
    headings = [cell.strip().casefold() for cell in rows[0]] if rows else []
    problems = [
        Problem(f"{where}, line 1", f"there is no heading '{name}'", _FORM, "name the columns so")
        for name in _NEEDED if name not in headings
    ]  # fmt: skip
    problems += [
        Problem(f"{where}, line 1", f"the heading '{name}' stands there twice", "each heading stands once", "keep one")
        for name in _COLUMNS if headings.count(name) > 1
    ]  # fmt: skip
    if problems:
        raise InputRefused(problems)
    places = {name: headings.index(name) for name in _COLUMNS if name in headings}
    lines: list[_Line] = []
    for number, row in enumerate(rows[1:], 2):
        if any(cell.strip() for cell in row):
            line, found = _line(row, number, places, where, oven)
            problems += found
            lines.append(line)
    if not lines:
        problems.append(Problem(where, "there is no line with a weighing", _FORM, "look for the right file"))
    if problems:
        raise InputRefused(problems)
    return lines


def _line(row: list[str], number: int, places: dict[str, int], where: str, oven: float) -> tuple[_Line, list[Problem]]:
    cells = {name: row[place].strip() if place < len(row) else "" for name, place in places.items()}
    values, problems = {"temperature": oven}, []
    for name in _LIMITS:
        if name in cells:
            value, (low, high) = _number(cells[name]), _LIMITS[name]
            values[name] = value
            if not low <= value <= high:
                found = f"'{cells[name][:40]}'" if cells[name] else "the cell is empty"
                place, allowed = f"{where}, line {number}, {name}", f"a number from {low:g} to {high:g}"
                problems.append(Problem(place, found, allowed, "correct it, or take the line out"))
    drying = cells.get("drying") or f"{values['temperature']:g} °C"
    return _Line(number, values["hours"], values["mass"], values["temperature"], drying), problems


def _refused(where: str, found: str, allowed: str, remedy: str) -> InputRefused:
    return InputRefused(Problem(where, found, allowed, remedy))


def _number(text: str) -> float:
    return float(text.replace(",", ".")) if NUMBER.fullmatch(text) else math.nan
