"""The study folder: whole or nothing, the chained log, the lock, names that stay inside."""

import json
import multiprocessing

import pytest

from doe.errors import InputRefused, StudyBusy
from doe.files import LOG, Folder, digest


def commit(folder, writes, **detail):
    folder.commit("test", writes, reads={}, version="0", detail=detail)


def test_commit_writes_files_and_one_line(tmp_path):
    folder = Folder(tmp_path)
    commit(folder, {"a.txt": b"1", "sub/b.txt": b"2"}, seed=3)
    assert folder.read("sub/b.txt") == b"2"
    (line,) = folder.log()
    assert line["wrote"] == {"a.txt": digest(b"1"), "sub/b.txt": digest(b"2")}
    assert line["detail"] == {"seed": 3}
    assert {path.name for path in tmp_path.iterdir()} == {"a.txt", "sub", LOG}


def test_every_line_carries_the_digest_of_the_line_before(tmp_path):
    folder = Folder(tmp_path)
    for number in range(3):
        commit(folder, {"a.txt": str(number).encode()})
    lines = (tmp_path / LOG).read_bytes().splitlines()
    assert [json.loads(line)["previous"] for line in lines] == ["0" * 64, digest(lines[0]), digest(lines[1])]
    assert folder.log_head() == digest(lines[2])


@pytest.mark.parametrize("name", ["../a", "/etc/passwd", "a/../../b", ""])
def test_names_cannot_leave_the_folder(tmp_path, name):
    with pytest.raises(InputRefused, match="leaves the study folder"):
        Folder(tmp_path).locate(name)


def test_a_command_killed_after_its_intent_is_completed_by_the_next(tmp_path, monkeypatch):
    folder = Folder(tmp_path)
    commit(folder, {"a.txt": b"old"})
    with monkeypatch.context() as patch:
        patch.setattr(Folder, "_finish_interrupted", lambda self: None)
        commit(folder, {"a.txt": b"new", "b.txt": b"too"})
    assert folder.read("a.txt") == b"old"
    with folder.locked("next"):
        assert (folder.read("a.txt"), folder.read("b.txt"), len(folder.log())) == (b"new", b"too", 2)


def test_a_command_killed_before_its_intent_leaves_no_trace(tmp_path):
    folder = Folder(tmp_path)
    commit(folder, {"a.txt": b"old"})
    (tmp_path / ".doe-staging").mkdir()
    (tmp_path / ".doe-staging" / "0").write_bytes(b"half")
    with folder.locked("next"):
        pass
    assert {path.name for path in tmp_path.iterdir()} == {"a.txt", LOG}
    assert folder.read("a.txt") == b"old"


def _hold(path, held, done):
    with Folder(path).locked("plan"):
        held.set()
        done.wait(30)


def test_a_second_command_says_who_holds_the_study(tmp_path, monkeypatch):
    monkeypatch.setattr("doe.files._WAIT_SECONDS", 0.2)
    context = multiprocessing.get_context("spawn")
    held, done = context.Event(), context.Event()
    process = context.Process(target=_hold, args=(tmp_path, held, done))
    process.start()
    try:
        assert held.wait(30)
        with pytest.raises(StudyBusy, match="in use by doe plan, process"), Folder(tmp_path).locked("fit"):
            pass
    finally:
        done.set()
        process.join()
    with Folder(tmp_path).locked("fit"):
        pass
    assert list(tmp_path.iterdir()) == []


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(InputRefused, match=r"fit\.json: there is no such file"):
        Folder(tmp_path).read("fit.json")
