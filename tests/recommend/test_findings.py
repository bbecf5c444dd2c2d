"""Verdicts on a recommendation: what stands in the way, said once and in full, and what is not worth a word."""

import dataclasses

import numpy as np
import pytest

from doe.model.fit import fit_model
from doe.recommend import conflict, findings, next_step, outlook, search
from doe.recommend.bounds import Chosen
from doe.recommend.choose import recommend_settings
from doe.recommend.loads_to_show import Shown
from doe.recommend.results import Setting, predicted, predicted_bound
from doe.recommend.search import Axis, Edge
from doe.study.names import listed, spoken
from doe.verdicts import Verdict
from tests.recommend.test_choose import NINE, STRENGTH, grid, hill, make_design, make_record, make_study, names_of

SMALL = (0.1, 0.3, 0.3)
WARP = {"name": "warp", "unit": "mm", "coupons": 4, "at_most": 1.0}


def studied(study, truths, settings=NINE[0], loads=NINE[1], sd=SMALL):
    """Return the recommendation of a simulated study and its case."""
    design = make_design(study, settings, loads)
    fit, fitted = fit_model(study, design, make_record(study, design, truths, sd=sd))
    advice = recommend_settings(study, design, fit, fitted, 1)
    views = [one.data for one in fitted]
    area, view = search.region(study, views, []), outlook.outlook(study, views, [])
    best = search.best_setting(area, view.score, outlook.generator())
    chosen = Chosen(area, view, best, 0.9, advice.window.quantile)
    return advice, findings.Case(advice.conformance, fitted, chosen, advice.window, advice.responses)


@pytest.fixture(scope="module")
def hidden():
    """A setting that is good enough by its estimate, and not by its bound."""
    advice, case = studied(make_study(), hill(height=26.4), sd=(0.7, 0.4, 0.6))
    assert case.window.reason == "bound"
    return advice, case


@pytest.fixture(scope="module")
def torn():
    """A strength that rises with the nozzle's temperature and a warp that does too."""
    truths = {"strength": lambda at: 25 + 2 * (at["nozzle"] - 270) / 15, "warp": lambda at: 1 + 1.5 * (at["nozzle"] - 270) / 15}
    return studied(make_study(responses=[STRENGTH, WARP]), truths)


class TestNotShown:
    @pytest.mark.parametrize(
        ("after", "said"),
        [
            ((Shown(3, 0.91), Shown(6, 0.93)), "print the recommended setting on 6 new drying loads, one print each: if"),
            ((Shown(6, 0.89), Shown(10, 0.9)), "on 10 new drying loads, one print each (doe confirm --loads 10): if"),
            ((Shown(6, 0.7), Shown(20, 0.89)), "even 20 new drying loads, one print each, are not expected to show 90 %"),
        ],
    )
    def test_it_says_how_many_loads_are_expected_to_show_it(self, hidden, after, said):
        _, case = hidden
        changed = dataclasses.replace(case, window=dataclasses.replace(case.window, after=after))
        (one,) = findings.of_conformance(changed)
        assert one.name == "conformance not shown with 6 loads"
        assert said in one.next_step

    def test_it_says_what_limits_it_and_that_there_is_no_window(self, hidden):
        advice, case = hidden
        (one,) = findings.of_conformance(case)
        assert "strength limits it; 3 error degrees of freedom" in one.cause
        assert "so there is no process window yet" in one.cause
        assert sum("window" in verdict.cause for verdict in advice.verdicts) == 1

    def test_two_responses_name_the_weaker_with_its_own_share(self, hidden):
        _, case = hidden
        share = dataclasses.replace(case.share, by_response={"z_strength": 0.951, "warp": 0.99})
        (one,) = findings.of_conformance(dataclasses.replace(case, share=share))
        assert "z strength limits it: alone it is met by 95.1 %" in one.cause


class TestTooLow:
    def test_conflict_names_both_requirements_and_the_factor(self, torn):
        advice, _ = torn
        one = advice.verdicts[0]
        assert "stand in each other's way: they pull nozzle apart" in one.cause
        assert "at 285 °C" in one.cause and "at 255 °C" in one.cause
        assert "which of the requirements on" in one.next_step

    def test_each_alone_is_met_best_at_the_best_of_all_settings(self, torn):
        _, case = torn
        area, view = case.chosen.area, case.chosen.view
        every = np.array([[i, j] for i in range(len(area.axes[0].natural)) for j in range(len(area.axes[1].natural))])
        every = every[area.allows(every)]
        for one in conflict.alone(case.chosen):
            shares = [np.median(view.by_response(area.coded(place[None]))[one.response]) for place in every[::7]]
            assert one.best >= max(shares) - 1e-6
            there = view.by_response(area.coded(one.places[None]))[one.response]
            assert one.best == pytest.approx(float(np.median(there)))
            assert one.here == pytest.approx(case.share.by_response[one.response])

    def test_a_requirement_out_of_reach_is_named_with_its_mean(self):
        advice, _ = studied(make_study(responses=[{**STRENGTH, "at_least": 30.0}]), hill())
        one = advice.verdicts[0]
        assert one.name == "no setting meets every requirement"
        assert "strength limits it; its predicted mean there is 25." in one.cause
        assert one.cause.endswith("asked for is at least 30 MPa on each coupon")
        assert "no process window even by the estimate" in one.cause

    def test_one_out_of_reach_beside_one_that_is_not(self):
        truths = {**hill(), "warp": lambda at: 0.0 * at["nozzle"]}
        advice, _ = studied(make_study(responses=[{**STRENGTH, "at_least": 30.0}, WARP]), truths)
        one = advice.verdicts[0]
        assert "strength limits it: alone it is met by < 0.1 % at the most" in one.cause
        assert "warp" not in one.cause and "warp" not in one.next_step


def axis(name, high=10):
    """Return an axis of places 0 to ``high``."""
    factor = dataclasses.make_dataclass("Factor", ["name", "display_unit"])(name, "°C")
    return Axis(factor, np.arange(high + 1.0), np.linspace(-1, 1, high + 1))


def edge(name, side="high", reason="end of the range"):
    return Edge(axis(name), side, reason)


def setting(name, value=10.0, interval=(9.0, 10.0)):
    return Setting(name, "°C", value, interval)


class TestEdges:
    def test_one_verdict_for_one_reason(self):
        found = [edge("bed_temperature", "low"), edge("nozzle"), edge("fan", reason="constraint")]
        settings = [setting("bed_temperature", 0.0, (0.0, 1.0)), setting("nozzle"), setting("fan")]
        ends, barred = findings.of_edges(found, settings)
        assert (ends.name, barred.name) == ("optimum on the edge", "optimum on the edge")
        assert ends.about == "bed_temperature, nozzle"
        assert ends.cause == (
            "bed temperature at 0 °C, on its low side, and nozzle at 10 °C, on its high side: the last values that were printed"
            " and that the printers allow"
        )
        assert ends.next_step.startswith("print lower values of bed temperature and higher values of nozzle in a next round")
        assert barred.about == "fan" and "conformance would still rise, and a constraint" in barred.cause

    def test_a_flat_factor_hides_no_better_value(self):
        found, flat, steep = [edge("nozzle")], setting("nozzle", interval=(5.0, 10.0)), setting("nozzle", interval=(6.0, 10.0))
        assert list(findings.of_edges(found, [flat])) == []
        assert len(list(findings.of_edges(found, [steep]))) == 1

    def test_good_enough_on_the_edge_is_no_reason_to_go_on(self, hidden):
        _, case = hidden
        (one,) = findings.of_edges([edge("nozzle")], [setting("nozzle")], shown=True)
        assert one.next_step.startswith("confirm it as it is")
        others = (Verdict("loads not recorded", "c", "n"), one)
        good = dataclasses.replace(case.share, lower=0.95)
        assert findings.decisive(others, good) == others[:1]
        assert findings.decisive(others, case.share) == others
        assert findings.decisive(others, None) == others


FLAT = {"strength": lambda at: 40.0 + 0.0 * at["nozzle"]}


class TestNoFactorMatters:
    """A strength that no factor moves, far above what is asked for: the model predicts nothing, and nothing depends on it."""

    def test_a_setting_that_is_shown_is_confirmed_all_the_same(self):
        advice, case = studied(make_study(), FLAT)
        assert "model predicts nothing" in names_of(advice) and advice.conformance.lower >= advice.conformance.required
        one = next(one for one in advice.verdicts if one.name == next_step.MET_ANYWAY)
        around = case.window
        assert around.bound_share == 1.0 and f"at 100 % of {around.looked_at} other settings" in one.cause
        assert one.next_step.startswith("within these ranges the requirements hardly depend on the setting: keep the recommended")
        few = dataclasses.replace(case, window=dataclasses.replace(around, bound_share=0.3))
        assert [one.next_step.startswith("keep the recommended one") for one in findings.of_conformance(few)] == [True]
        assert advice.next == f"confirm: doe confirm, since strength: {one.name}; {one.next_step}"

    def test_one_that_is_not_shown_is_not(self):
        advice, case = studied(make_study(responses=[{**STRENGTH, "at_least": 39.4}]), FLAT)
        assert "model predicts nothing" in names_of(advice) and advice.conformance.lower < advice.conformance.required
        assert next_step.MET_ANYWAY not in names_of(advice)
        assert advice.next.startswith("stop: strength: model predicts nothing")
        assert [one.name for one in findings.of_conformance(case)] != [next_step.MET_ANYWAY]

    def test_a_model_that_predicts_is_not_spoken_of(self):
        advice, _ = studied(make_study(responses=[{**STRENGTH, "at_least": 20.0}]), hill(height=26.0))
        assert advice.conformance.lower >= advice.conformance.required and next_step.MET_ANYWAY not in names_of(advice)


class TestNarrow:
    def test_every_narrow_factor_is_in_one_verdict(self):
        advice, case = studied(make_study(), hill(height=26.0, steep=(6, 6)), sd=(0.05, 0.1, 0.1))
        reaches = tuple(
            dataclasses.replace(one, scale=sd, has_error=True, half_width=(one.high - one.low) / 2 / sd, critical=True)
            for one, sd in zip(case.window.reaches, (50.0, 40.0), strict=True)
        )
        changed = dataclasses.replace(case, window=dataclasses.replace(case.window, reaches=reaches))
        assert "window narrower than the setpoint error" not in {one.name for one in advice.verdicts}
        (one,) = findings.of_window(changed)
        assert one.about == "nozzle, drying"
        assert "less than twice the setpoint error" in one.cause
        assert "(setpoint error 50 °C, one standard deviation)" in one.cause
        assert one.next_step.startswith("hold these factors more closely and check them")
        assert list(findings.of_window(case)) == []


class TestFewPrints:
    def test_nine_prints_compare_no_smaller_models(self):
        # AICc adds 2k(k + 1) / (n - k - 1): 112 for a quadratic (six coefficients, a variance), 10 for a plane.
        settings = grid((255, 270, 285), (4, 8, 12))[0][:9]
        for seed in range(3):
            study = make_study()
            design = make_design(study, settings, [None] * 9)
            record = make_record(study, design, hill(height=26.3, steep=(2, 1.5)), sd=(0.0, 0.4, 0.5), seed=seed)
            fit, fitted = fit_model(study, design, record)
            advice = recommend_settings(study, design, fit, fitted, 1)
            assert advice.alternatives is None
            assert "the recommendation depends on the model" not in {one.name for one in advice.verdicts}

    def test_eighteen_prints_do(self, hidden):
        advice, _ = hidden
        assert advice.alternatives is not None and advice.alternatives.not_compared == {}


def test_no_model_promises_all_or_none():
    assert (predicted(1.0), predicted(0.0), predicted(0.5)) == ("> 99.9 %", "< 0.1 %", "50.0 %")
    assert (predicted_bound(1.0), predicted_bound(0.0)) == ("99.9 %", "< 0.1 %")


def test_names_and_lists_are_words():
    assert spoken("drying_time") == "drying time"
    assert [listed(one) for one in ([], ["a"], ["a", "b"], ["a", "b", "c"])] == ["", "a", "a and b", "a, b and c"]
