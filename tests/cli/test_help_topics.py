"""``doe help``: what its topics show must exist, and the walk-through must work as it is written."""

import csv
import json
import re
import shlex
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import typer
from scipy import stats

from doe.cli import help_topics
from doe.cli.app import app
from doe.cli.open_study import OpenStudy
from doe.demo import bench, read
from doe.demo.write import fill_workbook
from doe.errors import InternalFault
from doe.files import Folder
from doe.sheet import layout
from doe.sheet.columns import DEVIATIONS, OUTCOMES

README = Path(__file__).parents[2] / "README.md"
STUDIES = Path(__file__).parents[1] / "studies"
COMMANDS = typer.main.get_command(app).commands
TOPICS = help_topics.topics()
HEAVY = ("pandas", "numpy", "statsmodels", "matplotlib", "openpyxl", "scipy", "typst", "doe.study", "doe.report")


def blocks(text):
    """Return the lines that a text indents by four spaces, without the indent."""
    return re.findall(r"^ {4}(.*)$", text, flags=re.MULTILINE)


def shown(topic):
    """Return every command line of a topic: those in blocks and those in a sentence."""
    inline = re.findall(r"`(doe [^`]+)`", topic.text)
    return [*(line for line in blocks(topic.text) if line.startswith("doe ")), *inline]


def is_bare(line):
    """Whether a command is only spoken of, as `doe new`: what it requires need not be given."""
    return len(line.split()) == 2


def unknown(line):
    """Return what the parser says against a command line, or nothing; no command is run."""
    _, name, *arguments = shlex.split(line)
    if name not in COMMANDS:
        return f"no command {name}"
    try:
        COMMANDS[name].make_context(name, arguments)
    except Exception as error:  # the class belongs to the parser that typer brings along
        return str(error) or type(error).__name__
    return ""


LINES = [(name, line) for name, topic in TOPICS.items() for line in shown(topic)]


@pytest.mark.parametrize(("name", "line"), LINES, ids=[f"{name}: {line}" for name, line in LINES])
def test_every_command_that_a_topic_shows_exists(name, line):
    if is_bare(line):
        assert line.split()[1] in COMMANDS
    else:
        assert unknown(line) == ""


def test_a_command_in_a_block_is_whole():
    typed = [line for topic in TOPICS.values() for line in blocks(topic.text) if line.startswith("doe ")]
    assert len(typed) > 15
    assert [line for line in typed if unknown(line)] == []


@pytest.mark.parametrize(
    "line",
    ["doe plot", "doe plan --nonsense", "doe plan --prints many", "doe release", "doe verify", "doe extend --kind none"],
)
def test_a_command_that_does_not_exist_is_found_out(line):
    assert unknown(line) != ""


def test_the_list_names_every_topic(doe):
    status, out, err = doe("help")
    assert (status, err) == (0, "")
    for one in TOPICS.values():
        assert re.search(rf"^  {one.topic} +{re.escape(one.about)}$", out, flags=re.MULTILINE)
    assert [path.stem.split("-", 1)[1] for path in sorted((README.parent / "templates/help").iterdir())] == list(TOPICS)
    assert list(TOPICS) == [
        "walk-through", "how-many", "intervals", "when-not", "failures", "printers", "z-offset", "words", "safety",
        "planning", "print-floor", "fitting", "aims", "limits", "drying",
    ]  # fmt: skip


def test_the_list_as_json(doe):
    status, out, _ = doe("help", "--json")
    assert status == 0
    listed = json.loads(out)["topics"]
    assert [one["topic"] for one in listed] == list(TOPICS)
    assert all(one["about"] for one in listed)


@pytest.mark.parametrize("name", TOPICS)
def test_a_topic_is_printed_whole_and_fits_80_columns(doe, monkeypatch, name):
    monkeypatch.delenv("COLUMNS", raising=False)
    status, out, err = doe("help", name)
    assert (status, err) == (0, "")
    assert max(map(len, out.splitlines())) <= 80
    source = f"{TOPICS[name].about}\n{TOPICS[name].text}"
    said = re.sub(r"^## ", "", source, flags=re.MULTILINE).replace("`", "'").lower()
    assert out.lower().split() == said.split()


@pytest.mark.parametrize("name", [name for name in TOPICS if name not in {"walk-through", "limits"}])
def test_a_topic_is_short(doe, name):
    assert len(list(help_topics.laid_out(TOPICS[name], 80))) <= 70


@pytest.mark.parametrize("name", TOPICS)
def test_a_topic_as_json(doe, name):
    status, out, _ = doe("help", name, "--json")
    assert status == 0
    assert json.loads(out) == {"topic": name, "about": TOPICS[name].about, "text": TOPICS[name].text}


def test_a_narrow_terminal_gets_narrow_lines_and_whole_commands(doe, monkeypatch):
    monkeypatch.setenv("COLUMNS", "50")
    _, out, _ = doe("help", "failures")
    assert max(len(line) for line in out.splitlines() if "'doe " not in line) <= 50
    assert "'doe plan --reprint'" in out


def test_a_wide_terminal_gets_lines_that_can_be_read(doe, monkeypatch):
    monkeypatch.setenv("COLUMNS", "300")
    assert 80 < max(map(len, doe("help", "safety")[1].splitlines())) <= 100


@pytest.mark.parametrize("json_too", [(), ("--json",)])
def test_an_unknown_topic_is_wrong_usage_and_lists_them(doe, json_too):
    status, out, err = doe("help", "statistics", *json_too)
    assert (status, out) == (2, "")
    assert "there is no topic 'statistics'" in " ".join(err.split())
    for name in TOPICS:
        assert name in err


def test_help_on_a_topic_starts_without_heavy_libraries():
    code = (
        "import sys; sys.argv = ['doe', 'help', 'words']\nfrom doe.cli.app import main\ntry:\n    main()\n"
        f"except SystemExit: pass\nprint('LOADED', [name for name in {HEAVY!r} if name in sys.modules])"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "LOADED []" in ran.stdout


@pytest.mark.parametrize(("file", "text"), [("1-one.md", "no heading\n\ntext\n"), ("one.md", "# heading\n\ntext\n")])
def test_a_text_that_is_no_topic_is_a_fault_of_ours(tmp_path, monkeypatch, file, text):
    (tmp_path / "help").mkdir()
    (tmp_path / "help" / file).write_text(text)
    monkeypatch.setattr(help_topics, "templates_path", lambda: tmp_path)
    with pytest.raises(InternalFault, match=r"a topic is named like 1-words\.md and begins with a heading"):
        help_topics.topics()


def test_failures_explains_every_outcome_and_deviation():
    for word in {*OUTCOMES, *DEVIATIONS} - {"completed"}:
        assert f"`{word}`" in TOPICS["failures"].text


def test_the_setpoint_of_the_example_follows_from_its_readings():
    text = TOPICS["printers"].text
    readings = {key: json.loads(re.search(rf"^    {key} = (.+)$", text, flags=re.MULTILINE)[1]) for key in ("set", "actual")}
    slope, start = np.polyfit(readings["set"], readings["actual"], 1)
    actual, setpoint = map(float, re.search(r"(\d+) actual takes a setpoint of about (\d+\.\d)", text).groups())
    assert round((actual - start) / slope, 1) == setpoint


def test_the_numbers_about_loads_and_coupons():
    said = TOPICS["how-many"].text
    assert f"then {stats.t.ppf(0.975, 2):.1f} standard errors" in " ".join(said.split())
    assert round(5 / (1 + 4 * 0.6), 1) == 1.5
    words = " ".join(TOPICS["words"].text.split())
    two, ten, many = (f"{stats.t.ppf(0.975, freedom):.1f}" for freedom in (2, 10, 1e9))
    assert f"With two, a 95 % interval is {two} standard errors to each side, with ten {ten}, with very many {many}." in words


def test_the_numbers_about_recommendations_are_those_of_the_simulation():
    lines = [line for line in (STUDIES / "recommendation.csv").read_text().splitlines() if not line.startswith("#")]
    rows = {(row["prints"], row["loads"]): row for row in csv.DictReader(lines) if set(list(row.values())[2:6]) == {"any"}}
    table = TOPICS["how-many"].text.split("In 504 simulated studies")[1]
    sizes = re.search(r"prints / loads +(.*)", table)[1].split()
    for label, column in (
        ("% of those at the best setting", "mean ratio to best"),
        ("at the setting found, median, %", "median truth"),
        ("could be promised (bound), median, %", "median bound"),
    ):
        said = re.search(rf"{re.escape(label)} +(.*)", table)[1].split()
        found = [float(rows[tuple(size.split("/"))][column]) for size in sizes]
        assert [abs(100 * one - float(shown)) <= 0.51 for one, shown in zip(found, said, strict=True)] == [True] * 3


@pytest.mark.slow
def test_the_table_of_effects_is_what_the_plans_promise(tmp_path, doe):
    table = TOPICS["how-many"].text.split("with 80 % probability")[1]
    sizes, settings, drying = (
        re.search(rf"^    {label} +(.*)$", table, flags=re.MULTILINE)[1].split()
        for label in ("prints / loads", "settings of each print", "drying time")
    )
    assert doe("new", tmp_path / "mine", "--family", "PA-CF")[0] == 0
    asked = [part for size in sizes for part in ("--candidate", size)]
    status, out, err = doe("plan", "--compare", *asked, "--seed", 1, "--study", tmp_path / "mine")
    assert status == 0, err
    rows = re.search(r"Smallest effects that would be found\n(?:.*\n){2}((?:.* \((?:prints|loads)\) .*\n)+)", out)[1]
    values = {name: cells.split() for name, cells in re.findall(r"^(.*?) \(\w+\) +(.*)$", rows, flags=re.MULTILINE)}
    assert values.pop("drying time") == drying
    worst = [max(map(float, column)) for column in zip(*values.values(), strict=True)]
    assert worst == [float(one) for one in settings]


def filled(path):
    """Print and test what the latest sheet asks for on the simulated bench, and type it into the workbook."""
    opened = OpenStudy(Folder(path))
    study = opened.study()
    design = opened.design(study)
    latest = int(design.runs["round"].max())
    results = bench.run(study, replace(design, runs=design.of_round(latest)), latest)
    book = path / "sheets" / f"round-{latest}.xlsx"
    book.write_bytes(fill_workbook(book.read_bytes(), layout.locations(study, design, latest), results))


@pytest.mark.slow
def test_the_walk_through_works_as_it_is_written(tmp_path, doe, monkeypatch):
    monkeypatch.chdir(tmp_path)
    typed = blocks(TOPICS["walk-through"].text)
    for line in typed:
        program, *arguments = shlex.split(line)
        if program == "cd":
            monkeypatch.chdir(arguments[0])
            Path("study.toml").write_bytes(read.demo_study())
            continue
        status, _, err = doe(*arguments)
        assert status == 0, f"{line}: {err}"
        if arguments[0] == "sheet":
            filled(Path.cwd())
    assert (tmp_path / "practice" / "sheets" / "round-1.xlsx").is_file()
    assert {"release.json", "judgement-1.json", "report.pdf"} <= {path.name for path in Path.cwd().iterdir()}
    assert {shlex.split(line)[1] for line in typed} - {"my-study"} == {
        "demo", "new", "plan", "sheet", "collect", "status", "fit", "recommend", "confirm", "release", "report", "check",
        "verify",
    }  # fmt: skip


def written():
    """Return the README and all topics as one text."""
    return "\n".join([README.read_text(encoding="utf-8"), *(one.text for one in TOPICS.values())])


def named():
    """Return the commands that are written about, from code spans, each as far as the span goes."""
    return sorted(set(re.findall(r"`(doe [a-z][^`]*)`", written())))


@pytest.mark.parametrize("line", named())
def test_every_command_that_is_written_about_exists(line):
    _, name, *arguments = shlex.split(line)
    assert name in COMMANDS
    known = {option for one in COMMANDS[name].params for option in one.opts}
    assert {one for one in arguments if one.startswith("--")} <= known


def test_every_option_that_is_written_about_belongs_to_a_command():
    spans = re.findall(r"`([^`\n]+)`", written())
    options = {one for span in spans if not span.startswith("python ") for one in re.findall(r"(?<![\w-])--[a-z][a-z-]*", span)}
    known = {option for command in COMMANDS.values() for one in command.params for option in one.opts}
    assert len(options) > 15
    assert options <= known
