"""Actual settings: readings of the actual value replace setpoints where they are reliable enough."""

from dataclasses import replace

import numpy as np
import pytest

from doe.design.plan import plan_runs
from doe.design.request import PlanRequest
from doe.model.findings import of_readings
from doe.model.settings import Readings, actual_settings, readings
from tests.conftest import make_study, numeric
from tests.records import simulated


def case(reading_sd, errors):
    study = make_study(
        factors=[
            numeric("nozzle_temperature", 255, 285, 1, reading_sd=reading_sd),
            numeric("drying_time", 4, 12, 0.5, unit="h", change="load"),
        ],
        printers=[],
        model={"terms": "main"},
        budget={"loads": 8},
    )
    design = plan_runs(study, PlanRequest(kind="factorial", replicates=4, seed=1))
    record = simulated(study, design)
    set_to = design.runs["set.nozzle_temperature"].to_numpy(dtype=float)
    read = {"read.nozzle_temperature": set_to + errors(len(set_to))}
    return study, design, replace(record, prints=record.prints.assign(**read))


def test_reliable_readings_count_but_what_they_have_in_common_belongs_to_the_checks():
    study, design, record = case(2.0, lambda n: np.full(n, -6.0))
    (found,) = readings(study, design, record)
    set_to = design.runs["set.nozzle_temperature"].to_numpy(dtype=float)
    assert found.reliability == pytest.approx(1 - 4 / np.var(set_to, ddof=1))
    assert (found.used, found.offset, found.prints, found.weight) == (True, pytest.approx(-6.0), len(set_to), 0.0)
    assert actual_settings(study, design, record)["nozzle_temperature"].to_numpy() == pytest.approx(set_to)
    (verdict,) = (one for one in of_readings([found], study) if one.name == "readings off the setpoints")
    assert "6 °C below" in verdict.cause


@pytest.mark.parametrize(
    ("turned", "said"), [((), ""), (("B",), "printer B"), (("B", "C"), "printers B and C")]
)
def test_readings_off_the_setpoints_say_on_which_printers_the_sign_is_turned(turned, said):
    senses = {name: "positive" if name in turned else "negative" for name in "ABC"}
    study = make_study(
        factors=[numeric("z_offset", -0.1, 0.1, 0.02, unit="mm", reading_sd=0.005, z_closer="negative")],
        printers=[{"name": name, "z_closer": sense} for name, sense in senses.items()],
        model={"terms": "main"},
    )
    found = Readings("z_offset", "mm", 12, 12, reliability=0.95, offset=-0.03, offset_p=0.001, used=True, weight=0.5)
    (verdict,) = of_readings([found], study)
    assert "0.03 mm below" in verdict.cause
    assert verdict.cause.endswith(f"the other way round on {said}" if turned else "the fit and the cards keep")
    assert ("more negative is closer to the plate" in verdict.cause) == bool(turned)


def test_readings_below_the_ratio_do_not_replace_setpoints():
    study, design, record = case(6.0, lambda n: np.random.default_rng(1).normal(0, 6, n))
    (found,) = readings(study, design, record)
    assert found.reliability < 0.9
    assert not found.used
    set_to = design.runs["set.nozzle_temperature"].to_numpy(dtype=float)
    assert (actual_settings(study, design, record)["nozzle_temperature"] == set_to).all()


def test_a_single_reading_moves_its_print_by_its_weight():
    away = np.random.default_rng(2).normal(0, 5, 100)
    study, design, record = case(3.0, lambda n: np.where(np.arange(n) == 3, np.nan, away[:n] - 6.0))
    (found,) = readings(study, design, record)
    set_to = design.runs["set.nozzle_temperature"].to_numpy(dtype=float)
    moved = actual_settings(study, design, record)["nozzle_temperature"].to_numpy() - set_to
    known = np.delete(away[: len(set_to)], 3)
    spread = np.sum((known - known.mean()) ** 2) / (len(known) - 1)
    assert found.weight == pytest.approx(1 - 9 / spread)
    assert moved[3] == 0
    assert np.delete(moved, 3) == pytest.approx(found.weight * (known - known.mean()))


@pytest.mark.slow
@pytest.mark.parametrize("scatter", [0.0, 2.0, 4.0])
def test_readings_flatten_neither_slope_nor_curvature(scatter):
    # What a quadratic truth gives where the actual value scatters about its setpoint and is read with an error of 2.5.
    generator = np.random.default_rng(5)
    estimates = []
    for _ in range(400):
        actual = []

        def errors(n, actual=actual):
            actual.append(generator.normal(0, scatter, n))
            return actual[-1] + generator.normal(0, 2.5, n)

        study, design, record = case(2.5, errors)
        (found,) = readings(study, design, record)
        assert found.used
        true = (design.runs["set.nozzle_temperature"].to_numpy(dtype=float) + actual[0] - 270) / 15
        used = (actual_settings(study, design, record)["nozzle_temperature"].to_numpy(dtype=float) - 270) / 15
        estimates.append(np.polyfit(used, 3 * true - 2 * true**2, 2))
    quadratic, linear, _ = np.mean(estimates, axis=0)
    assert linear == pytest.approx(3, abs=0.06)
    assert quadratic == pytest.approx(-2, abs=0.12)


def test_noisy_readings_would_flatten_the_slope_by_the_ratio():
    # Fuller, Measurement Error Models (1987), eq. 1.1.7, from memory: the slope on what is read with error is that of the truth
    # times the reliability ratio. The ratio that is reported is checked by doing what it warns of.
    generator = np.random.default_rng(3)
    truth = generator.choice([255.0, 270.0, 285.0], 4000)
    read = truth + generator.normal(0, 6, 4000)
    slope = np.polyfit(read, 2 * truth, 1)[0]
    assert slope / 2 == pytest.approx(1 - 36 / np.var(read, ddof=1), abs=0.01)
