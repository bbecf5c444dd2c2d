"""A study against its log: whatever byte is changed, and whatever comes or goes, is said."""

import json
import random
import shutil

import pytest

from doe.cli import confirming, steps
from doe.cli.collecting import Asked, collect
from doe.errors import InputRefused
from doe.files import LOG, Folder
from doe.record.integrity import examine
from tests.cli.conftest import collected


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """Return a study that was planned, handed out, collected and fitted."""
    folder = collected(tmp_path_factory.mktemp("whole"), "main")
    steps.fit(folder, None)
    return folder.path


@pytest.fixture
def folder(whole, tmp_path):
    return Folder(shutil.copytree(whole, tmp_path / "study"))


def found(folder):
    seen = examine(folder)
    return [*map(str, seen.problems), *seen.notes]


def test_nothing_is_said_of_a_study_that_only_doe_wrote(folder):
    seen = examine(folder)
    assert (seen.problems, seen.notes) == ((), ())
    assert seen.lines == len(folder.log())
    assert seen.files == 9  # study, plan, sheet, five tables, fit


def test_any_changed_byte_is_found_in_its_file(folder):
    chance = random.Random(1)
    files = sorted(one for one in folder.path.rglob("*") if one.is_file())
    assert len(files) == 10
    tried = 0
    for file in files:
        content = file.read_bytes()
        places = {0, len(content) - 1, *(chance.randrange(len(content)) for _ in range(40))}
        for place in places:
            changed = bytearray(content)
            changed[place] ^= chance.choice([1, 2, 4, 8, 16, 32, 64, 128])
            file.write_bytes(changed)
            said = found(folder)
            name = file.relative_to(folder.path).as_posix()
            assert any(name in line for line in said), f"{name}, byte {place}"
            tried += 1
        file.write_bytes(content)
    assert tried > 300
    assert found(folder) == []


def test_any_byte_taken_out_of_the_log_is_found(folder):
    content = folder.read(LOG)
    for place in random.Random(2).sample(range(len(content)), 60):
        (folder.path / LOG).write_bytes(content[:place] + content[place + 1 :])
        assert found(folder), place


def test_a_line_of_the_log_that_is_removed_or_moved_is_found(folder):
    lines = folder.log_texts()
    for kept in (lines[1:], [lines[0], *lines[2:]], [lines[1], lines[0], *lines[2:]]):
        (folder.path / LOG).write_bytes(b"\n".join(kept) + b"\n")
        assert any("does not follow the line before it" in line for line in found(folder))


def test_a_file_that_is_gone_and_one_that_came_are_named(folder):
    (folder.path / "fit.json").unlink()
    (folder.path / "record" / "more.csv").write_text("print\n")
    said = found(folder)
    assert len(said) == 2
    assert said[0].startswith("fit.json: it is gone since 'doe fit' wrote it on")
    assert said[1].startswith("record/more.csv: the log does not know it")


def test_what_a_later_command_read_does_not_hide_an_alteration(folder):
    name = "record/coupons.csv"
    (folder.path / name).write_bytes(folder.read(name).replace(b"completed", b"completed", 1) + b"\n")
    folder.commit("fit", {}, reads={name: folder.read(name)}, version="test")
    said = found(folder)
    assert any(line.startswith(f"{name}: it was altered since 'doe collect' wrote it") for line in said)
    assert any(line.startswith(f"{name} was not as doe had written it when 'doe fit' read it") for line in said)


def test_a_comment_in_the_protocol_is_no_alteration_and_a_value_is(folder):
    before = folder.read("study.toml")
    (folder.path / "study.toml").write_bytes(before + b"\n# looked at again\n")
    seen = examine(folder)
    assert not seen.problems
    assert "the protocol in it is as it was locked" in seen.notes[0]
    (folder.path / "study.toml").write_bytes(before.replace(b"20.0", b"19.0"))
    (problem,) = examine(folder).problems
    assert problem.where == "study.toml"
    assert "doe amend" in problem.remedy


def test_a_sheet_that_was_filled_in_is_no_alteration(folder):
    file = folder.path / "sheets" / "round-1.xlsx"
    file.write_bytes(file.read_bytes() + b"\0")
    seen = examine(folder)
    assert not seen.problems
    assert "as sheets are" in seen.notes[0]


def test_a_plan_that_is_not_the_one_of_the_sheets_is_named(folder):
    sheet = next(line for line in folder.log() if line["command"] == "sheet")
    folder.commit("sheet", {}, reads={}, version="test", detail={**sheet["detail"], "digest": "0" * 64})
    (problem,) = examine(folder).problems
    assert problem.where == "sheets/round-1.xlsx"
    assert "written from another plan" in problem.found


def test_lines_that_are_made_good_are_found_by_the_next(folder):
    lines = folder.log_texts()
    line = json.loads(lines[1])
    line["time"] = "1999-01-01T00:00:00Z"
    del line["own"]
    lines[1] = json.dumps(line, sort_keys=True, ensure_ascii=False).encode()
    (folder.path / LOG).write_bytes(b"\n".join(lines) + b"\n")
    (problem,) = examine(folder).problems
    assert problem.where == f"{LOG}, line 3"


def computing(folder):
    """Return the commands that compute from the record."""
    return (
        lambda: steps.fit(folder, None), lambda: steps.recommend(folder), lambda: steps.report(folder),
        lambda: confirming.confirmed(folder, confirming.Asked()),
    )


@pytest.mark.parametrize(("name", "change", "message"), [
    ("record/coupons.csv", lambda text: text.replace(b"completed", b"lost", 1), "it was altered since 'doe collect' wrote it"),
    ("record/prints.csv", None, "it is gone since 'doe collect' wrote it"),
    ("record/more.csv", lambda _: b"print\n", "the log does not know it"),
])
def test_nothing_is_collected_fitted_or_reported_on_top_of_a_record_that_was_altered_by_hand(folder, name, change, message):
    file = folder.path / name
    if change is None:
        file.unlink()
    else:
        file.write_bytes(change(file.read_bytes() if file.exists() else b""))
    before = {path: path.read_bytes() for path in folder.path.rglob("*") if path.is_file()}
    for command in (lambda: collect(folder, Asked()), *computing(folder)):
        with pytest.raises(InputRefused, match=f"{name}: {message}.*; (bring the file back from a copy|move it elsewhere)"):
            command()
    assert before == {path: path.read_bytes() for path in folder.path.rglob("*") if path.is_file()}
