"""Run the command line in this process, as a shell would."""

import sys

import pytest

TWO_FACTORS = """
[study]
id = "clip"
title = "Snap clip"
material = "invented filled polyamide"
family = "PA-CF"

[[factors]]
name = "nozzle_temperature"
unit = "degC"
low = 255
high = 285
increment = 1

[[factors]]
name = "bed_temperature"
unit = "degC"
low = 60
high = 80
increment = 1
"""
"""The beginning of a study file; responses and model follow."""


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
