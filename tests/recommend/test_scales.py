"""A factor on a scale against the same study in which what the scale is linear in is the factor itself."""

import numpy as np
import pytest

from doe.model.fit import fit_model
from doe.model.measured import predicted_mean
from doe.recommend import outlook
from doe.recommend.choose import recommend_settings
from doe.study.spec import Study
from tests.recommend.test_choose import HEADER, NOZZLE, PLAIN, STRENGTH, grid, make_design, make_record
from tests.study.test_nonlinear_scales import left_after

HOURS = (4.0, 7.0, 12.0)
TIMES = {"name": "drying", "unit": "h", "low": 4, "high": 12, "increment": 0.01, "change": "load"}
MATERIAL = {"drying": {
    "diffusivity": 5e-13, "diffusivity_temperature": 23.0, "activation_energy": 55.0, "strand_diameter": 1.75,
    "spool_factor": 3.0, "start_moisture": 2.7, "equilibrium_moisture": 2.7, "equilibrium_humidity": 50.0,
    "room_temperature": 23.0, "room_humidity": 50.0, "basis": {},
}}  # fmt: skip
WAYS = {"log": np.log, "moisture": left_after}
UPWARDS = {"log": np.log, "moisture": lambda hours: -left_after(hours)}
"""The same in the orientation of the scale: draws of a posterior are then the same, and not only alike."""


def as_itself(way, increment):
    """Return the factor of the other study: the value that the scale is linear in."""
    low, high = sorted(float(way(hours)) for hours in (4, 12))
    return {**TIMES, "unit": "1", "low": low, "high": high, "increment": increment * (high - low)}


def study_of(drying):
    return Study.model_validate({
        "study": HEADER, "factors": [NOZZLE, drying], "responses": [STRENGTH],
        "material": MATERIAL, "oven": {"temperature": 80.0},
    })


def both(kind, truth, increment=(0.05, 1e-3), ways=UPWARDS):
    """Return studies, designs, records and fits on the scale, and with the scale's value as the factor."""
    way = ways[kind]
    settings, loads = grid((255, 270, 285), HOURS)
    pairs = (
        (study_of({**TIMES, "scale": kind, "increment": increment[0]}), settings),
        (study_of(as_itself(way, increment[1])), [(nozzle, float(way(hours))) for nozzle, hours in settings]),
    )
    values = None
    found = []
    for study, rows in pairs:
        design = make_design(study, rows, loads)
        record = make_record(study, design, {"strength": lambda at: np.zeros(len(at["nozzle"]))}, sd=(0.2, 0.3, 0.5))
        values = truth(*map(np.array, zip(*settings, strict=True))) if values is None else values
        added = dict(zip(design.runs["print"], values, strict=True))
        record.coupons["strength"] = record.coupons["strength"] + record.coupons["print"].map(added)
        found.append((study, design, record, *fit_model(study, design, record, PLAIN)))
    return found


def truth(nozzle, hours):
    return 28.5 - 2.0 * ((nozzle - 272) / 15) ** 2 - 3.0 * np.log(hours / 7.5) ** 2 + 0.02 * (nozzle - 270) * np.log(hours / 7)


@pytest.mark.parametrize("kind", WAYS)
def test_the_fit_is_that_of_what_the_scale_is_linear_in(kind):
    (study, _, _, fit, fitted), (other, _, _, plain, again) = both(kind, truth, ways=WAYS)
    way, nozzle, hours = WAYS[kind], np.linspace(255, 285, 9), np.linspace(4, 12, 9)
    one = predicted_mean(study, fitted[0], {"nozzle": nozzle, "drying": hours})
    assert one == pytest.approx(predicted_mean(other, again[0], {"nozzle": nozzle, "drying": way(hours)}), rel=1e-9)
    turn = {"drying": -1, "nozzle * drying": -1} if kind == "moisture" else {}  # more hours are less moisture
    for mine, its in zip(fit.responses[0].coefficients, plain.responses[0].coefficients, strict=True):
        assert mine.label == its.label
        assert mine.estimate == pytest.approx(turn.get(mine.label, 1) * its.estimate, rel=1e-7, abs=1e-8)
        assert mine.se == pytest.approx(its.se, rel=1e-7)


@pytest.mark.parametrize("kind", WAYS)
def test_the_recommended_setting_is_the_same_after_going_back(kind):
    (study, design, record, fit, fitted), (other, its_design, its_record, plain, again) = both(kind, truth)
    one = {s.factor: s.value for s in recommend_settings(study, design, fit, fitted, 1, record).settings}
    its = {s.factor: s.value for s in recommend_settings(other, its_design, plain, again, 1, its_record).settings}
    assert one["nozzle"] == its["nozzle"]
    assert 4 < one["drying"] < 12  # inside, where a wrong way back would show
    assert np.round(one["drying"] / 0.05) * 0.05 == pytest.approx(one["drying"], abs=1e-9)
    way, step = UPWARDS[kind], its["drying"]
    # both within a step of their own increments, and of the search's, which ends a step from no better neighbour
    assert float(way(one["drying"] - 0.06)) < step < float(way(one["drying"] + 0.06))


@pytest.mark.parametrize("kind", WAYS)
def test_conformance_is_the_same_where_both_have_the_same_values_to_choose_from(kind):
    made = both(kind, lambda nozzle, hours: truth(nozzle, hours) - 2.7 + 2 * np.log(hours / 7), increment=(8, 1.0))
    found = [recommend_settings(study, design, fit, fitted, 1, record) for study, design, record, fit, fitted in made]
    values = [{s.factor: s.value for s in one.settings} for one in found]
    assert values[0]["nozzle"] == values[1]["nozzle"]
    assert float(UPWARDS[kind](values[0]["drying"])) == pytest.approx(values[1]["drying"], rel=1e-9)
    assert found[0].conformance.estimate == pytest.approx(found[1].conformance.estimate, abs=1e-5)
    assert found[0].conformance.lower == pytest.approx(found[1].conformance.lower, abs=1e-5)
    assert 0.05 < found[0].conformance.estimate < 0.999


@pytest.mark.parametrize("kind", WAYS)
def test_the_spread_of_a_setpoint_is_taken_where_the_setting_is(kind):
    study = study_of({**TIMES, "scale": kind, "setpoint_sd": 0.25})
    settings, loads = grid((255, 270, 285), HOURS)
    design = make_design(study, settings, loads)
    record = make_record(study, design, {"strength": lambda at: truth(at["nozzle"], at["drying"])}, sd=(0.2, 0.3, 0.5))
    fitted = fit_model(study, design, record, PLAIN)[1]
    view = outlook.outlook(study, [fitted[0].data], ())
    hours = np.array([4.0, 5.5, 12.0])
    coded = np.column_stack([np.zeros(3), study.factors[1].coding.coded(hours)])
    way = WAYS[kind]
    ends = way(4.0), way(12.0)
    around = np.sort(view.around(coded)[:, :, 1], axis=0)
    for by, row in zip((-0.25, 0.25), around, strict=True):
        assert row == pytest.approx(2 * (way(hours + by) - ends[0]) / (ends[1] - ends[0]) - 1, abs=1e-9)


