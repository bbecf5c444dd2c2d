"""What still stands in a study as the template of a new study wrote it, though it is for the person to say."""

from collections.abc import Iterator, Mapping
from typing import Any

from doe.errors import Problem
from doe.study.materials import MaterialTemplate, Suggestion, template
from doe.study.spec import Study
from doe.verdicts import Verdict

LEFT, NEVER_CHECKED = "placeholders left", "starting points left as they were"
_MARK = "placeholder"


def left_to_write(study: Study) -> tuple[tuple[str, str], ...]:
    """
    Return the texts that only say what is to be written in their place.

    Parameters
    ----------
    study : Study

    Returns
    -------
    tuple of (str, str)
        Key, as ``conditions.profile``, and text; found by comparison with the template of the study's family.
    """
    starting, header, of = template(study.header.family), study.header, study.conditions
    known = {"title": (header.title, starting.title), "material": (header.material, starting.material)}
    found = [(f"study.{key}", now) for key, (now, then) in known.items() if now == then]
    conditions = starting.conditions
    return (*found, *((f"conditions.{key}", of[key]) for key in conditions.values if _is_left(conditions, key, of)))


def _is_left(conditions: Suggestion, key: str, now: Mapping[str, str]) -> bool:
    return key in conditions.to_write and now.get(key) == conditions.values[key]


def placeholder_verdicts(study: Study) -> Iterator[Verdict]:
    """
    Yield what is left of the template: texts that say what to write, and values that were given as placeholders.

    Of a simulated study only the texts: its values are nobody's.
    """
    texts = left_to_write(study)
    if texts:
        yield Verdict(
            LEFT,
            "as the template of a new study wrote it, study.toml says " + "; ".join(f"{key}: '{text}'" for key, text in texts),
            "write what holds and accept it with doe amend --reason TEXT: doe sheet is refused until then, since operators tick "
            "these and the report states them",
        )
    values = [] if study.header.simulated else [*_values_left(study, {key for key, _ in texts})]
    if values:
        yield Verdict(
            NEVER_CHECKED,
            f"these are marked as placeholders in the template, and are as it gave them: {', '.join(values)}",
            "look at each: where it is right leave it, else write yours and accept it with doe amend --reason TEXT, before doe "
            "sheet; doe amend says where another plan is needed",
        )


def placeholder_problems(study: Study) -> Iterator[Problem]:
    """Yield why no sheet is written yet: one problem a text that says what to write."""
    for key, text in left_to_write(study):
        yield Problem(
            f"study.toml, {key}",
            f"'{text}' still says what to write",
            "operators tick it on the sheet, and the report states it",
            'write what holds, accept it with: doe amend --reason "what holds in our shop", then run doe sheet again',
        )


def _values_left(study: Study, named: set[str]) -> Iterator[str]:
    """Yield the keys of the values whose source in the template says that they are placeholders, where they are unchanged."""
    starting = template(study.header.family)
    for where, one, now in _pairs(study, starting):
        for key, source in one.sources.items():
            name = f"{where}.{key}"
            if _MARK in source and name not in named and key in now and _plain(now[key]) == _plain(one.values[key]):
                yield name


def _pairs(study: Study, starting: MaterialTemplate) -> Iterator[tuple[str, Suggestion, Mapping[str, Any]]]:
    """Yield each part of the template beside the same part of the study: where it stands, as suggested, as it is."""
    for kind, suggested, there in (
        ("factors", starting.factors, study.factors), ("responses", (*starting.responses, *starting.offers), study.responses)
    ):
        known = {one.name: one for one in suggested}
        for part in there:
            if part.name in known:
                yield f"{kind} '{part.name}'", known[part.name], vars(part)
    yield "material", starting.stands, vars(study.material)
    yield "conditions", starting.conditions, study.conditions
    for printer in study.printers:
        yield f"printers '{printer.name}'.limits", starting.limits, printer.limits
        yield f"printers '{printer.name}'", starting.hot_end, vars(printer)
    yield "oven", starting.oven, vars(study.oven)
    yield "budget", starting.budget, vars(study.budget)


def _plain(value: Any) -> Any:  # noqa: ANN401 - any value of a study
    return list(value) if isinstance(value, tuple) else value
