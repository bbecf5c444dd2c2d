"""A result that was cut off, or that lacks what stands in it, is refused in words by every command that reads it."""

import shutil

import pytest

from doe.cli import releasing
from doe.files import Folder
from tests.cli.conftest import snapshot
from tests.cli.test_confirming import answered_once, confirmed_once  # noqa: F401 - fixtures

RESULTS = ("fit.json", "recommendation.json", "recommendation-1.json", "confirmation-1.json", "judgement-1.json", "release.json")
READERS = {
    "fit.json": (),
    "recommendation.json": ("status",),
    "recommendation-1.json": ("recommend",),
    "confirmation-1.json": ("status", "confirm"),
    "judgement-1.json": ("status", "confirm"),
    "release.json": ("status", "confirm"),
}
"""Commands that read each of them and go on from it, besides those that refuse whatever was altered."""


@pytest.fixture(scope="module")
def released(confirmed_once, tmp_path_factory):  # noqa: F811
    folder = Folder(shutil.copytree(confirmed_once[0].path, tmp_path_factory.mktemp("broken") / "clip"))
    releasing.released(folder, "A. Person")
    return folder


@pytest.mark.parametrize("broken", [lambda text: text[: len(text) // 2], lambda _: b"{}", lambda _: b"[]"])
@pytest.mark.parametrize("name", RESULTS)
def test_a_broken_result_is_refused_in_words(released, doe, name, broken):
    whole = released.read(name)
    (released.path / name).write_bytes(broken(whole))
    before = snapshot(released.path)
    try:
        for command in (*READERS[name], "report", "release"):
            more = ("--by", "A. Person") if command == "release" else ()
            status, out, err = doe(command, *more, "--study", released.path)
            assert (command, status, out) == (command, 3, "") and "fault of ours" not in err
            assert name in err
            assert snapshot(released.path) == before
    finally:
        (released.path / name).write_bytes(whole)


@pytest.mark.parametrize(("name", "commands"), [("fit.json", ("status",)), ("recommendation.json", ("status", "confirm"))])
def test_a_broken_result_is_refused_before_it_is_tried(answered_once, doe, name, commands):  # noqa: F811
    whole = answered_once.read(name)
    (answered_once.path / name).write_bytes(whole[:-9])
    try:
        for command in commands:
            status, _, err = doe(command, "--study", answered_once.path)
            assert (command, status) == (command, 3) and f"{name}: it cannot be read: it was cut off or edited" in err
    finally:
        (answered_once.path / name).write_bytes(whole)
