"""Confirmations of which prints failed, were lost or never came, on the command line: judged or refused, never a crash."""

import json
import shutil

import pytest
from pypdf import PdfReader

from doe.cli import confirming
from doe.cli.confirming import Asked
from doe.files import Folder
from tests.cli.conftest import snapshot
from tests.cli.test_confirming import answer, fill, refused

pytestmark = pytest.mark.usefixtures("undrawn_throughout")


@pytest.fixture(scope="module")
def planned_once(tmp_path_factory):
    """Return a study with a confirmation of six prints that has no sheet yet."""
    folder = answer(tmp_path_factory.mktemp("planned") / "clip")
    confirming.confirmed(folder, Asked(seed=3))
    return folder


@pytest.fixture
def planned(planned_once, tmp_path):
    return Folder(shutil.copytree(planned_once.path, tmp_path / "clip"))


def judged(doe, folder):
    """Judge on the command line; return the judgement and what is said, on one line."""
    status, out, err = doe("confirm", "--study", folder.path)
    assert (status, err) == (0, "")
    return json.loads(folder.read("judgement-1.json")), " ".join(out.split())


@pytest.mark.slow
def test_all_prints_detached(planned, doe):
    fill(planned, outcomes=["detached"] * 6)
    data, out = judged(doe, planned)
    assert data["verdict"] == "not confirmed"
    assert data["reasons"] == ["none of the 6 prints completed"]
    assert data["updated"] is None
    assert data["remarks"] == ["the bound was not computed anew: none of its prints gave a value"]
    assert "Confirmation 1 of recommendation 1: not confirmed. - none of the 6 prints completed." in out
    assert "Next: look at the failed prints before anything else (bed, first layer, spool)" in out
    assert "all prints together" not in out
    assert "it says 'not confirmed'" in refused(doe, planned, "release", "--by", "A. Person")
    assert doe("report", "--study", planned.path)[0] == 0
    pages = " ".join(" ".join(page.extract_text() for page in PdfReader(planned.path / "report.pdf").pages).split())
    assert "Judged: not confirmed." in pages and "None of the 6 prints completed." in pages
    assert "The bound was not computed anew: none of its prints gave a value." in pages


def test_those_that_were_not_lost_all_failed(planned, doe):
    fill(planned, outcomes=["detached"] * 3 + ["lost"] * 3)
    data, _ = judged(doe, planned)
    assert data["verdict"] == "not confirmed"
    assert data["reasons"][0] == "none of the 3 prints completed"
    assert data["next"].startswith("look at the failed prints")
    assert [reason for _, reason in data["without"]] == ["detached"] * 3 + ["lost"] * 3


def test_some_failed_and_the_rest_is_as_predicted(planned, doe):
    fill(planned, outcomes=["detached", "lost"])
    data, out = judged(doe, planned)
    assert data["verdict"] == "inconclusive"
    assert data["reasons"] == ["1 of 5 prints failed: chance, or the setting, and so few prints cannot tell which"]
    assert data["outcomes"][0]["prints"] == 4
    assert "Conformance of the setting, all prints together" in out
    assert "What a share of future values will keep, all prints together" in out


@pytest.mark.slow
def test_all_lost_is_no_answer(planned, doe):
    fill(planned, outcomes=["lost"] * 6)
    data, out = judged(doe, planned)
    assert data["verdict"] == "inconclusive"
    assert data["reasons"] == ["z_strength: 0 of 6 prints gave a value, less than half"]
    assert data["next"] == "confirm again on new loads: doe confirm"
    assert "Next: confirm again on new loads: doe confirm" in out


@pytest.mark.slow
def test_half_of_the_loads_missing_is_not_judged_until_they_are_called_lost(planned, doe):
    fill(planned, outcomes=["completed"] * 3 + [None] * 3)
    before = snapshot(planned.path)
    status, out, err = doe("confirm", "--study", planned.path)
    assert (status, out) == (3, "")
    assert snapshot(planned.path) == before
    names = json.loads(planned.read("confirmation-1.json"))["prints"]
    assert err.count("it has no outcome yet") == 3
    assert all(one["print"] in err for one in names[3:]) and not any(one["print"] in err for one in names[:3])
    assert "'lost' or 'skipped' where it will not be printed" in err
    assert "3 of 6 prints of confirmation 1 are recorded" in doe("status", "--study", planned.path)[1]
    (planned.path / "sheets" / "round-2.xlsx").unlink()
    fill(planned, outcomes=["completed"] * 3 + ["lost"] * 3)
    data, _ = judged(doe, planned)
    assert (data["verdict"], data["outcomes"][0]["prints"], data["planned"]) == ("confirmed", 3, 6)


@pytest.mark.slow
def test_prints_without_a_value_are_asked_for(planned, doe):
    fill(planned, blank=True)
    err = refused(doe, planned, "confirm")
    assert err.count("it completed, and no value or outcome of its test is recorded") == 12  # strength and seal of six prints
    assert "test it, or give the outcome of its coupons" in err
