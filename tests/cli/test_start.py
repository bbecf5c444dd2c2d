"""What the commands import, what help says, and what the README promises of them."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

README = Path(__file__).parents[2] / "README.md"
COMMANDS = (
    "amend", "check", "collect", "confirm", "demo", "drying", "extend", "fit", "help", "new", "plan",
    "recommend", "release", "report",
    "sheet", "status",
    "verify",
)  # fmt: skip
HEAVY = ("pandas", "statsmodels", "matplotlib", "openpyxl", "scipy", "typst", "pydantic")


def test_help_starts_without_heavy_libraries():
    code = (
        "import sys; sys.argv = ['doe', '--help']\nfrom doe.cli.app import main\ntry:\n    main()\nexcept SystemExit: pass\n"
        f"print('LOADED', [name for name in {HEAVY!r} if name in sys.modules])"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "LOADED []" in ran.stdout


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
    assert "Next: doe plan" in doe("status", "--study", tmp_path / "mine")[1]
    assert doe("plan", "--study", tmp_path / "mine")[0] == 0
    assert "Next: doe sheet" in doe("status", "--study", tmp_path / "mine")[1]
    assert doe("sheet", "--study", tmp_path / "mine")[0] == 0
    assert "Next: doe collect" in doe("status", "--study", tmp_path / "mine")[1]


def test_new_prints_the_cautions(tmp_path, doe):
    status, out, _ = doe("new", tmp_path / "mine", "--family", "PA-CF")
    assert status == 0
    for word in ("SDS", "fibre", "oven", "hot"):
        assert word.lower() in out.lower()
