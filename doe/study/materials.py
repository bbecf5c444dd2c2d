"""Starting points by material family, from which the text of a new study is made."""

import json
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from string import Template
from typing import Any

from doe.errors import InputRefused, Problem
from doe.study.read import parse_study, template_data
from doe.study.wording import meant, quoted

_WIDTH = 120
_COMMENT_COLUMN = 34


@dataclass(frozen=True)
class Suggestion:
    """One table of a study as a starting point: its keys and values, and where the values come from."""

    about: str
    """What it is, in plain words."""
    values: Mapping[str, Any]
    sources: Mapping[str, str]
    """Key -> source, or that there is none; not every key needs one."""
    to_write: frozenset[str] = frozenset()
    """Keys whose text only says what is to be written there."""

    @property
    def name(self) -> str:
        """Of a factor or response."""
        return str(self.values["name"])


@dataclass(frozen=True)
class MaterialTemplate:
    """What is known beforehand about one family of materials."""

    family: str
    description: str
    material: str
    """What to write as the material, until the spool is known."""
    cautions: tuple[str, ...]
    """General ones, those of the family, and last the line that says what prevails over them."""
    factors: tuple[Suggestion, ...]
    responses: tuple[Suggestion, ...]
    """Those that a new study has unless others are chosen."""
    offers: tuple[Suggestion, ...]
    """Further responses to choose from."""
    stands: Suggestion
    """What the filament stands and wants; ``[material]`` of a study."""
    conditions: Suggestion
    limits: Suggestion
    """Equipment limits of a printer."""
    hot_end: Suggestion
    oven: Suggestion
    budget: Suggestion
    sources: tuple[str, ...]

    @property
    def title(self) -> str:
        """What to write as the title, until somebody says what the study is about."""
        return f"Settings for {self.description}"


def families() -> list[str]:
    """Return the known families, sorted, ``other`` last."""
    return list(template_data())


def template(family: str) -> MaterialTemplate:
    """
    Return the starting points and cautions of a family.

    Parameters
    ----------
    family : str
        One of :func:`families`.

    Returns
    -------
    MaterialTemplate

    Raises
    ------
    InputRefused
        Where there is no such family.

    """
    if family not in families():
        raise InputRefused(
            Problem(
                "family",
                f"no family is named '{family}'",
                f"the families are {quoted(families())}",
                meant(family, families(), "write one of them")
                + "; 'other' has the general cautions for a material that is not there",
            )
        )
    data, general = template_data()[family], template_data()["other"]
    return MaterialTemplate(
        family=family,
        description=data["description"],
        material=data["material"],
        cautions=(*general["general_cautions"], *data["cautions"], general["prevail"]),
        factors=tuple(_shared("factors", name, data["factors"]) for name in data["factors"]),
        responses=tuple(_shared("responses", name, data.get("requirements", {})) for name in data["responses"]),
        offers=tuple(_shared("responses", name, data.get("requirements", {})) for name in data["offers"]),
        stands=_suggestion(data["stands"]),
        conditions=_suggestion({**data["conditions"], **_besides("conditions", data)}),
        limits=_suggestion(data["limits"]),
        hot_end=_suggestion(data["hot_end"]),
        oven=_suggestion({**general["library"]["oven"], **data["oven"]}),
        budget=_suggestion({**data["budget"], **_besides("budget", data)}),
        sources=tuple(data["sources"]),
    )


def chosen_responses(starting: MaterialTemplate, names: Sequence[str] | None) -> tuple[Suggestion, ...]:
    """
    Return the responses of a new study: those that were asked for, in that order, or the family's usual ones for None.

    Raises
    ------
    InputRefused
        For each name that the family does not offer, and where a name is there twice or no name at all.

    """
    if names is None:
        return starting.responses
    known = {one.name: one for one in (*starting.responses, *starting.offers)}
    allowed = f"for {starting.family} the responses to choose from are {quoted(known)}"
    problems = [
        Problem("--responses", f"no response is named '{name}'", allowed, meant(name, known, "name one or more of these"))
        for name in names
        if name not in known
    ]
    if not names or len(set(names)) < len(names):
        found = "a name is there twice" if names else "no response is named"
        problems.append(Problem("--responses", found, allowed, "name each one once, separated by commas"))
    if problems:
        raise InputRefused(problems)
    return tuple(known[name] for name in names)


def new_study_text(
    family: str,
    study_id: str,
    printers: Sequence[str] = ("A", "B"),
    title: str | None = None,
    material: str | None = None,
    responses: Sequence[str] | None = None,
) -> str:
    """
    Return the text of a complete ``study.toml`` with comments, which can be planned as it is.

    Parameters
    ----------
    family : str
    study_id : str
    printers : sequence of str
        Names of the printers; none for a study that names no printer.
    title, material : str, optional
        None: a line to be replaced.
    responses : sequence of str, optional
        Of those that the family offers; None: its usual ones.

    Returns
    -------
    str

    Raises
    ------
    InputRefused
        Where the family or a response is not known, or the id, a printer's name or the title cannot stand in a study.

    """
    starting, general = template(family), template_data()["other"]["text"]
    text = (
        Template(general["skeleton"])
        .substitute(
            cautions="\n".join(_comment(caution, "- ") for caution in starting.cautions),
            sources="\n".join(_comment(source, "- ") for source in starting.sources),
            families=", ".join(families()),
            id=_toml(study_id),
            title=_toml(title if title is not None else starting.title),
            material=_toml(material if material is not None else starting.material),
            family=_toml(family),
            factors=_factors(starting, general),
            stands=_stated(starting.stands).rstrip(),
            responses="\n".join(_table("responses", one) for one in chosen_responses(starting, responses)).rstrip(),
            conditions=_lines(starting.conditions).rstrip(),
            printers=_printers(starting, printers, general).strip(),
            oven=_lines(starting.oven).rstrip(),
            budget=_lines(starting.budget).rstrip(),
        )
        .lstrip("\n")
    )
    parse_study(text, "the new study")
    return text


def _factors(starting: MaterialTemplate, general: Mapping[str, str]) -> str:
    """Return the tables of the factors; where drying is none of them, it follows as a comment, to be kept where it is needed."""
    made = "\n".join(_table("factors", one) for one in starting.factors).rstrip()
    return made if any(one.name == "drying_time" for one in starting.factors) else f"{made}\n{general['drying'].rstrip()}"


def _shared(table: str, name: str, own: Mapping[str, Any]) -> Suggestion:
    """Return what families have in common of one factor or response, and what one of them says of it itself."""
    shared = template_data()["other"]["library"][table][name]
    return _suggestion({**shared, **own.get(name, {})})


def _besides(table: str, data: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return what families have in common of a table, less what one of them says itself."""
    shared = template_data()["other"]["library"][table]
    return {key: item for key, item in shared.items() if key not in data[table]}


def _suggestion(entry: Mapping[str, Any]) -> Suggestion:
    values = {key: item["value"] for key, item in entry.items() if key != "about"}
    sources = {key: item["source"] for key, item in entry.items() if key != "about" and "source" in item}
    to_write = frozenset(key for key, item in entry.items() if key != "about" and item.get("says_what_to_write"))
    return Suggestion(entry.get("about", ""), values, sources, to_write)


def _table(heading: str, suggestion: Suggestion) -> str:
    return f"[[{heading}]]\n{_comment(suggestion.about)}\n{_lines(suggestion)}"


def _lines(suggestion: Suggestion) -> str:
    """Return one line a key, with its source beside it, or above it where it does not fit beside."""
    lines = []
    for key, value in suggestion.values.items():
        line, source = f"{key} = {_toml(value)}", suggestion.sources.get(key)
        beside = f"{line:<{_COMMENT_COLUMN - 1}} # {source}"
        if source is None:
            lines.append(line)
        elif len(beside) <= _WIDTH:
            lines.append(beside)
        else:
            lines += [_comment(source), line]
    return "\n".join(lines) + "\n"


def _stated(suggestion: Suggestion) -> str:
    """Return one line a key, and above it its source as a value of its own, which refusals repeat."""
    lines = []
    for key, value in suggestion.values.items():
        lines += [f"{key}_source = {_toml(suggestion.sources[key])}"] if key != "fibres" and key in suggestion.sources else []
        beside = f" # {suggestion.sources[key]}" if key == "fibres" and key in suggestion.sources else ""
        lines.append(f"{key} = {_toml(value)}" + beside)
    return "\n".join(lines) + "\n"


def _printers(starting: MaterialTemplate, printers: Sequence[str], general: Mapping[str, str]) -> str:
    limits = _toml(dict(starting.limits.values))
    about = "\n".join(_comment(f"{name}: {source}", "  ") for name, source in starting.limits.sources.items())
    hot_end = _lines(starting.hot_end).rstrip()
    entries = (Template(general["printer"]).substitute(name=_toml(name), limits=limits, hot_end=hot_end) for name in printers)
    return general["printers"] + about + "\n\n" + "\n".join(entries)


def _comment(text: str, mark: str = "") -> str:
    """Return text as comment lines; a mark before the first line indents the others."""
    wrapper = textwrap.TextWrapper(
        _WIDTH,
        initial_indent=f"# {mark}",
        subsequent_indent="# " + " " * len(mark),
        break_long_words=False,
        break_on_hyphens=False,
    )
    return wrapper.fill(text)


def _toml(value: Any) -> str:  # noqa: ANN401 - any value of a template
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_toml(item)}" for key, item in value.items()) + " }"
    # JSON and TOML write text, numbers, true, false and lists alike; but TOML escapes the delete character.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
