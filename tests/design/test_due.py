"""Instruments that are due before a round is tested, by the dates of its timetable."""

import datetime

import pytest

from doe.design.due import DUE_EARLY, due_findings
from tests.conftest import make_study
from tests.design.test_timetable import COUPONS, DRYING, NOZZLE, plan

RUNS = plan(("L1", 63.5, "A"))
FRIDAY, MONDAY = datetime.date(2026, 3, 6), datetime.date(2026, 3, 9)
"""The load goes in on Friday and comes out on Monday (test_timetable.py); its print is tested on Monday."""


def with_tool(due, start=FRIDAY):
    """Return the shop of the timetable's tests with an instrument for its response."""
    return make_study(
        factors=[NOZZLE, DRYING], responses=[{**one, "instrument": "UTM-1"} for one in COUPONS], printers=[{"name": "A"}],
        oven={"spools": 2}, budget={"print_minutes": 90, "coupon_minutes": 10, **({"start": start} if start else {})},
        instruments=[{"id": "UTM-1", "kind": "test frame", "due": due}, {"id": "TC-1", "kind": "unused", "due": FRIDAY}],
    )  # fmt: skip


@pytest.mark.parametrize(("due", "named"), [(MONDAY, False), (FRIDAY, True), (None, False)])
def test_an_instrument_that_is_due_before_the_last_test_is_named(due, named):
    found = list(due_findings(with_tool(due), RUNS))
    assert [one.name for one in found] == [DUE_EARLY] * named
    if named:
        assert found[0].about == "UTM-1"
        assert found[0].cause.startswith("UTM-1 is due on 2026-03-06, and the last test of this round is not before 2026-03-09")
        assert "z_strength" in found[0].cause


def test_without_dates_only_today_tells():
    study = with_tool(FRIDAY, start=None)
    assert not list(due_findings(study, RUNS)) and not list(due_findings(study, RUNS, FRIDAY))
    (found,) = due_findings(study, RUNS, MONDAY)
    assert "is not before 2026-03-09" in found.cause
