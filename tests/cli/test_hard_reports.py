"""What the report says of studies whose answers an engineer does not hope for."""

import json

import pytest
from openpyxl import load_workbook
from pypdf import PdfReader

from tests.cli.test_hard_cases import STRENGTH, THREE, hill, recommended, response, strength, study_of

pytestmark = pytest.mark.slow


def report_of(path, doe):
    """Write the report; return its text on one line."""
    status, _, err = doe("report", "--study", path)
    assert status == 0, err
    return " ".join(" ".join(page.extract_text() for page in PdfReader(path / "report.pdf").pages).split())


def test_the_report_of_a_conflict_says_it_and_draws_no_window(tmp_path, doe):
    warp = response("warp", "at_most = 1.0", "mm")
    truths = {STRENGTH: lambda at: 30 + 2 * at["nozzle_temperature"], "warp": lambda at: 1 + 0.8 * at["nozzle_temperature"]}
    data, _ = recommended(tmp_path / "clip", doe, study_of(THREE, strength(31), warp), truths, scatter=(0.15, 0.2, 0.2))
    text = report_of(tmp_path / "clip", doe)
    assert "they pull nozzle temperature apart" in text and "There is no process window." in text
    assert text.count(data["verdicts"][0]["cause"]) == 1


def test_confirmation_prints_that_all_failed(tmp_path, doe):
    path = tmp_path / "clip"
    recommended(path, doe, study_of(THREE, strength(27)), {STRENGTH: hill})
    for command in (("confirm", "--seed", 1), ("sheet",)):
        status, out, err = doe(*command, "--json", "--study", path)
        assert status == 0, err
    written = json.loads(out)
    book = load_workbook(path / written["file"])
    for name, place in written["sheets"].items():
        if "outcome" in place["columns"]:
            for row in range(place["first_row"], place["last_row"] + 1):
                book[name][f"{place['columns']['outcome']}{row}"] = "detached"
    book.save(path / written["file"])
    status, _, err = doe("collect", "--study", path)
    assert status == 0, err
    status, out, err = doe("confirm", "--json", "--study", path)
    assert (status, err) == (0, "")
    judged = json.loads(out)
    assert judged["verdict"] == "not confirmed"
    assert judged["reasons"] == ["none of the 6 prints completed"]
    assert judged["next"].startswith("look at the failed prints before anything else")
    text = report_of(path, doe)
    assert "None of the 6 prints completed." in text
    assert "The process window runs from" in text and "both ends: the bound is too low" in text
