"""Run the command line in this process, as a shell would."""

import sys

import pytest


@pytest.fixture
def doe(capsys, monkeypatch):
    """Return a function: arguments -> exit status, standard output, standard error."""

    def run(*arguments):
        from doe.cli.app import main

        monkeypatch.setattr(sys, "argv", ["doe", *map(str, arguments)])
        try:
            main()
            status = 0
        except SystemExit as stop:
            status = stop.code or 0
        out, err = capsys.readouterr()
        return status, out, err

    return run


def snapshot(path):
    """Return every file of a folder with its bytes."""
    return {one.relative_to(path).as_posix(): one.read_bytes() for one in sorted(path.rglob("*")) if one.is_file()}
