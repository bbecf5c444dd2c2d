"""What the plan of a confirmation says it cannot show."""

import pytest

from doe.model.fit import fit_model
from doe.recommend import forecast, next_step
from doe.recommend.confirm import ConfirmRequest, plan_confirmation
from tests.recommend.test_choose import NINE, STRENGTH, make_design, make_record, make_study
from tests.recommend.test_updated import ADVICE


def planned(loads, completes=None, verdicts=()):
    study = make_study(responses=[{**STRENGTH, "name": name} for name in ("strength", "peel")], model={"terms": "main"})
    design = make_design(study, *NINE)
    flat = {one.name: lambda at: 26 + 0.0 * at["nozzle"] for one in study.responses}
    record = make_record(study, design, flat, seed=4, sd=(0.5, 0.4, 0.5))  # five prints are needed
    _, fitted = fit_model(study, design, record)
    advice = {**ADVICE, "verdicts": list(verdicts)}
    request = ConfirmRequest(1, advice, "", {}, 3, loads=loads, completion_lower=completes)
    return plan_confirmation(study, design, record, fitted, request)[1]


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
