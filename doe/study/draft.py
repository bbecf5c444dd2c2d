"""A study file before it is a study: what was read, where it stands in the text, what has the right shape."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any, TypeVar

from pydantic import ValidationError

from doe.errors import Problem
from doe.study.spec import (
    Budget,
    Constraint,
    Covariate,
    Factor,
    Header,
    Instrument,
    Material,
    Model,
    Oven,
    Part,
    Printer,
    Reference,
    Response,
)

Place = tuple[str | int, ...]
"""Keys and positions (from 0) down to a value: ``("factors", 1, "low")``."""
SomePart = TypeVar("SomePart", bound=Part)

_SINGLE = {"study", "material", "model", "conditions", "plate", "oven", "budget"}
_MANY = {"factors", "responses", "printers", "instruments", "constraints", "references", "covariates"}
_HEADING = re.compile(r"^\s*\[\[?\s*([A-Za-z_.]+)\s*\]\]?\s*(#.*)?$")
_DECIDING = {"levels", "kind", "per", "aim"}
_UNNUMBERED = 10**9


@dataclass(frozen=True)
class Finding:
    """One thing that is wrong, with its place in the parsed file."""

    place: Place
    found: str
    allowed: str
    remedy: str


@dataclass(frozen=True)
class Source:
    """The text of a study file and what the TOML parser made of it, lists as tuples."""

    where: str
    text: str
    data: dict[str, Any]

    def problems(self, findings: list[Finding]) -> list[Problem]:
        """Return findings as problems, in the order of the file."""
        ordered = sorted(findings, key=lambda finding: self._line(finding.place) or _UNNUMBERED)
        return [Problem(self.at(one.place), one.found, one.allowed, one.remedy) for one in ordered]

    def at(self, place: Place) -> str:
        """Return a place in words: ``study.toml, factors[2] 'drying_time', key 'low' (line 19)``."""
        line = self._line(place)
        return ", ".join([self.where, *self._words(place)]) + (f" (line {line})" if line else "")

    def value(self, place: Place) -> Any:  # noqa: ANN401 - any TOML value
        """Return what stands at a place, or None where nothing does."""
        value: Any = self.data
        for key in place:
            inside = isinstance(value, dict) and key in value
            if not inside and not (isinstance(value, tuple) and isinstance(key, int) and key < len(value)):
                return None
            value = value[key]
        return value

    def _words(self, place: Place) -> list[str]:
        if len(place) == 1 and place[0] in _MANY:
            return [f"[[{place[0]}]]"]
        words, index = [], 0
        while index < len(place):
            key, position = place[index], place[index + 1] if index + 1 < len(place) else None
            if isinstance(key, int):
                words.append(f"entry {key + 1}")
            elif isinstance(position, int) and (key in _MANY or isinstance(self.value(place[: index + 2]), dict)):
                words.append(f"{key}[{position + 1}]{self._name(place[: index + 2])}")
                index += 1
            elif index == 0 and key in _SINGLE:
                words.append(f"[{key}]")
            else:
                words.append(f"key '{key}'" if index + 1 == len(place) or isinstance(position, int) else str(key))
            index += 1
        return words

    def _name(self, place: Place) -> str:
        names = (self.value((*place, key)) for key in ("name", "id", "factor"))
        return next((f" '{name}'" for name in names if isinstance(name, str)), "")

    @cached_property
    def _lines(self) -> list[str]:
        # A text of several lines could hold what looks like a heading; then no line is better than a wrong one.
        return [] if '"""' in self.text or "'''" in self.text else self.text.split("\n")

    @cached_property
    def _headings(self) -> list[tuple[int, str]]:
        matches = ((number, _HEADING.match(line)) for number, line in enumerate(self._lines))
        return [(number, match.group(1)) for number, match in matches if match]

    def _line(self, place: Place) -> int | None:
        """Return the line (from 1) of the key at a place, or else of the heading of its table."""
        start = self._heading_line(place)
        if start is None:
            return None
        keys = [key for key in place if isinstance(key, str)]
        end = next((number for number, _ in self._headings if number > start), len(self._lines))
        for number in range(start + 1, end):
            if any(re.match(rf"\s*{re.escape(key)}\s*=", self._lines[number]) for key in keys[1:]):
                return number + 1
        return start + 1

    def _heading_line(self, place: Place) -> int | None:
        """Return the line (from 0) of the innermost table heading above a place."""
        start, path = None, ""
        for index, key in enumerate(place):
            if isinstance(key, int):
                continue
            path = f"{path}.{key}" if path else key
            position = place[index + 1] if index + 1 < len(place) else 0
            nth = position if isinstance(position, int) else 0
            below = [number for number, name in self._headings if name == path and (start is None or number > start)]
            if nth >= len(below):
                break
            start = below[nth]
        return start


@dataclass(frozen=True)
class Draft:
    """The parts of a study file that have the right shape, each with its position in the file (from 0)."""

    source: Source
    spoiled: frozenset[Place]
    """Keys whose values do not have the right shape, and keys that are missing."""
    header: Header | None
    material: Material | None
    model: Model | None
    oven: Oven | None
    budget: Budget | None
    factors: tuple[tuple[int, Factor], ...]
    responses: tuple[tuple[int, Response], ...]
    printers: tuple[tuple[int, Printer], ...]
    instruments: tuple[tuple[int, Instrument], ...]
    constraints: tuple[tuple[int, Constraint], ...]
    references: tuple[tuple[int, Reference], ...]
    covariates: tuple[tuple[int, Covariate], ...]

    def names(self, table: str, key: str = "name") -> list[tuple[int, str]]:
        """Return position and name of each entry of a list of tables, of entries without the right shape too."""
        entries = self.source.value((table,))
        if not isinstance(entries, tuple):
            return []
        named = ((position, entry.get(key)) for position, entry in enumerate(entries) if isinstance(entry, dict))
        return [(position, name) for position, name in named if isinstance(name, str)]

    def names_are_usable(self, table: str, key: str) -> bool:
        """Whether every entry of a list of tables has a name, so that a name that is not there is known to be wrong."""
        return not any(place[0] == table and (len(place) < 3 or place[2] == key) for place in self.spoiled)

    @property
    def numeric(self) -> dict[str, Factor]:
        """The numeric factors by name."""
        return {factor.name: factor for _, factor in self.factors if factor.is_numeric}


def draft_of(source: Source, spoiled: set[Place]) -> Draft:
    """
    Return what can be used of a study file.

    Parameters
    ----------
    source : Source
    spoiled : set of Place
        Keys whose values do not have the right shape; they are left out, and so are entries that need them.

    Returns
    -------
    Draft

    """
    return Draft(
        source,
        frozenset(spoiled),
        _salvaged(source, ("study",), Header, spoiled),
        _salvaged(source, ("material",), Material, spoiled),
        _salvaged(source, ("model",), Model, spoiled),
        _salvaged(source, ("oven",), Oven, spoiled),
        _salvaged(source, ("budget",), Budget, spoiled),
        tuple(_entries(source, "factors", Factor, spoiled)),
        tuple(_entries(source, "responses", Response, spoiled)),
        tuple(_entries(source, "printers", Printer, spoiled)),
        tuple(_entries(source, "instruments", Instrument, spoiled)),
        tuple(_entries(source, "constraints", Constraint, spoiled)),
        tuple(_entries(source, "references", Reference, spoiled)),
        tuple(_entries(source, "covariates", Covariate, spoiled)),
    )


def key_of(place: Place) -> Place:
    """Return the place of the key of its table that a place belongs to: ``("factors", 0, "levels")``."""
    return place[: 3 if len(place) > 1 and isinstance(place[1], int) else 2]


def _entries(source: Source, table: str, part: type[SomePart], spoiled: set[Place]) -> Iterator[tuple[int, SomePart]]:
    entries = source.value((table,))
    for position in range(len(entries) if isinstance(entries, tuple) else 0):
        value = _salvaged(source, (table, position), part, spoiled)
        if value is not None:
            yield position, value


def _salvaged(source: Source, place: Place, part: type[SomePart], spoiled: set[Place]) -> SomePart | None:
    value = source.value(place)
    if not isinstance(value, dict):
        return None
    lost = {key for key in value if (*place, key) in spoiled}
    if lost & _DECIDING:
        return None
    kept = {key: item for key, item in value.items() if key not in lost}
    if "name" in lost:  # an entry with an unusable name still has a range to check
        kept["name"] = f"entry{place[-1]}"
    try:
        return part.model_validate(kept, strict=True)
    except ValidationError:
        return None
