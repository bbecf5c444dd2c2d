"""The example runs are current, whole, and do what their READMEs say."""

import importlib.util
import re
import shlex
import shutil
import zipfile
from pathlib import Path

import pytest
from openpyxl import load_workbook

ROOT = Path(__file__).parents[2] / "example_runs"
NAMES = sorted(path.name for path in ROOT.iterdir() if (path / "study.toml").exists())
NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")
DIGEST = re.compile(r"\b[0-9a-f]{64}\b")


def maker():
    spec = importlib.util.spec_from_file_location("example_runs_make", ROOT / "make.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


MAKER = maker()


QUICK = "4-no-window"
EACH = [pytest.param(name, marks=() if name == QUICK else pytest.mark.slow) for name in NAMES]


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Return a function that makes a run, and the one that it goes on from, once: its folder, and what its commands said."""
    into, said = tmp_path_factory.mktemp("made"), {}
    by_name = {run.folder: run for run in MAKER.RUNS}

    def make(name):
        if name not in said:
            if by_name[name].after is not None:
                make(by_name[name].after)
            said[name] = dict(MAKER.make(by_name[name], into))
        return into / name, said[name]

    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SOURCE_DATE_EPOCH", "0")  # so that what the script sets is taken back
        yield make


def differences(old, new):
    """Return what differs between two texts: their words, and numbers by more than 1e-9 of their size."""
    words = [NUMBER.sub("#", DIGEST.sub("*", text)) for text in (old, new)]
    if words[0] != words[1]:
        pairs = zip(words[0].splitlines(), words[1].splitlines(), strict=False)
        return next((f"{a!r} is now {b!r}" for a, b in pairs if a != b), "the number of lines differs")
    numbers = ([float(one) for one in NUMBER.findall(DIGEST.sub("*", text))] for text in (old, new))
    return next(
        (f"{a} is now {b}" for a, b in zip(*numbers, strict=True) if a != pytest.approx(b, rel=1e-9, abs=1e-12)), ""
    )


def cells(path):
    return {
        (page.title, cell.coordinate): cell.value
        for page in load_workbook(path)
        for row in page
        for cell in row
        if cell.value
    }


def test_a_changed_number_or_word_is_a_difference():
    assert differences("a 1.0", "a 1.0000000000001") == ""
    assert differences("a 1.0", "a 1.00000001") == "1.0 is now 1.00000001"
    assert differences("a 1.0", "b 1.0") == "'a #' is now 'b #'"


@pytest.mark.parametrize("name", EACH)
def test_it_is_what_the_script_makes(made, name):
    old, new = ROOT / name, made(name)[0]
    files = {str(path.relative_to(old)) for path in old.rglob("*") if path.is_file() and not path.name.startswith(".")}
    assert files == {
        str(path.relative_to(new)) for path in new.rglob("*") if path.is_file() and not path.name.startswith(".")
    }
    compared = [one for one in sorted(files) if Path(one).suffix in {".csv", ".json", ".jsonl", ".toml", ".md"}]
    assert len(compared) >= 10
    assert {
        one: found for one in compared if (found := differences((old / one).read_text(), (new / one).read_text()))
    } == {}
    for book in (one for one in files if one.endswith(".xlsx")):
        assert zipfile.is_zipfile(old / book)
        assert cells(old / book) == cells(new / book)


@pytest.mark.parametrize("name", NAMES)
def test_its_readme_shows_the_commands_that_made_it(name):
    (run,) = [run for run in MAKER.RUNS if run.folder == name]
    shown = re.findall(r"^ {4}\$ doe (.*)$", (ROOT / name / "README.md").read_text(), re.MULTILINE)
    assert [tuple(shlex.split(line)) for line in shown] == list(run.commands)


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_the_commands_to_look_at_it_run(name, tmp_path, monkeypatch):
    shutil.copytree(ROOT / name, tmp_path / "try")
    monkeypatch.chdir(tmp_path / "try")
    commands = re.findall(r"^ {4}doe (.*)$", (ROOT / name / "README.md").read_text(), re.MULTILINE)
    assert {"status", "check", "verify report.pdf"} <= set(commands)
    for line in commands:
        said = MAKER.typed(tuple(shlex.split(line)), Path(), study=not line.startswith("verify"))
        assert said.strip()


def test_no_window_is_said_in_the_words_of_its_readme(made):
    assert "stop: no setting meets every requirement" in " ".join(made(QUICK)[1]["doe recommend"].split())


@pytest.mark.slow
def test_the_confirmation_is_confirmed_and_released(made):
    _, said = made("3-confirmation")
    assert "Confirmation 1 of recommendation 1: confirmed." in said["doe confirm"]
    assert "released recommendation 1" in said["doe release --by the simulated engineer"]
