"""What is frozen before a confirmation: intervals on the response's own scale, levels, and the way to the file and back."""

import dataclasses
import json

import numpy as np
import pytest
from scipy import stats

from doe.model.fit import fit_model
from doe.model.results import as_data
from doe.numerics import confirming
from doe.numerics.confirming import NewPrints
from doe.recommend import forecast
from doe.recommend.confirmation import Catch, Forecast, Print, restored
from doe.study import scale
from tests.recommend.test_choose import NINE, PLAIN, STRENGTH, make_design, make_record, make_study

PRINTS = tuple(Print(f"P{place}", f"L{place}", "AB"[place % 2]) for place in range(4))
AT = {"nozzle": [270.0], "drying": [8.0]}


def fitted(responses=(STRENGTH,), truths=None, sd=(0.3, 0.4, 0.5), loads=NINE[1], **study):
    made = make_study(responses=list(responses), printers=[{"name": "A"}, {"name": "B"}], **study)
    design = make_design(made, NINE[0], loads, ("A", "B"))
    flat = {one["name"]: lambda at: np.full(len(at["nozzle"]), 26.0) for one in responses}
    return made, fit_model(made, design, make_record(made, design, truths or flat, sd=sd), PLAIN)[1]


def of(study, one, level=0.95):
    return forecast.forecast(one, scale.coded(study, AT), PRINTS, level)


def test_the_file_gives_back_what_was_frozen():
    study, (one,) = fitted()
    made = of(study, one)
    again = restored(Forecast, json.loads(json.dumps(as_data(made))))
    assert again == made
    known = forecast.known_again(again.basis)
    new = forecast.new_prints(again.basis.printers, PRINTS[:3], [4, 4, 4])
    ahead = confirming.mean_ahead(known, new, 0.95)
    assert (made.means[2].low, made.means[2].high) == (ahead.low, ahead.high)


def test_the_posterior_of_few_loads_comes_back_too():
    loads = [
        {4: 0, 8: 1, 12: 2}[row[1]] if place < 9 else {4: 0, 8: 1, 12: 3}[row[1]] for place, row in enumerate(NINE[0])
    ]
    study, (one,) = fitted(loads=loads, model={"terms": "main"})
    assert one.inference.mixture is not None
    made = of(study, one)
    again = restored(Forecast, json.loads(json.dumps(as_data(made))))
    assert again == made
    new = NewPrints((0, 1, 0, 1), (4,) * 4)
    assert confirming.mean_ahead(forecast.known_again(again.basis), new, 0.95).low == pytest.approx(made.means[3].low)


def test_a_logarithm_is_shown_in_its_own_unit():
    study, (one,) = fitted([{**STRENGTH, "transform": "log"}], sd=(0.0, 0.4, 0.3))
    made = of(study, one)
    assert made.estimate == pytest.approx(26, abs=0.5)
    for limits in (*made.means, *made.singles):
        assert 15 < limits.low < 26 < limits.high < 40
    catch = next(each for each in made.catches if each.sds == 2)
    assert catch.drop == pytest.approx(made.estimate * (1 - np.exp(-2 * made.sd)), rel=0.01)


def test_each_response_has_its_share_of_the_error():
    two = [STRENGTH, {**STRENGTH, "name": "peel"}]
    study, found = fitted(two)
    assert forecast.level_of_each(study, found) == pytest.approx(0.975)
    free = [STRENGTH, {key: value for key, value in {**STRENGTH, "name": "peel"}.items() if key != "at_least"}]
    study, found = fitted(free)
    assert forecast.level_of_each(study, found) == pytest.approx(0.95)
    assert of(study, found[1]).catches == ()
    study, found = fitted(study={"confidence": 0.8})
    assert forecast.overall_level(study) == 0.95


@pytest.mark.parametrize(
    ("limits", "side"),
    [({"at_least": 20.0}, "low"), ({"at_most": 30.0}, "high"), ({"at_least": 20.0, "at_most": 30.0}, "both"), ({}, "")],
)
def test_the_bad_side_follows_the_requirement(limits, side):
    study = make_study(responses=[{"name": "strength", "unit": "MPa", "coupons": 4, **limits}])
    assert forecast.bad_side(study.responses[0]) == side


def test_more_loads_catch_more_and_the_fewest_that_do_are_proposed():
    study, (one,) = fitted(model={"terms": "main"})
    made = of(study, one)
    chances = [each.chance for each in made.catches if each.sds == 3]
    assert chances == sorted(chances)
    wanted = next((place for place, chance in enumerate(chances, 3) if chance >= 0.8), None)
    assert forecast.proposed_loads([made]) == wanted
    # With all of the variance known a drop of three standard deviations is beyond any interval of 12 prints.
    assert chances[-1] < stats.norm.sf(stats.norm.ppf(0.975) - 3 * np.sqrt(12))


def catching(needed):
    """Return a forecast of which so many prints, and no fewer, catch three standard deviations in four of five cases."""
    study, (one,) = fitted(model={"terms": "main"})
    catches = tuple(
        Catch(loads, sds, 1.0, 0.85 if loads >= needed else 0.7) for loads in forecast.CANDIDATES for sds in (2.0, 3.0)
    )
    return dataclasses.replace(of(study, one), catches=catches)


@pytest.mark.parametrize(
    ("needed", "completes", "loads"),
    [
        (6, None, 6), (6, 1.0, 6), (6, 0.6, 10), (6, 0.59, 11), (3, 0.75, 4), (12, 0.24, 50), (12, 0.23, None), (6, 0.0, None),
        (13, 0.9, None),
    ],
)  # fmt: skip
def test_as_many_loads_are_proposed_as_bring_the_prints_that_are_needed(needed, completes, loads):
    # Of 10 prints 6 complete where 60 of 100 do, of 9 only 5.4; and so on.
    assert forecast.proposed_loads([catching(needed)], completes) == loads


@pytest.mark.parametrize(
    ("aims", "says", "not_said"),
    [
        ({"at_least": 20.0}, "values miss it more often than the study allows", "aim"),
        (
            {"aim": "maximise", "worthless_below": 20, "perfect_at": 30},
            "the mean itself is worth nothing by its aim", "requirement",
        ),
    ],
)  # fmt: skip
def test_the_rule_speaks_of_what_the_study_has(aims, says, not_said):
    plain = {key: value for key, value in STRENGTH.items() if key != "at_least"}
    study, found = fitted([{**plain, **aims}])
    said = forecast.rule(study, found)
    assert says in said
    assert not_said not in said
