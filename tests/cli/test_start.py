"""What the commands import, what help says, and what the README promises of them."""

import json
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path
from types import SimpleNamespace

import pytest

from doe.cli import open_study, progress, status_facts, study_status
from doe.cli.plain_values import Plain, in_words
from doe.cli.plan_options import Purpose
from doe.design import plan as design_plan
from doe.design.extend import left_of_budget
from doe.design.read import PLAN
from doe.files import Folder
from doe.record.integrity import DRAFT
from doe.study import materials
from doe.study.read import parse_study
from tests.cli.conftest import written_down

pytestmark = pytest.mark.usefixtures("undrawn_throughout")

README = Path(__file__).parents[2] / "README.md"
COMMANDS = (
    "amend", "check", "collect", "confirm", "demo", "drying", "extend", "fit", "help", "new", "plan",
    "recommend", "release", "report",
    "sheet", "status",
    "verify",
)  # fmt: skip
HEAVY = ("numpy", "pandas", "statsmodels", "matplotlib", "openpyxl", "scipy", "typst", "pydantic")


def loaded(*arguments):
    """Run a command in a process of its own; return what it printed and the heavy libraries that it loaded."""
    code = (
        f"import sys; sys.argv = ['doe', *{list(map(str, arguments))!r}]\nfrom doe.cli.app import main\ntry:\n    main()\n"
        f"except SystemExit: pass\nprint('LOADED', *[name for name in {HEAVY!r} if name in sys.modules])"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    said, _, heavy = ran.stdout.rpartition("LOADED")
    return said + ran.stderr, heavy.split()


def test_help_starts_without_heavy_libraries():
    assert loaded("--help")[1] == []
    said, heavy = loaded("help", "words")
    assert "load" in said
    assert heavy == []


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help(doe, command):
    status, out, _ = doe(command, "--help")
    assert status == 0
    assert "--json" in out


def test_the_readme_names_every_command_and_no_other():
    text = README.read_text(encoding="utf-8")
    named = set(re.findall(r"`doe ([a-z]+)", text)) | set(re.findall(r"bin/doe ([a-z]+)", text))
    assert named == set(COMMANDS)


def test_the_readme_has_exactly_two_set_up_commands():
    section = README.read_text(encoding="utf-8").split("## Two commands")[1].split("\n## ")[0]
    commands = [line for line in section.splitlines() if line.startswith("    ")]
    assert len(commands) == 2
    assert "doe demo" in commands[0]
    assert "pytest" in commands[1]


def test_status_walks_through_the_steps(tmp_path, doe):
    assert "doe new" in doe("status", "--study", tmp_path)[1]
    assert doe("new", tmp_path / "mine", "--family", "PA-CF")[0] == 0
    assert "Next: edit study.toml, then doe plan" in doe("status", "--study", tmp_path / "mine")[1]
    written_down(tmp_path / "mine")
    assert "Next: doe plan" in doe("status", "--study", tmp_path / "mine")[1]
    assert doe("plan", "--study", tmp_path / "mine")[0] == 0
    assert "Next: doe sheet" in doe("status", "--study", tmp_path / "mine")[1]
    assert doe("sheet", "--study", tmp_path / "mine")[0] == 0
    assert "Next: doe collect" in doe("status", "--study", tmp_path / "mine")[1]
    assert doe("collect", "--study", tmp_path / "mine")[0] == 0
    # a fit would be refused: nothing is recorded
    assert doe("status", "--study", tmp_path / "mine")[1].splitlines()[-1] == "Next: doe collect when prints are filled in"


def test_new_prints_the_cautions(tmp_path, doe):
    status, out, _ = doe("new", tmp_path / "mine", "--family", "PA-CF")
    assert status == 0
    for word in ("SDS", "fibre", "oven", "hot"):
        assert word.lower() in out.lower()


@pytest.mark.parametrize("begun", [False, True])
def test_status_before_a_plan_starts_without_heavy_libraries(tmp_path, doe, begun):
    if begun:
        assert doe("new", tmp_path / "mine", "--family", "PA-CF")[0] == 0
    said, heavy = loaded("status", "--study", tmp_path / "mine")
    assert ("declared, not planned" if begun else "There is no study") in said
    assert heavy == []


@pytest.mark.parametrize("command", ["plan --prints 30 --kind compound", "collect", "confirm", "verify no-such-report.pdf"])
def test_without_a_study_or_report_commands_are_refused_before_a_heavy_library_is_loaded(tmp_path, command):
    of_study = [] if command.startswith("verify") else ["--study", tmp_path]
    said, heavy = loaded(*command.split(), *of_study)
    assert ("it cannot be read" if not of_study else "there is no study.toml in it") in " ".join(said.split())
    assert heavy == []


@pytest.mark.parametrize(
    ("kind", "typed", "value"),
    [
        (int, "12", 12), (int, 12, 12), (Path, "a/b", Path("a/b")), (str, "", ""), (Purpose, "map", Purpose.map),
        (Purpose, Purpose.map, Purpose.map), (int, None, None),
    ],
)  # fmt: skip
def test_a_plain_value_is_taken_without_the_library_of_the_parser(kind, typed, value):
    def library():
        raise AssertionError("the library was asked")

    given = SimpleNamespace(
        get_runtime_param=library, nargs=1, multiple=False,
        type_descriptor=SimpleNamespace(annotation=kind, parameter_info=SimpleNamespace(min=None, max=None)),
    )  # fmt: skip
    taken = Plain(given).coerce(typed, given, None)
    assert taken == value and type(taken) is type(value)
    with pytest.raises(AssertionError, match="the library was asked"):
        Plain(given).coerce(object(), given, None)


# What the log vouches for is read without libraries, and says the same


RUNS = Path(__file__).parents[2] / "example_runs"
FINISHED = ("2-response-surface", "3-confirmation")


@pytest.fixture(params=FINISHED)
def finished(request, tmp_path):
    return Folder(shutil.copytree(RUNS / request.param, tmp_path / "study"))


def test_status_of_a_reported_study_loads_no_heavy_library_and_writes_nothing(finished):
    before = {path: path.read_bytes() for path in finished.path.rglob("*") if path.is_file()}
    said, heavy = loaded("status", "--study", finished.path)
    assert "Next: " in said
    assert heavy == []
    assert {path: path.read_bytes() for path in finished.path.rglob("*") if path.is_file()} == before


def states(folder):
    """Yield the study after each of its steps, from its log: files that a later step wrote are not there yet."""
    lines = folder.log()
    texts = folder.log_texts()
    last = {name: line["wrote"][name] for line in lines for name in line["wrote"]}
    for at in range(len(lines), 0, -1):
        known = {name: value for line in lines[:at] for name, value in line["wrote"].items()}
        for name in set(last) - set(known):
            folder.locate(name).unlink(missing_ok=True)
        if any(last[name] != value for name, value in known.items()):
            return  # an earlier state of a file is not kept anywhere
        (folder.path / "log.jsonl").write_bytes(b"".join(text + b"\n" for text in texts[:at]))
        yield lines[at - 1]["command"]


def test_the_log_gives_what_the_whole_reader_sees(finished):
    seen = []
    for command in states(finished):
        quick = status_facts.facts_by_log(finished)
        assert quick is not None
        assert quick == status_facts.facts_by_reading(finished)
        seen.append(command)
    assert {"report", "recommend", "fit", "collect"} & set(seen)


def test_the_log_leaves_it_to_the_whole_reader_where_a_file_was_edited(finished):
    for name in ("study.toml", "plan.csv", "record/prints.csv", "record/checks.csv"):
        whole = finished.read(name)
        (finished.path / name).write_bytes(whole + b"\n")
        assert status_facts.facts_by_log(finished) is None
        (finished.path / name).write_bytes(whole)
    (finished.path / "record/loads.csv").unlink()
    assert status_facts.facts_by_log(finished) is None


def test_what_another_version_read_is_read_anew(finished, monkeypatch):
    monkeypatch.setattr(status_facts, "__version__", "9.9")
    assert status_facts.facts_by_log(finished) is None


def test_status_says_the_same_by_either_way(finished, monkeypatch):
    quick = study_status.status(finished)
    monkeypatch.setattr(study_status, "facts_by_log", lambda folder: None)
    assert study_status.status(finished) == quick


def test_an_edited_study_is_refused_as_by_every_command(finished, doe):
    edited = finished.read("study.toml").replace(b"low = 255", b"low = 250")
    (finished.path / "study.toml").write_bytes(edited)
    status, _, err = doe("status", "--study", finished.path)
    assert status == 3
    assert "doe amend" in err


@pytest.mark.parametrize("left", [".doe.lock", ".doe-staging"])
def test_looking_at_the_log_keeps_off_where_a_command_works(finished, left):
    (finished.path / left).mkdir()
    assert finished.undisturbed(lambda: "read") is None


def test_what_was_read_while_a_command_ended_does_not_count(finished):
    def read():
        open_study.OpenStudy(finished).commit("fit", {})
        return "read"

    assert finished.undisturbed(read) is None
    assert finished.undisturbed(lambda: "read") == "read"


def test_what_is_left_of_the_budget_is_counted_as_by_a_further_round(finished):
    at = open_study.OpenStudy(finished)
    study = at.study()
    assert status_facts.facts_by_reading(finished).left_of_budget() == left_of_budget(study, at.design(study))


def test_kinds_and_rounds_are_named_as_where_they_are_planned():
    assert (progress.PILOT_ROUND, progress.CONFIRMATION_KIND) == (design_plan.PILOT, design_plan.CONFIRMATION)


# What is typed


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("plan --prints x", "'x' is not a whole number"),
        ("plan --prints 0", "0 is too small: 1 or more"),
        ("plan --loads 501", "501 is too large: 500 or less"),
        ("plan --kind zz", "'zz' is not one of 'factorial'"),
        ("drying --diameter thin", "'thin' is not a number"),
        ("plan --candidates 3", "No such option"),
        ("new", "Missing argument 'DIR'"),
    ],
)
def test_wrong_usage_is_said_in_plain_words(doe, typed, said):
    status, _, err = doe(*typed.split())
    assert status == 2
    assert said in err
    assert "Input should" not in err and "Value error" not in err


def test_a_refusal_that_is_plain_already_stays():
    assert in_words("Directory 'x' is not readable.", "x") == "Directory 'x' is not readable."


def test_json_of_status_has_all_of_it(finished, doe):
    status, out, _ = doe("status", "--json", "--study", finished.path)
    assert status == 0
    assert set(json.loads(out)) == {"study", "state", "next", "draft", "release_ended"}


# What a new study offers


@pytest.mark.parametrize("family", ["PA-CF", "other"])
def test_the_keys_that_a_new_study_only_mentions_can_be_taken(family):
    text = materials.new_study_text(family, "mine")
    assert "# scale " in text
    start, end = text.index("# [material.drying]\n"), text.index('# air = "illustrative"\n') + len('# air = "illustrative"\n')
    taken = re.sub(r"(?m)^# ", "", text[start:end])
    assert set(tomllib.loads(taken)["material"]["drying"]["basis"].values()) == {"illustrative"}
    changed = (text[:start] + taken + text[end:]).replace("# operator_language =", "operator_language =")
    study = parse_study(changed)
    assert study.material.drying is not None
    assert study.header.operator_language == "de"


def test_files_that_status_looks_for_are_named_as_where_they_are_read():
    assert (open_study.PLAN_FILE, open_study.DRAFT_FILE) == (PLAN, DRAFT)
