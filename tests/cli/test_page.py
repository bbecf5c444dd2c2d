"""``doe report --html``: what is written, and what the log says of it."""

import json

import numpy as np
import pytest

from tests import path
from tests.cli.conftest import TWO_FACTORS, snapshot

pytestmark = pytest.mark.slow

STUDY = TWO_FACTORS + """
[[responses]]
name = "strength"
unit = "MPa"
kind = "measured"
per = "print"
at_least = 25.0

[model]
terms = "interactions"
"""
ENDS = [(255, 60), (255, 80), (285, 60), (285, 80), (270, 70)]


@pytest.fixture(scope="module")
def fitted(tmp_path_factory):
    rows = [{"nozzle_temperature": nozzle, "bed_temperature": bed} for nozzle, bed in ENDS * 3]
    folder = path.start(tmp_path_factory.mktemp("page") / "clip", STUDY, rows)
    strength = [27 + (nozzle - 270) / 10 for nozzle, _ in ENDS * 3] + np.random.default_rng(4).normal(0, 0.8, len(rows))
    path.fill(folder, [{"strength": round(float(value), 2)} for value in strength])
    path.fitted(folder)
    return folder


def test_both_reports_are_written_and_logged_and_a_second_time_equal(doe, fitted):
    assert doe("recommend", "--study", fitted.path)[0] == 0
    status, out, err = doe("report", "--html", "--study", fitted.path)
    assert (status, err) == (0, "")
    assert [line.split()[0] for line in out.splitlines()] == ["Wrote", "Wrote"]
    assert set(fitted.log()[-1]["wrote"]) == {"report.pdf", "report.html"}
    before = snapshot(fitted.path)["report.html"]
    status, out, _ = doe("report", "--html", "--json", "--study", fitted.path)
    told = json.loads(out)
    assert told["page"] == {"file": "report.html", "bytes": len(before)}
    assert snapshot(fitted.path)["report.html"] == before
    explored = json.loads(before.decode().split('id="explorer">')[1].split("</script>")[0])
    assert explored["recommended"]
    assert [one["name"] for one in explored["factors"]] == ["nozzle temperature", "bed temperature"]


def test_a_page_that_stays_behind_is_named(doe, fitted):
    doe("report", "--html", "--study", fitted.path)
    page = snapshot(fitted.path)["report.html"]
    status, out, _ = doe("report", "--study", fitted.path)
    assert status == 0
    assert "report.html stays as it was" in out
    assert snapshot(fitted.path)["report.html"] == page
