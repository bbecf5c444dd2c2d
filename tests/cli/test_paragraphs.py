"""Sentences in a terminal: wrapped between words, whole in a pipe."""

import fcntl
import io
import os
import pty
import struct
import subprocess
import sys
import termios
from pathlib import Path

import pytest

from doe.cli.paragraphs import held, released, width_of, wrapped
from doe.study import materials

LONG = "- Read the safety data sheet (SDS) first; 'doe help safety' and 'doe plan --one-round' stay whole, well-known words too."


@pytest.mark.parametrize("width", [40, 60, 80, 100])
def test_a_point_is_indented_and_nothing_is_broken(width):
    lines = wrapped(LONG, width).split("\n")
    assert max(map(len, lines)) <= width
    assert " ".join(line.strip() for line in lines) == LONG
    assert all(line.startswith("  ") for line in lines[1:])
    assert all(line.count("'") % 2 == 0 for line in lines)


def test_lines_keep_their_indent_and_empty_ones_stand():
    assert wrapped("    one two three\n\n   a", 12) == "    one two\n    three\n\n   a"
    assert wrapped("2  doe plan and more", 12) == "2  doe plan\n   and more"


def test_a_word_longer_than_the_line_stays_whole():
    assert wrapped("a " + "x" * 90 + " b", 40).split("\n") == ["a", "x" * 90, "b"]


def test_held_text_is_released_as_it_was():
    assert released(held(LONG)) == LONG
    assert "-" not in held("one-round")


def test_a_pipe_is_not_wrapped(monkeypatch):
    monkeypatch.delenv("COLUMNS", raising=False)
    assert width_of(io.StringIO()) is None
    assert wrapped(LONG, None) == LONG


@pytest.mark.parametrize(("columns", "width"), [("80", 80), ("20", 40), ("300", 100)])
def test_the_terminal_says_how_wide(monkeypatch, columns, width):
    monkeypatch.setenv("COLUMNS", columns)
    assert width_of(sys.stdout) == width


def in_a_terminal(columns, arguments, folder):
    """Return what doe writes to a terminal of so many columns, and its exit status."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, columns, 0, 0))
    environment = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES")}
    code = "from doe.cli.app import main; main()"
    command = [sys.executable, "-c", code, *arguments]
    with subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs, cwd=folder, env=environment) as running:
        os.close(theirs)
        said = bytearray()
        while True:
            try:
                part = os.read(ours, 65536)
            except OSError:  # how Linux says that nobody writes any more
                break
            if not part:
                break
            said += part
    os.close(ours)
    return said.decode().replace("\r\n", "\n"), running.returncode


@pytest.mark.parametrize("columns", [80, pytest.param(100, marks=pytest.mark.slow)])
def test_new_wraps_its_cautions_in_a_terminal(tmp_path, columns):
    said, status = in_a_terminal(columns, ["new", "mine", "--family", "PA-CF"], tmp_path)
    assert status == 0
    assert max(map(len, said.split("\n"))) <= columns
    assert "\x1b" not in said
    flat = " ".join(said.split())
    for caution in materials.template("PA-CF").cautions:
        assert " ".join(caution.split()) in flat
    assert (tmp_path / "mine" / "study.toml").is_file()


@pytest.mark.parametrize("columns", [80, pytest.param(100, marks=pytest.mark.slow)])
def test_what_is_refused_is_wrapped_in_a_terminal(tmp_path, columns):
    Path(tmp_path / "mine").mkdir()
    said, status = in_a_terminal(columns, ["new", "mine"], tmp_path)
    assert status == 3
    assert max(map(len, said.split("\n"))) <= columns
    assert "PA-CF" in said
