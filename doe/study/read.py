"""From ``study.toml`` to a Study, with every problem at once."""

import itertools
import re
import tomllib
from collections.abc import Mapping
from functools import cache
from typing import Any

from pydantic import ValidationError

from doe.errors import InputRefused, Problem
from doe.files import Folder, templates_path
from doe.study.draft import Finding, Place, Source, draft_of, key_of
from doe.study.equipment import equipment_findings
from doe.study.nonlinear_scales import scale_findings
from doe.study.references import reference_findings
from doe.study.rules import protocol_findings
from doe.study.spec import Study
from doe.study.units import unit_findings
from doe.study.wording import shape_findings, unknown_key

STUDY = "study.toml"
_LARGEST = 1_000_000

_SYNTAX = (
    (
        "Invalid value",
        "what follows the equals sign is no value",
        "put text in quotes; write numbers as 5 or 2.5, and true or false",
    ),
    ("Expected '=' after a key", "an equals sign is missing after the key", "write key = value; a key has no spaces"),
    ("Cannot overwrite a value", "the key or table is there twice", "keep one of the two"),
    ("Duplicate inline table key", "a key is there twice between the braces", "keep one of the two"),
    ("Cannot declare", "the heading is there twice", "use [[...]] for entries of a list, or keep one of the two"),
    (
        "Cannot mutate immutable namespace",
        "something is added to a table that is already complete",
        "write it in one place",
    ),
    ("Expected ']", "the heading is not closed", "write [study], or [[factors]] for an entry of a list"),
    (
        "Unclosed array",
        "a list is not closed, or a comma is missing in it",
        "separate values with commas and close with ]",
    ),
    (
        "Unclosed inline table",
        "braces are not closed, or a comma is missing in them",
        "separate keys with commas and close with }",
    ),
    ("Unterminated string", "a text is not closed", "close it with the same quote it begins with"),
    ('Expected "', "a text is not closed", "close it with the same quotes it begins with"),
    ("Expected '\"", "a text is not closed", "close it with the same quotes it begins with"),
    ("Unescaped '\\'", "a backslash stands in a text", "write text with backslashes in single quotes"),
    (
        "Expected newline",
        "something follows the value on the same line",
        "write one key a line, and a point in decimals: 2.5",
    ),
    (
        "Illegal character",
        "a text is not closed on its line, or holds a control character",
        "close it with the quote it begins with",
    ),
    (
        "Found invalid character",
        "a text is not closed on its line, or a control character is there",
        "close it, or remove it",
    ),
    ("Exceeds the limit", "a number has thousands of digits", "write a number of ordinary size"),
    ("Invalid date", "the date does not exist", "write year-month-day, for example 2027-03-31"),
)
_NO_SYNTAX = ("the line cannot be understood", "compare it with a study that 'doe new' writes")


def read_study(folder: Folder) -> tuple[Study, bytes]:
    """
    Read ``study.toml``.

    Parameters
    ----------
    folder : Folder

    Returns
    -------
    study : Study
    content : bytes
        Of the file, for its digest.

    Raises
    ------
    InputRefused
        With every problem of the file, each with its key.

    """
    content = folder.read(STUDY)
    return parse_study(_decoded(content, STUDY), STUDY), content


def parse_study(text: str, where: str = STUDY) -> Study:
    """
    Turn the text of a study file into a Study.

    Parameters
    ----------
    text : str
    where : str
        What the text is called in problems.

    Returns
    -------
    Study

    Raises
    ------
    InputRefused
        With every problem, in the order of the file.

    """
    source = Source(where, text, _parsed(text, where))
    study, findings, spoiled = _shaped(source)
    draft = draft_of(source, spoiled)
    families = template_data()
    rules = (
        protocol_findings(draft, families), unit_findings(draft), equipment_findings(draft), reference_findings(draft),
        scale_findings(draft),
    )  # fmt: skip
    for finding in itertools.chain.from_iterable(rules):
        if key_of(finding.place) not in spoiled:
            findings.append(finding)
    if findings or study is None:
        raise InputRefused(source.problems(findings))
    return study


@cache
def template_data() -> Mapping[str, Mapping[str, Any]]:
    """Return the content of every material template by its family, sorted by name, the general one (``other``) last."""
    files = sorted((templates_path() / "materials").glob("*.toml"))
    contents = [tomllib.loads(file.read_text(encoding="utf-8")) for file in files]
    contents.sort(key=lambda content: (content["family"] == "other", content["family"]))
    return {content["family"]: content for content in contents}


def _decoded(content: bytes, where: str) -> str:
    if len(content) > _LARGEST:
        raise _refused(
            where,
            f"the file has {len(content)} bytes",
            f"at most {_LARGEST} are read",
            "check that it is the study file; a study takes a few thousand bytes",
        )
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise _refused(
            f"{where}, line {line}",
            f"byte {error.start + 1} of the file is not UTF-8 text",
            "a text file in UTF-8 is needed",
            "save it again with the encoding UTF-8",
        ) from None


def _parsed(text: str, where: str) -> dict[str, Any]:
    try:
        data: dict[str, Any] = _tuples(tomllib.loads(text))
    except RecursionError:
        raise _refused(
            where,
            "brackets or keys are nested too deeply",
            "lists of numbers or text are the deepest there is",
            "check for brackets that are not closed",
        ) from None
    except ValueError as error:  # of which a TOML error is one, and a number of thousands of digits another
        raise InputRefused(_syntax_problem(text, where, str(error))) from None
    if not data:
        raise _refused(where, "the file is empty", "a study is needed", "write one, or begin with 'doe new'")
    return data


def _tuples(value: Any) -> Any:  # noqa: ANN401 - any TOML value
    """Return a TOML value with its lists as tuples, which strict validation asks for."""
    if isinstance(value, dict):
        return {key: _tuples(item) for key, item in value.items()}
    return tuple(_tuples(item) for item in value) if isinstance(value, list) else value


def _syntax_problem(text: str, where: str, message: str) -> Problem:
    at = re.search(r"at line (\d+), column (\d+)", message)
    lines = text.replace("\r\n", "\n").split("\n")
    line, column = (int(at[1]), int(at[2])) if at else (len(lines), len(lines[-1]) + 1)
    found, remedy = next(((found, remedy) for start, found, remedy in _SYNTAX if message.startswith(start)), _NO_SYNTAX)
    if message.startswith("Invalid value") and not at:
        found = "the file ends in the middle of a value"
        remedy = "complete the value; close lists with ] and texts with a quote"
    shown = lines[line - 1].strip() if line <= len(lines) else ""
    if len(shown) > 60:
        shown = shown[:56] + " ..."
    return Problem(
        f"{where}, line {line}, column {column}",
        f"{found} ('{shown}')" if shown else found,
        "the file must be TOML: headings in brackets, and key = value",
        remedy,
    )


def _shaped(source: Source) -> tuple[Study | None, list[Finding], set[Place]]:
    """Return the study where its shape is right, else the findings and the keys that cannot be used."""
    # The model also accepts its own field name for [study]; the file does not.
    data = {key: value for key, value in source.data.items() if key != "header"}
    findings = [unknown_key(("header",))] if "header" in source.data else []
    try:
        return Study.model_validate(data, strict=True), findings, set()
    except ValidationError as error:
        shape, misspelt = shape_findings(source, error)
    return None, findings + shape, {key_of(finding.place) for finding in shape} | misspelt


def _refused(where: str, found: str, allowed: str, remedy: str) -> InputRefused:
    return InputRefused(Problem(where, found, allowed, remedy))
