"""Evidence: hashed when it is collected, compared when the study is checked, and listed in the report."""

import hashlib

import pytest

from doe.cli import planning, steps
from doe.cli.collecting import Asked, collect
from doe.design.request import PlanRequest
from doe.files import Folder
from doe.record.evidence import digests, gathered, logged
from doe.record.integrity import examine
from doe.report.protocol import evidence_rows
from tests.cli.conftest import strength_study


def lay(folder, name, content):
    path = folder.path / "evidence" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)


@pytest.fixture
def folder(tmp_path):
    made = Folder(tmp_path)
    (made.path / "study.toml").write_text(strength_study("main"))
    planning.plan(made, PlanRequest(kind="factorial", centre=2, seed=1))
    steps.sheet(made)
    lay(made, "curves/P01.csv", b"0,0\n1,250\n")
    lay(made, "bag.jpg", b"")
    lay(made, ".hidden", b"x")
    return made


def said(folder):
    seen = examine(folder)
    return [str(one) for one in seen.problems], list(seen.notes)


def test_the_digests_are_those_of_the_standard(folder):
    # SHA-256 of the empty message: NIST, FIPS 180-4, example values ("from memory").
    assert digests(folder)["evidence/bag.jpg"] == "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    assert set(digests(folder)) == {"evidence/bag.jpg", "evidence/curves/P01.csv"}


def test_large_files_are_hashed_piece_by_piece(folder, monkeypatch):
    content = bytes(range(256)) * 40_000
    lay(folder, "large.bin", content)
    monkeypatch.setattr("pathlib.Path.read_bytes", lambda self: pytest.fail("it was read whole"))
    assert digests(folder)["evidence/large.bin"] == hashlib.sha256(content).hexdigest()


def test_before_the_first_collection_it_is_only_new(folder):
    problems, notes = said(folder)
    assert problems == []
    assert notes == [
        "Since the last collection 2 new in evidence/: evidence/bag.jpg, evidence/curves/P01.csv; doe collect covers them."
    ]


def test_collect_puts_the_digests_in_its_line_of_the_log(folder):
    done = collect(folder, Asked())
    line = folder.log()[-1]
    assert line["command"] == "collect"
    assert line["detail"]["evidence"] == digests(folder)
    assert any("2; in all 2" in text for text in done.lines)
    assert said(folder) == ([], [])
    assert gathered(folder).detail == {}
    lines = len(folder.log())
    collect(folder, Asked())
    assert len(folder.log()) == lines  # nothing new, no line


def test_what_was_altered_or_is_gone_is_named(folder):
    collect(folder, Asked())
    lay(folder, "curves/P01.csv", b"0,0\n1,260\n")
    (folder.path / "evidence" / "bag.jpg").unlink()
    problems, _ = said(folder)
    assert [text.split(":")[0] for text in problems] == ["evidence/bag.jpg", "evidence/curves/P01.csv"]
    assert "it is gone since it was collected" in problems[0] and "it was altered since it was collected" in problems[1]


def test_collecting_it_again_does_not_hide_that_it_was_altered(folder):
    collect(folder, Asked())
    lay(folder, "curves/P01.csv", b"0,0\n1,260\n")
    done = collect(folder, Asked())
    assert any("Altered since they were collected: evidence/curves/P01.csv" in text for text in done.lines)
    problems, notes = said(folder)
    assert problems == []
    assert len(notes) == 1 and "was altered between the collections on" in notes[0]
    assert logged(folder.log())["evidence/curves/P01.csv"].digest == digests(folder)["evidence/curves/P01.csv"]


def test_the_report_lists_it(folder):
    assert evidence_rows(folder.log()).rows == ()
    collect(folder, Asked())
    rows = evidence_rows(folder.log()).rows
    assert {row[0]: row[1] for row in rows} == digests(folder)
