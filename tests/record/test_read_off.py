"""What is read off a coupon whatever broke, such as a width: it counts as measured, and stands beside any sort of break."""

import numpy as np
import pytest

from doe.errors import InputRefused
from doe.model.values import single_values
from doe.record.corrections import Beside, merge
from doe.record.match import match
from doe.record.read import read_workbook
from doe.sheet import layout
from doe.sheet.marks import marks
from doe.sheet.states import contradictions
from doe.study.operators import texts_of
from doe.study.responses import ends_at_break
from doe.study.spec import Response
from tests.sheet.books import DEFINITIONS, NAME, STUDY, Operator, fill, make_book, make_design, make_study

WIDTH = {"name": "coupon_width", "unit": "mm", "coupons": 3, "at_most": 5.3}
BREAKS = ("broke in grips", "broke in handling", "no break")
NO_TEST = dict.fromkeys(("force.z_strength", "first_layer_peel"))
DAY = "2026-03-08T08:00:00Z"


@pytest.fixture(scope="module")
def study():
    return make_study(responses=[*STUDY["responses"], WIDTH])


@pytest.fixture(scope="module")
def book(study):
    hand = Operator(fill(make_book(study), study=study), study=study)
    for number in (1, 2, 3):
        hand.type("Coupons", f"P01A-{number}", {"coupon_width": 5.0 + number / 100})
    return hand.save()


def collected(study, book, **typed):
    hand = Operator(book, study=study)
    hand.type("Coupons", "P01A-1", typed)
    return match(study, make_design(), read_workbook(hand.save(), NAME), DEFINITIONS).record


def limits(study, record):
    found = single_values(study.responses[-1], record)
    return dict(zip(found.items, zip(found.lower.tolist(), found.upper.tolist(), strict=True), strict=True)), found.excluded


@pytest.mark.parametrize("outcome", BREAKS)
def test_a_width_counts_as_measured_whatever_broke(study, book, outcome):
    record = collected(study, book, outcome=outcome, **(NO_TEST if outcome == "broke in handling" else {}))
    found, excluded = limits(study, record)
    assert found == {"P01A-1": (5.01, 5.01), "P01A-2": (5.02, 5.02), "P01A-3": (5.03, 5.03)}
    assert not [why for name, why in excluded if name == "P01A-1"]
    strength = single_values(study.responses[0], record)
    assert strength.items[0] == "P01A-1" and strength.lower[0] < strength.upper[0]  # of what the break ends only a limit


@pytest.mark.parametrize("outcome", BREAKS)
def test_a_width_that_is_missing_is_missing(study, book, outcome):
    record = collected(study, book, outcome=outcome, coupon_width=None, **(NO_TEST if outcome == "broke in handling" else {}))
    found, excluded = limits(study, record)
    assert "P01A-1" not in found and "P01A-1" not in dict(excluded)


@pytest.mark.parametrize("outcome", ["detached", "lost"])
def test_what_was_never_there_to_measure_has_no_width(study, book, outcome):
    with pytest.raises(InputRefused, match="cell .*: a value, although the outcome of coupon P01A-1 is '" + outcome):
        collected(study, book, outcome=outcome, **NO_TEST)


def test_a_width_on_record_stays_when_the_coupon_breaks_in_handling(study, book):
    beside = Beside(read_off=frozenset({"coupon_width"}))
    before = merge(None, collected(study, book), "N. N.", DAY, beside)[0]
    record, changes = merge(before, collected(study, book, outcome="broke in handling", **NO_TEST), "N. N.", DAY, beside)
    row = record.coupons.set_index("coupon").loc["P01A-1"]
    assert row["coupon_width"] == 5.01 and np.isnan(row["z_strength"])
    assert "coupon_width" not in {one.column for one in changes}


def test_the_workbook_marks_a_width_beside_a_lost_coupon_only(study):
    coupons = next(one for one in layout.sheets(study, make_design(), 1) if one.name == "Coupons")
    (barred,) = [
        one.condition for one in marks(coupons, texts_of(study)) if (one.key, one.style) == ("coupon_width", "contradiction")
    ]
    assert "lost" in barred and "detached" in barred and "broke in handling" not in barred
    told = [condition for _, condition in contradictions(coupons.columns, texts_of(study)) if "{coupon_width}" in condition]
    assert len(told) == 1 and "broke in handling" not in told[0] and "{force.z_strength}" not in told[0]


@pytest.mark.parametrize(("unit", "formula", "ends"), [
    ("mm", None, False), ("µm", None, False), ("g", None, False), ("deg", None, False), ("degC", None, False),
    ("MPa", None, True), ("N", None, True), ("%", None, True), ("%", "nominal_strain", True), ("1", None, True),
    ("N/mm", None, True),
])  # fmt: skip
def test_a_break_ends_all_but_lengths_masses_angles_and_temperatures(unit, formula, ends):
    given = {} if formula is None else {"formula": formula}
    assert ends_at_break(Response(name="y", unit=unit, at_least=1, **given)) is ends
