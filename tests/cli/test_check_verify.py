"""``doe check`` on the command line, and studies that are killed, shared between commands, or short of space."""

import json
import os
import resource
import subprocess
import sys

import pytest

from doe.errors import InputRefused, NotReproduced, Problem
from doe.files import Folder
from tests.cli.conftest import snapshot, strength_study

STUDY = strength_study("main")


@pytest.fixture
def path(tmp_path, doe):
    folder = tmp_path / "clip"
    folder.mkdir()
    (folder / "study.toml").write_text(STUDY)
    status, _, err = doe("plan", "--kind", "factorial", "--seed", 3, "--study", folder)
    assert status == 0, err
    return folder


def test_check_passes_and_changes_nothing(path, doe):
    before = snapshot(path)
    status, out, err = doe("check", "--study", path)
    assert (status, err) == (0, "")
    assert "2 files are as the log's 1 lines say; nothing was altered outside doe." in out
    status, out, _ = doe("check", "--study", path, "--json")
    assert json.loads(out) == {"lines": 1, "files": 2, "notes": []}
    assert snapshot(path) == before


def test_check_lists_what_was_altered(path, doe):
    (path / "plan.csv").write_bytes((path / "plan.csv").read_bytes().replace(b"255", b"256", 1))
    (path / "fit.json").write_text("{}")
    status, out, err = doe("check", "--study", path)
    assert (status, out) == (3, "")
    assert err.startswith("Altered outside doe: 2 problems.\n")
    assert "plan.csv: it was altered since 'doe plan' wrote it" in err
    assert "fit.json: the log does not know it" in err


def test_a_log_that_was_edited_is_refused_by_every_command(path, doe):
    (path / "log.jsonl").write_bytes((path / "log.jsonl").read_bytes().replace(b'"plan"', b'"pl4n"', 1))
    for command in ("status", "sheet", "fit"):
        status, _, err = doe(command, "--study", path)
        assert status == 3
        assert "log.jsonl, line 1: it is not a line that doe wrote" in err


def test_a_line_separator_in_a_reason_does_not_break_the_log(path, doe):
    (path / "study.toml").write_text(STUDY.replace("20.0", "21.0"))
    status, _, err = doe("amend", "--reason", "one\u2028two\u0085three", "--study", path)
    assert status == 0, err
    assert doe("check", "--study", path)[0] == 0
    assert Folder(path).log()[-1]["detail"]["reason"] == "one\u2028two\u0085three"


def test_a_full_disk_gives_one_line_and_leaves_the_study(path, doe):
    before = snapshot(path)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (2000, hard))
    try:
        with pytest.raises(InputRefused, match=r"nothing can be written there \(File too large\)"):
            Folder(path).commit("test", {"big.txt": b"0" * 5000}, reads={}, version="test")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert snapshot(path) == before


def test_of_many_differences_the_first_are_shown_and_the_rest_is_counted(monkeypatch, doe, tmp_path):
    from doe.cli import verifying

    def differs(_):
        raise NotReproduced(Problem(f"page {number}", "one", "another", "none") for number in range(1, 81))

    monkeypatch.setattr(verifying, "verified", differs)
    status, out, err = doe("verify", tmp_path / "report.pdf")
    lines = err.splitlines()
    assert (status, out, lines[0]) == (3, "", "Not reproduced: 80 problems.")
    assert lines[12] == "- page 12: one; another; none."
    assert lines[13:] == ["and 68 more differences, of words or of numbers; --json lists all."]
    assert len(json.loads(doe("verify", tmp_path / "report.pdf", "--json")[1])["problems"]) == 80


@pytest.mark.slow
def test_studies_survive_their_commands_being_killed():
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run(
        [sys.executable, "-m", "tests.studies.kills", "4", "7", "sheet"], capture_output=True, text=True, env=environment,
        check=False, timeout=120,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "4 kills, seed 7" in done.stdout
