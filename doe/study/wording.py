"""What is wrong with the shape of a study file, in words of the workshop; a library's own wording stays inside."""

import datetime
import difflib
import re
from collections.abc import Callable, Iterable, Mapping
from typing import Any, get_args

from pydantic import ValidationError

from doe.study.draft import Finding, Place, Source
from doe.study.filament import DryingData
from doe.study.spec import (
    Budget,
    Check,
    Constraint,
    Covariate,
    Factor,
    Header,
    Identifier,
    Instrument,
    Material,
    Model,
    Name,
    Oven,
    Part,
    Plate,
    Printer,
    Reference,
    Response,
    Study,
    Text,
)

_PARTS: Mapping[tuple[str, ...], type[Part]] = {
    (): Study,
    ("study",): Header,
    ("material",): Material,
    ("material", "drying"): DryingData,
    ("factors",): Factor,
    ("responses",): Response,
    ("model",): Model,
    ("printers",): Printer,
    ("printers", "checks"): Check,
    ("instruments",): Instrument,
    ("constraints",): Constraint,
    ("references",): Reference,
    ("covariates",): Covariate,
    ("plate",): Plate,
    ("oven",): Oven,
    ("budget",): Budget,
}
_EXAMPLES = {
    "study": "[study] with id, title, material and family",
    "factors": "[[factors]] for each thing that is set on purpose",
    "responses": "[[responses]] for each thing that is measured",
    "id": 'id = "pa12cf-clip"',
    "title": 'title = "Clip for the door frame"',
    "material": 'material = "PA12-CF, black"',
    "family": 'family = "PA-CF"',
    "name": 'name = "nozzle_temperature"',
    "factor": 'factor = "nozzle_temperature"',
    "set": "set = [250, 265, 280]",
    "actual": "actual = [244.1, 258.6, 273.5]",
    "kind": 'kind = "thermocouple, type K"',
    "coef": "coef = { nozzle_temperature = 1.0 }",
    "limit": "limit = 360",
    "setting": "setting = { nozzle_temperature = 260, drying_time = 4 }, with every factor",
}
_PATTERNS = {
    get_args(Name)[1].pattern: "a lower-case letter, then lower-case letters, digits, underscores, at most 40 in all",
    get_args(Identifier)[1].pattern: "letters, digits and hyphens, at most 40, the first not a hyphen",
    get_args(Text)[1].pattern: "one line of text without control characters and marks that turn its direction",
}
_NAME_PATTERN = get_args(Name)[1].pattern
_LONGEST = 60
_WORD_FOR = {
    "str": "text",
    "bool": "true or false",
    "int": "a number",
    "float": "a number",
    "tuple": "a list",
    "dict": "a table",
}

_TWO_DRYERS = (
    "with two dryers that dry alike, keep one [oven], count each filling of either as a load of its own, and write on the sheet "
    "Loads which dryer it was; where they may differ, declare the choice as a factor with levels and change = \"load\" (see 'doe "
    "help when-not')"
)

Details = Mapping[str, Any]
Words = tuple[str, str, str]


def show(value: Any) -> str:  # noqa: ANN401 - any TOML or JSON value
    """Return a value as the reader wrote it, shortened: ``'text'``, ``true``, ``[0, 300]``, ``a table``."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, tuple | list):
        shown = ("[...]" if isinstance(one, tuple | list) else show(one) for one in value)
        return _shortened(f"[{', '.join(shown)}]")
    if isinstance(value, float):
        return f"{value:.12g}"
    if isinstance(value, int) and value.bit_length() > 200:  # printing thousands of digits is refused by Python
        return "a very large number"
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    return _shortened(repr(value))


def nearest(name: str, known: Iterable[str]) -> str | None:
    """Return the known name that is most like a name, capitals aside, or None where none is alike."""
    by_lower = {one.lower(): one for one in known}
    matches = difflib.get_close_matches(name.lower(), list(by_lower), n=1, cutoff=0.6)
    # "ABS-like" is far from "ABS" by letters and near by meaning
    begins = [one for one in by_lower if len(one) > 2 and name.lower().startswith(one)]
    return by_lower[(matches or begins)[0]] if matches or begins else None


def meant(name: str, known: Iterable[str], otherwise: str) -> str:
    """Return ``did you mean 'increment'? ...``, or other advice where no known name is alike."""
    match = nearest(name, known)
    return f"did you mean '{match}'? If so, write that" if match else otherwise


def quoted(names: Iterable[str]) -> str:
    """Return names in quotes, separated by commas."""
    return ", ".join(f"'{name}'" for name in names) or "none"


def shape_findings(source: Source, error: ValidationError) -> tuple[list[Finding], set[Place]]:
    """
    Translate what pydantic found.

    Parameters
    ----------
    source : Source
    error : ValidationError
        Of the whole study, from strict validation.

    Returns
    -------
    findings : list of Finding
    misspelt : set of Place
        Known keys that an unknown key was probably meant to be; what is said about them would be noise.

    """
    findings: list[Finding] = []
    misspelt: set[Place] = set()
    absent: list[Finding] = []
    for details in error.errors(include_url=False, include_context=True):
        place = _place(details["loc"], source)
        if place is None or _is_echo(details, source, place):
            continue
        finding = Finding(place, *_words(details, place))
        (absent if details["type"] == "missing" else findings).append(finding)
        if details["type"] == "extra_forbidden":
            match = nearest(str(place[-1]), known_keys(place))
            misspelt |= {(*place[:-1], match)} if match else set()
    return findings + [finding for finding in absent if finding.place not in misspelt], misspelt


def known_keys(place: Place) -> list[str]:
    """Return the keys that the table of a key may hold."""
    part = _PARTS.get(tuple(key for key in place[:-1] if isinstance(key, str)))
    return [field.alias or name for name, field in part.model_fields.items()] if part else []


def unknown_key(place: Place) -> Finding:
    """Return the finding for a key that its table does not know."""
    return Finding(place, *_extra_forbidden({}, place))


def _place(location: tuple[str | int, ...], source: Source) -> Place | None:
    """Return the place in the file, or None for the branch of the model's terms that was not meant."""
    if location[:2] == ("model", "terms"):
        branch, inner = str(location[2]), location[3:]
        is_list = isinstance(source.value(("model", "terms")), tuple)
        return ("model", "terms", *inner) if branch.startswith("tuple") == is_list else None
    return tuple(key for key in location if key != "[key]")


def _is_echo(details: Details, source: Source, place: Place) -> bool:
    """Whether a list is called too short only because its entries were refused."""
    if details["type"] != "too_short":
        return False
    return bool(len(source.value(place)) >= details["ctx"]["min_length"])


def _words(details: Details, place: Place) -> Words:
    kind = details["type"]
    if kind.startswith(("greater_than", "less_than")):
        return _out_of_range(details, place)
    return _TRANSLATIONS.get(kind, _other)(details, place)


def _shortened(text: str) -> str:
    return text if len(text) <= _LONGEST else text[: _LONGEST - 4] + " ..."


def _found(value: Any) -> str:  # noqa: ANN401 - any TOML value
    word = _WORD_FOR.get(type(value).__name__, "a date or a time")
    shown = show(value)
    return f"found {shown}" if shown == word or "..." in shown else f"found {shown}, which is {word}"


def _key(place: Place) -> str:
    return next(str(key) for key in reversed(place) if isinstance(key, str))


def _missing(details: Details, place: Place) -> Words:
    if isinstance(place[-1], int):
        return "the list is too short", "two numbers are needed, low and high", f"write {_key(place)} = [low, high]"
    key = str(place[-1])
    what = "the table is missing" if len(place) == 1 else "the key is missing"
    remedy = f"add {_EXAMPLES.get(key, key)}" + ("" if len(place) == 1 else ", with your own value")
    return what, "it is required", remedy


def _extra_forbidden(details: Details, place: Place) -> Words:
    known, key = known_keys(place), str(place[-1])
    # a second dryer is asked for under many names; a slip in one's own table ("ovn") is told as such
    if re.fullmatch(r"(n_|number_of_)?(ovens?|dryers?)(_?\d+)?", key):
        return "the key is not known", "a study has one [oven]", _TWO_DRYERS
    return "the key is not known", f"known here are {quoted(known)}", meant(key, known, "remove it")


def _string_type(details: Details, place: Place) -> Words:
    value = details["input"]
    plain = isinstance(value, int | float | datetime.date) and not isinstance(place[-1], int)
    example = f': {_key(place)} = "{show(value)}"' if plain else ""
    return _found(value), "text is needed", f"write text in quotes{example}"


def _number_type(details: Details, place: Place) -> Words:
    value, whole = details["input"], details["type"].startswith("int")
    wanted = "a whole number is needed" if whole else "a number is needed"
    if isinstance(value, int) and not isinstance(value, bool):
        return _found(value), wanted + " that a machine can hold", "write a smaller number"
    if isinstance(value, str) and re.fullmatch(r"\s*[-+]?\d+(\.\d+)?\s*", value):
        return _found(value), wanted, f"write it without quotes: {value.strip()}"
    return _found(value), wanted, "write a whole number, for example 5" if whole else "write a number, for example 2.5"


def _bool_type(details: Details, place: Place) -> Words:
    return _found(details["input"]), "true or false is needed", "write true or false, lower case, without quotes"


def _date_type(details: Details, place: Place) -> Words:
    remedy = "write year-month-day without quotes and time, for example 2027-03-31"
    return _found(details["input"]), "a date is needed", remedy


def _list_type(details: Details, place: Place) -> Words:
    value, key = details["input"], _key(place)
    if len(place) == 1 or key == "checks":
        heading = ".".join(str(one) for one in place if isinstance(one, str))
        remedy = f"write each entry under a heading of its own with two pairs of brackets: [[{heading}]]"
        return _found(value), "a list of tables is needed", remedy
    return _found(value), "a list is needed", f"write the values in square brackets: {key} = [...]"


def _table_type(details: Details, place: Place) -> Words:
    key = _key(place)
    if len(place) == 1:
        several = isinstance(details["input"], tuple) and len(details["input"]) > 1
        more = f"; {_TWO_DRYERS}" if key == "oven" and several else ""
        return _found(details["input"]), "one table is needed", f"write the heading with one pair of brackets: [{key}]{more}"
    example = _EXAMPLES.get(key, f"{key} = {{ nozzle_temperature = [0, 300] }}")
    return _found(details["input"]), "a table is needed", f"write keys and values, for example {example}"


def _literal(details: Details, place: Place) -> Words:
    allowed = re.findall(r"'([^']*)'", details["ctx"]["expected"])
    more = " or a list of terms" if place[:2] == ("model", "terms") else ""
    return (
        f"found {show(details['input'])}",
        f"allowed are {quoted(allowed)}{more}",
        meant(str(details["input"]), allowed, "choose one of these"),
    )


def _pattern(details: Details, place: Place) -> Words:
    pattern, value = details["ctx"]["pattern"], str(details["input"])
    remedy = "write it so"
    if pattern == _NAME_PATTERN:
        slug = re.sub(r"[^a-z0-9]+", "_", value.lower()).strip("_0123456789")[:40]
        remedy = f"for example '{slug}'" if re.fullmatch(pattern, slug) else "for example 'nozzle_temperature'"
    return f"found {show(value)}", f"allowed is {_PATTERNS[pattern]}", remedy


def _text_length(details: Details, place: Place) -> Words:
    if details["type"] == "string_too_short":
        return "found empty text", "it cannot be empty", "write something, or remove the key where it is optional"
    longest = details["ctx"]["max_length"]
    return f"found {len(details['input'])} characters", f"at most {longest} are allowed", "shorten it"


def _list_length(details: Details, place: Place) -> Words:
    context, size = details["ctx"], len(details["input"])
    if details["type"] == "too_short":
        example = _EXAMPLES.get(_key(place), "an entry")
        return "the list is empty", f"at least {context['min_length']} is needed", f"add {example}"
    return f"found {size} entries", f"at most {context['max_length']} are allowed", "remove some"


def _out_of_range(details: Details, place: Place) -> Words:
    signs = {"gt": "above", "ge": "at or above", "lt": "below", "le": "at or below"}
    (sign, bound), *_ = details["ctx"].items()
    allowed = f"the value must be {signs[sign]} {show(bound)}"
    return f"found {show(details['input'])}", allowed, "write a value in that range"


def _finite(details: Details, place: Place) -> Words:
    return f"found {show(details['input'])}", "a finite number is needed", "write a number, for example 2.5"


def _other(details: Details, place: Place) -> Words:
    return f"found {show(details['input'])}", "it cannot be used here", "compare with the study that 'doe new' writes"


_TRANSLATIONS: Mapping[str, Callable[[Details, Place], Words]] = {
    "missing": _missing,
    "extra_forbidden": _extra_forbidden,
    "string_type": _string_type,
    "float_type": _number_type,
    "int_type": _number_type,
    "bool_type": _bool_type,
    "date_type": _date_type,
    "tuple_type": _list_type,
    "dict_type": _table_type,
    "model_type": _table_type,
    "literal_error": _literal,
    "string_pattern_mismatch": _pattern,
    "string_too_short": _text_length,
    "string_too_long": _text_length,
    "too_short": _list_length,
    "too_long": _list_length,
    "finite_number": _finite,
}
