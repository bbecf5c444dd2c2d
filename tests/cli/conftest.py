"""Run the command line in this process, as a shell would."""

import sys

import pytest

from doe.cli import planning, steps
from doe.cli.open_study import OpenStudy
from doe.design.request import PlanRequest
from doe.files import Folder
from doe.record.read_tables import record_files
from doe.study.placeholders import left_to_write
from doe.study.read import parse_study
from tests.records import simulated

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


def strength_study(terms, coupons=2):
    """Return the text of a study of two factors and one strength, at least 20 MPa."""
    response = f'[[responses]]\nname = "z_strength"\nunit = "MPa"\ncoupons = {coupons}\nat_least = 20.0\n'
    return f'{TWO_FACTORS}\n{response}\n[model]\nterms = "{terms}"\n'


def collected(path, terms, **plan):
    """Make a factorial study of :func:`strength_study` in a folder: planned, handed out, and collected from a simulation."""
    folder = Folder(path)
    (path / "study.toml").write_text(strength_study(terms))
    planning.plan(folder, PlanRequest(kind="factorial", centre=2, seed=1, **plan))
    steps.sheet(folder)
    opened = OpenStudy(folder)
    study = opened.study()
    opened.commit("collect", record_files(simulated(study, opened.design(study), load_sd=0.0)))
    return folder


def written_down(path):
    """Write something in the place of every text of a new study that only says what to write."""
    file = path / "study.toml"
    text = file.read_text(encoding="utf-8")
    for key, left in left_to_write(parse_study(text)):
        text = text.replace(f'"{left}"', f'"{key.split(".")[1]} of this study"', 1)
    file.write_text(text, encoding="utf-8")


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


@pytest.fixture(scope="module")
def undrawn_throughout():
    """Leave figures undrawn, which take most of a report's time, in a module that asks for texts, files and numbers alone."""
    from doe.report import drawn

    empty = b'<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9" viewBox="0 0 9 9"></svg>'
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(drawn, "_DRAWN", dict.fromkeys(drawn._DRAWN, lambda _: empty))
        yield
