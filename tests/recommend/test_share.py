"""The share of prints that meets every requirement, printer by printer, and the limits from the same draws."""

import numpy as np
import pytest
from scipy import stats

from doe.design import calibrated
from doe.model.fit import fit_model
from doe.recommend import outlook, printers, promise, share
from doe.study import scale
from tests.recommend.test_choose import NINE, PLAIN, hill, make_design, make_record, make_study

COARSE = {"name": "nozzle", "unit": "degC", "low": 255, "high": 285, "increment": 5}
DRYING = {"name": "drying", "unit": "h", "low": 4, "high": 12, "increment": 0.5, "change": "load"}
# A reads true; B is 2 degrees hotter than what it is set to, which steps of 5 degrees cannot mend.
PRINTERS = [
    {"name": "A", "checks": [{"factor": "nozzle", "set": [240, 270, 300], "actual": [240, 270, 300]}]},
    {"name": "B", "checks": [{"factor": "nozzle", "set": [240, 270, 300], "actual": [242, 272, 302]}]},
]
AT = {"nozzle": 280.0, "drying": 8.0}
FAST = 1.5e-4  # its fast normal probabilities err by 1.4e-4 (``numerics/conformance.met``)


def case(order):
    """Return a study whose printers printed in this order, with its outlook and the cards for one setting."""
    study = make_study(factors=(COARSE, DRYING), printers=PRINTERS)
    design = make_design(study, NINE[0], NINE[1], order)
    record = make_record(study, design, hill(height=27), sd=(0.1, 0.3, 0.8))
    fitted = fit_model(study, design, record, PLAIN)[1]
    names = share.printers_that_printed(design)
    assert names == list(order)
    view = outlook.outlook(study, [one.data for one in fitted], names)  # setpoints taken as exact: no line's error is drawn
    cards, _ = printers.printer_rows(study, names, AT, calibrated.lines_of(study))
    coded = scale.coded(study, {name: [value] for name, value in AT.items()})
    return study, view, cards, coded, fitted


def by_hand(study, view, printer, nozzle):
    """The median share of coupons of one printer that reach 25 MPa at an actual nozzle temperature."""
    (data,), (drawn,), (sd,) = view.views, view.drawn, view.future
    at = scale.coded(study, {"nozzle": [nozzle], "drying": [8.0]})
    means = data.rows(at, data.printers.index(printer)) @ drawn.beta.T
    return np.median(stats.norm.sf((25 - means[0]) / sd))


@pytest.mark.parametrize("order", [("A", "B"), ("B", "A")])
def test_each_printer_has_the_share_of_what_it_reaches_whatever_the_order_of_the_prints(order):
    study, view, cards, coded, _ = case(order)
    fleet = printers.fleet_settings(study, order, AT, calibrated.lines_of(study))
    found, _ = share.conformance(study, view, coded, cards, fleet)
    assert {row["printer"]: row["reaches"]["nozzle"] for row in cards} == pytest.approx({"A": 280, "B": 282})
    expected = {"A": by_hand(study, view, "A", 280), "B": by_hand(study, view, "B", 282)}
    assert abs(expected["A"] - by_hand(study, view, "A", 282)) > 0.01
    assert found.by_printer == pytest.approx(expected, abs=FAST)
    assert found.common_setpoint == pytest.approx(expected, abs=FAST)


def test_limits_are_added_to_responses_with_a_requirement_alone():
    study, view, _, coded, fitted = case(("A", "B"))
    one = promise.promise(fitted[0], coded, 0.95)
    other = promise.promise(fitted[0], coded, 0.95)
    other = type(other)(**{**vars(other), "response": "peel"})
    first, second = share.with_tolerance(study, view, coded, 0.05, [one, other])
    assert first.tolerance.share == study.header.conformance
    assert first.tolerance.lower < one.mean and first.tolerance.upper is None
    assert second == other


def test_a_lower_quantile_than_the_level_lets_expect_is_explained():
    study, view, cards, coded, _ = case(("A", "B"))
    found, quantile = share.conformance(study, view, coded, cards, None)
    assert (quantile, found.level) == (0.02, 0.9)  # one response causes all failures
    assert "posterior 2 % quantile (lower than 5 %, since the setting was chosen for looking best" in found.method
    assert "such a bound held in 90 % or more)" in found.method
    assert "(lower than" not in share._method(view, 0.05)
    assert "held in 95 % or more)" in share._method(view, 0.0375)
