"""What operators read, in the language that a study asks for: the texts of ``templates/operators``, one file a language."""

import functools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from doe.study.languages.read import language_files
from doe.study.spec import Study

ENGLISH = "en"


@dataclass(frozen=True)
class Texts:
    """The texts of one language."""

    language: str
    """Its code: the name of its file."""
    _texts: Mapping[str, str]
    _titles: Mapping[str, str]
    """Of the sheets, as they are put into texts."""
    _cautions: Mapping[str, str]

    def __call__(self, key: str, **values: object) -> str:
        """
        Return a text.

        Parameters
        ----------
        key : str
            Tables and key of the file, with dots: ``columns.outcome``.
        **values
            What is put in for ``{name}``; the names of the sheets are known as ``{sheet_prints}`` and so on.
        """
        text = self._texts[key]
        return text.format(**self._titles, **values) if "{" in text else text

    def table(self, name: str) -> dict[str, str]:
        """Return a table of the file, in its order, with what is written there."""
        start = f"{name}."
        return {key.removeprefix(start): text for key, text in self._texts.items() if key.startswith(start)}

    def name(self, name: str) -> str:
        """Return a factor's, response's or condition's name as people read it: ``Nozzle temperature``."""
        text = " ".join(name.replace("_", " ").split())
        return self._texts.get(f"names.{name}", text[:1].upper() + text[1:])

    def within(self, name: str) -> str:
        """Return a name as it is written within a sentence."""
        text = self.name(name)
        return text.lower() if self._texts["grammar.lower_case_names"] == "yes" else text

    def number(self, value: float) -> str:
        """Return a number with up to six digits, with the language's decimal sign."""
        return f"{value:g}".replace(".", self._texts["grammar.decimal"])

    def caution(self, english: str) -> str:
        """Return a caution of the materials' templates; in English where there is no translation of just this sentence."""
        return self._cautions.get(english, english)


def languages() -> tuple[str, ...]:
    """Return the codes of the languages that there are texts in, sorted."""
    return tuple(language_files())


@functools.cache
def texts(language: str) -> Texts:
    """Return the texts of one of :func:`languages`."""
    data = {key: value for key, value in language_files()[language].items() if key != "cautions"}
    cautions = {one["english"]: one["text"] for one in language_files()[language].get("cautions", [])}
    titles = {f"sheet_{name}": title for name, title in data["sheets"].items()}
    return Texts(language, dict(_flat(data)), titles, cautions)


def texts_of(study: Study) -> Texts:
    """Return the texts in the language of a study."""
    return texts(study.header.operator_language)


def in_language(study: Study, language: str) -> Study:
    """Return a study with its workbooks in another language; nothing else of it differs."""
    return study.model_copy(update={"header": study.header.model_copy(update={"operator_language": language})})


def _flat(data: Mapping[str, Any], above: str = "") -> Iterator[tuple[str, str]]:
    for key, value in data.items():
        if isinstance(value, Mapping):
            yield from _flat(value, f"{above}{key}.")
        else:
            yield f"{above}{key}", str(value)
