"""What the plan of a confirmation says it cannot show, and what it is refused for."""

import functools
from dataclasses import replace

import pytest

from doe.errors import InputRefused
from doe.model.fit import fit_model
from doe.recommend import forecast, next_step
from doe.recommend.confirm import ConfirmRequest, plan_confirmation
from doe.verdicts import Verdict
from tests.recommend.test_choose import NINE, PLAIN, STRENGTH, make_design, make_record, make_study
from tests.recommend.test_updated import ADVICE


@functools.cache
def fitted_prints():
    """Return a study of two responses with its plan, record and fit."""
    study = make_study(responses=[{**STRENGTH, "name": name} for name in ("strength", "peel")], model={"terms": "main"})
    design = make_design(study, *NINE)
    flat = {one.name: lambda at: 26 + 0.0 * at["nozzle"] for one in study.responses}
    record = make_record(study, design, flat, seed=4, sd=(0.5, 0.4, 0.5))  # five prints are needed
    return study, design, record, fit_model(study, design, record, PLAIN)[1]


def planned(loads, completes=None, verdicts=()):
    advice = {**ADVICE, "verdicts": list(verdicts)}
    request = ConfirmRequest(1, advice, "", {}, 3, loads=loads, completion_lower=completes)
    return plan_confirmation(*fitted_prints(), request)[1]


def test_too_few_loads_say_what_would_do():
    needed = forecast.needed_prints(planned(4).forecasts)
    assert needed is not None and needed > 3
    few = planned(needed - 1)
    (verdict,) = few.verdicts
    assert verdict.name == "a change for the worse may go unseen"
    assert f"with {needed - 1} loads it is caught with a chance of" in verdict.cause
    assert verdict.next_step == f"plan {needed} loads (doe confirm --replace --loads {needed})"
    assert planned(needed).verdicts == ()


def test_prints_that_may_fail_are_reckoned_with():
    needed = forecast.needed_prints(planned(4).forecasts)
    (verdict,) = planned(needed, completes=0.5).verdicts
    assert f"it takes {needed} prints that complete" in verdict.cause
    assert f"of {needed} prints as few as {needed // 2} may complete (at least 50.0 % of prints do)" in verdict.cause
    assert verdict.next_step == f"plan {2 * needed} loads (doe confirm --replace --loads {2 * needed})"
    made = planned(2 * needed, completes=0.5)
    assert (made.verdicts, made.proposed, made.completion_lower) == ((), 2 * needed, 0.5)
    (verdict,) = planned(needed, completes=0.01).verdicts
    assert f"even 50 loads are not sure to bring {needed} prints that complete" in verdict.next_step


@pytest.mark.parametrize("name", [next_step.NO_SETTING, next_step.WORTHLESS, next_step.ESTIMATE_TOO_LOW])
def test_prints_that_bear_out_a_bad_prediction_do_not_make_it_good(name):
    said = {"name": name, "cause": "it is as it is", "next_step": "stop", "about": ""}
    assert planned(12, verdicts=[said]).verdicts[0].name == "the prediction itself is not enough"


@pytest.fixture(scope="module")
def parts():
    study = make_study(model={"terms": "main"})
    design = make_design(study, *NINE)
    record = make_record(study, design, {"strength": lambda at: 26 + 0.0 * at["nozzle"]}, sd=(0.3, 0.3, 0.3))
    return study, design, record, fit_model(study, design, record, PLAIN)[1]


class TestRefusals:
    def problems(self, parts, fitted=None, override="", refuted=(), **advice):
        request = ConfirmRequest(2, {**ADVICE, **advice}, "", {}, 3, loads=4, override=override, refuted=refuted)
        with pytest.raises(InputRefused, match=": ") as refused:
            plan_confirmation(*parts[:3], parts[3] if fitted is None else fitted, request)
        return [(one.where, one.found) for one in refused.value.problems]

    def test_everything_at_once(self, parts):
        card = {"printer": "A", "setpoints": {"nozzle": None, "drying": 9.0}}
        assert self.problems(parts, exploratory=True, printers=[card], refuted=(1,)) == [
            ("recommendation-1.json", "it rests on an exploratory model"),
            ("recommendation-1.json", "printer A has no setpoint for nozzle: it lies beyond what was read on it"),
            ("judgement-1.json", "this setting was not confirmed"),
        ]

    def test_lack_of_fit_unless_it_is_overridden(self, parts):
        (one,) = parts[3]
        doubt = Verdict("lack of fit", "replicates agree better", "add a term", "strength")
        doubted = [replace(one, result=replace(one.result, verdicts=(doubt,)))]
        assert self.problems(parts, doubted) == [("response strength", "lack of fit: replicates agree better")]
        request = ConfirmRequest(2, ADVICE, "", {}, 3, loads=4, override="known from another study", refuted=(1,))
        _, made = plan_confirmation(*parts[:3], doubted, request)
        assert made.verdicts[0].name == "planned in spite of a doubt"
        assert made.override in made.verdicts[0].cause

    def test_no_intervals(self, parts):
        (one,) = parts[3]
        assert self.problems(parts, [replace(one, inference=None)]) == [("response strength", "the fit has no intervals")]

    def test_setpoints_are_those_of_the_cards(self, parts):
        _, design, record, fitted = parts
        study = make_study(model={"terms": "main"}, printers=[{"name": "A"}])
        advice = {**ADVICE, "printers": [{"printer": "A", "setpoints": {"nozzle": 277.0, "drying": 9.0}}]}
        both, _ = plan_confirmation(study, design, record, fitted, ConfirmRequest(1, advice, "", {}, 3, loads=4))
        new = both.of_round(2)
        assert set(new["set.nozzle"]) == {277.0} and set(new["target.nozzle"]) == {275.0}
        assert new["load"].nunique() == 4
