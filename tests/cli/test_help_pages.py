"""What ``--help`` says to somebody who never ran a designed experiment."""

import importlib.metadata
import re
import shlex

import pytest
import typer

from doe.cli.app import app
from doe.cli.help_page import SECTIONS
from doe.cli.paragraphs import released

GROUP = typer.main.get_command(app)
COMMANDS = GROUP.commands
OPTIONS = [
    pytest.param(name, parameter, id=f"{name} {parameter.name}")
    for name, command in COMMANDS.items()
    for parameter in command.params
]
EXPLAINED = {
    "axial": "vary one factor alone",
    "fold-over": "mirrored",
    "ascent": "rises fastest",
    "lack of fit": "more than scatter explains",
    "resolution": "told apart",
    "orthogonal": "do not depend on each other",
    "rotatable": "as sharp in every direction",
    "circumscribed": "outside of the corners",
    "fractional": "some of the corners",
    "d-optimal": "sharpest coefficients",
    "i-optimal": "sharpest predictions",
    "seed": "starts the random",
    "exploratory": "nothing is recommended from it",
    "confirm": "recommended setting",
    "drying loads": "",
}
"""Words of the trade, and what the page that has one must say of it; nothing: the word is anybody's in the workshop."""
UNEXPLAINED = (
    "alias", "confounded", "REML", "stratum", "strata", "whole plot", "degrees of freedom", "heteroscedastic", "covariance",
    "design matrix", "protocol lock", "digest", "schema", "regular expression", "stdout", "boolean", "half ranges",
)  # fmt: skip


def page(doe, *arguments):
    status, out, err = doe(*arguments, "--help")
    assert (status, err) == (0, "")
    return out


def test_the_version_is_that_of_the_installed_package(doe):
    assert doe("--version") == (0, f"doe {importlib.metadata.version('testprint-doe')}\n", "")


@pytest.mark.parametrize("arguments", [(), ("plan",)])
def test_a_short_word_for_help(doe, arguments):
    assert doe(*arguments, "-h") == doe(*arguments, "--help")


@pytest.mark.parametrize(("name", "parameter"), OPTIONS)
def test_every_option_is_explained_in_a_sentence(name, parameter):
    said = parameter.help
    assert len(said.split()) >= 4
    assert said.endswith(".")
    assert re.match(r"[A-Z]|\S+: ", said)


@pytest.mark.parametrize("name", COMMANDS)
def test_no_page_names_a_type_or_doubles_a_bracket(doe, name):
    shown = page(doe, name)
    for found in ("<", "[[", "]]", "{", "x>=", "<=x", " range>", "INTEGER", "[default: .]"):
        assert found not in shown
    assert re.search(rf"^Usage: .*doe {name} \[OPTIONS\]( \[?[A-Z]+\]?(\.\.\.)?)?$", shown.split("\n")[0])


@pytest.mark.parametrize("name", COMMANDS)
def test_a_word_of_the_trade_is_explained_where_it_stands(doe, name):
    shown = " ".join(page(doe, name).split())
    for word in UNEXPLAINED:
        assert not re.search(rf"\b{word}", shown, flags=re.IGNORECASE), word
    for word, explanation in EXPLAINED.items():
        if re.search(rf"(?<!doe )\b{word}\b", shown.split("Options:", 1)[1]):
            assert explanation in shown, word


@pytest.mark.parametrize("columns", [80, 100])
@pytest.mark.parametrize("name", [*COMMANDS, None])
def test_a_page_breaks_no_word_and_stays_within_the_terminal(doe, monkeypatch, name, columns):
    monkeypatch.setenv("COLUMNS", str(columns))
    lines = page(doe, *([] if name is None else [name])).splitlines()
    assert max(map(len, lines)) <= columns
    assert not [line for line in lines if re.search(r"\w-$", line)]
    assert not [line for line in lines if re.search(r"'doe( [^']*)?$", line)]


def test_the_list_of_commands_has_each_in_one_place_with_a_whole_sentence(doe):
    shown = page(doe)
    assert sorted(name for _, names in SECTIONS for name in names) == sorted(COMMANDS)
    assert "..." not in shown.split("Learn:")[1]
    text = " ".join(shown.split())
    for name, command in COMMANDS.items():
        sentence = released(" ".join(command.help.split("\n\n")[0].split())).split(". ")[0].removesuffix(".")
        assert f" {name} {sentence}." in text


def test_a_limit_of_a_number_is_said_in_words(doe):
    assert "[default: 2; 1 to 12]" in " ".join(page(doe, "new").split())
    assert "[default: 20; 0 or more]" in " ".join(page(doe, "demo").split())


def test_commands_that_take_a_choice_show_an_example(doe):
    for name in ("plan", "new", "extend", "release", "amend"):
        assert f"For instance: doe {name} " in " ".join(page(doe, name).split())


@pytest.mark.parametrize("name", COMMANDS)
def test_every_example_of_a_page_is_taken(doe, name):
    for line in re.findall(r"For instance: (doe .+)", page(doe, name)):
        _, command, *arguments = shlex.split(line)
        COMMANDS[command].make_context(command, arguments)
