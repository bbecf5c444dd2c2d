"""A book of which most prints are still to come: that is said first, and failures are counted among those that were tried."""

import json

import pytest

from doe.cli import steps, study_status
from tests.cli.test_confirming import REQUEST, STUDY, fill
from tests.cli.test_extend import planned


@pytest.fixture(scope="module")
def half(tmp_path_factory):
    """Return a study of 16 prints of which five ended, one of them detached."""
    folder = planned(tmp_path_factory.mktemp("half") / "clip", STUDY.encode(), REQUEST)
    fill(folder, outcomes=["completed", "detached", "completed", "completed", *[None] * 12])
    return folder


def test_what_is_missing_comes_first(half):
    done = steps.fit(half, None)
    verdicts = {one["name"]: one for one in done.data["verdicts"]}
    assert verdicts["failed prints"]["cause"].startswith("1 of 4 prints that were tried failed (")
    found = verdicts["model not estimable"]
    assert found["cause"].startswith("12 of 16 prints are still to come; 3 prints gave values")
    assert found["next_step"] == "collect the workbook again when they are in (doe collect), then fit"
    after = "12 of 16 prints are still to come: doe collect when they are in, then doe fit"
    assert done.lines[-1] == f"Next: {after}" and study_status.status(half).data["next"] == after
    assert json.loads(half.read("fit.json"))["responses"] == []
