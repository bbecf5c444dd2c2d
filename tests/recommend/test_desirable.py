"""Choosing by aims: published optima, plateaus, what is said of the setting, and its verdicts."""

import dataclasses

import numpy as np
import pytest

from doe.model.fit import fit_model
from doe.numerics.desirability import Goal
from doe.recommend import choose, desirable, findings, next_step, outlook, search
from doe.study.spec import Response
from doe.verdicts import Verdict
from tests.recommend.test_choose import NINE, PLAIN, STRENGTH, hill, make_design, make_record, make_study
from tests.reference_data import expected_of, rows_of

BARE = {key: value for key, value in STRENGTH.items() if key != "at_least"}
HIGH = {"aim": "maximise", "worthless_below": 20, "perfect_at": 30}
NOISE = {"sd": (0.1, 0.2, 0.3)}


def view_of(study, design, record):
    _, fitted = fit_model(study, design, record, PLAIN)
    view = desirable.wishes(fitted, [])
    area = search.region(study, view.views, [])
    best = search.best_setting(area, view.score, outlook.generator())
    return view, area, best, fitted


def simulated(responses, truths, settings=NINE[0], loads=NINE[1], **more):
    study = make_study(responses=[{**BARE, **one} for one in responses], **more)
    design = make_design(study, settings, loads)
    return (study, *view_of(study, design, make_record(study, design, truths, **NOISE)))


def wished(**more):
    return Response(name="strength", unit="MPa", **more)


class TestGoals:
    def test_high_low_and_target(self):
        high = wished(aim="maximise", worthless_below=120, perfect_at=170, shape=2, priority=3)
        assert desirable.goal_of(high) == Goal("maximise", 120, 170, None, (2,), 3)
        low = wished(aim="minimise", worthless_above=0.8, perfect_at=0.2)
        assert desirable.goal_of(low) == Goal("minimise", 0.2, 0.8)
        target = wished(aim="target", worthless_below=400, perfect_at=500, worthless_above=600, shape=2, shape_above=0.5)
        assert desirable.goal_of(target) == Goal("target", 400, 600, 500, (2, 0.5))
        even = wished(aim="target", worthless_below=400, perfect_at=500, worthless_above=600, shape=2)
        assert desirable.goal_of(even) == Goal("target", 400, 600, 500, (2, 2))


class TestSetting:
    def test_chemical_process(self):
        # Montgomery, Design and Analysis of Experiments, section 11.3.4: yield 70 to 80, viscosity 62, 65, 68, molecular weight
        # 3400 down to 3200. All responses share one model here, so the molecular weight is quadratic where the book's is linear:
        # the optimum is enumerated on the grid, from least squares made here.
        rows = rows_of("D_chemical_process_desirability")
        factors = [{"name": one, "unit": "1", "low": -1, "high": 1, "increment": 0.01} for one in ("x1", "x2")]
        aims = {
            "yield": {"aim": "maximise", "worthless_below": 70, "perfect_at": 80},
            "viscosity": {"aim": "target", "worthless_below": 62, "perfect_at": 65, "worthless_above": 68},
            "mol_weight": {"aim": "minimise", "worthless_above": 3400, "perfect_at": 3200},
        }
        study = make_study(factors, [{"name": name, "unit": "1", "per": "print", **aim} for name, aim in aims.items()])
        design = make_design(study, [(float(row["x1"]), float(row["x2"])) for row in rows], [None] * len(rows))
        record = make_record(study, design, {name: lambda _: np.zeros(len(rows)) for name in aims})
        for name in aims:
            record.prints[name] = [float(row[name]) for row in rows]
        view, area, best, _ = view_of(study, design, record)
        x = np.array([(float(row["x1"]), float(row["x2"])) for row in rows])
        side = np.linspace(-1, 1, 201)
        grid = np.column_stack([part.ravel() for part in np.meshgrid(side, side)])

        def quadratic(at):
            return np.column_stack([np.ones(len(at)), at, at[:, 0] * at[:, 1], at**2])

        values = {name: np.linalg.lstsq(quadratic(x), record.prints[name].to_numpy(float))[0] for name in aims}
        means = {name: quadratic(grid) @ beta for name, beta in values.items()}
        worth = (
            np.clip((means["yield"] - 70) / 10, 0, 1)
            * np.clip(np.minimum(means["viscosity"] - 62, 68 - means["viscosity"]) / 3, 0, 1)
            * np.clip((3400 - means["mol_weight"]) / 200, 0, 1)
        ) ** (1 / 3)
        assert view.overall(area.coded(best[None]))[0] == pytest.approx(worth.max(), abs=1e-4)

    def test_published_setting_of_the_chemical_process_is_as_desirable_as_printed(self):
        # The yield and the viscosity there, by the published coefficients' fits: desirability of the means alone.
        expected = expected_of("D_chemical_process_desirability")["recomputed"]
        goals = [Goal("maximise", 70, 80), Goal("target", 62, 68, 65), Goal("minimise", 3200, 3400)]
        found = desirable._individual(np.array([expected["predicted"]]), goals)
        assert float(np.prod(found) ** (1 / 3)) == pytest.approx(expected["D"], abs=1e-4)

    def test_top_of_a_hill_by_one_aim(self):
        study, view, area, best, _ = simulated([HIGH], hill())
        assert {axis.factor.name: axis.value(int(at)) for axis, at in zip(area.axes, best, strict=True)} == {
            "nozzle": 272.0, "drying": 9.5,
        }
        found = desirable.desirable(view, area.coded(best[None]), study.header.confidence)
        assert found.overall == pytest.approx(0.503, abs=0.03)
        assert found.low < found.overall < found.high
        (wish,) = found.wishes
        assert wish.mean == pytest.approx(25.03, abs=0.3)
        assert (wish.low, wish.high) == pytest.approx((found.low, found.high))
        assert wish.aim == "high: worth nothing up to 20 MPa, perfect from 30 MPa"

    def test_priority_pulls_towards_its_response(self):
        # Two hills on one line: strength is best at 262 °C, peel at 278 °C.
        truths = {"strength": hill(top=(262, 8))["strength"], "peel": hill(top=(278, 8))["strength"]}
        nozzle = []
        for priority in (1, 10):
            peel = {**HIGH, "name": "peel", "priority": priority}
            _, _, area, best, _ = simulated([HIGH, peel], truths)
            nozzle.append(area.axes[0].value(int(best[0])))
        line = np.arange(255, 286)
        worth = [np.clip((25.03 - 6 * ((line - top) / 15) ** 2 - 20) / 10, 0, None) for top in (262, 278)]
        for found, weight in zip(nozzle, (1, 10), strict=True):
            assert found == pytest.approx(line[np.argmax(worth[0] * worth[1] ** weight)], abs=1)
        assert nozzle[1] > nozzle[0] + 2

    def test_log_response_is_judged_in_its_own_unit(self):
        truth = {"strength": lambda at: 30 * np.exp(hill(height=0.0)["strength"](at) / 30)}
        _, view, area, best, _ = simulated([{**HIGH, "perfect_at": 40, "transform": "log"}], truth)
        assert view.means(area.coded(best[None]))[0, 0] == pytest.approx(30, abs=0.5)
        assert view.overall(area.coded(best[None]))[0] == pytest.approx(0.5, abs=0.03)


class TestPlateaus:
    def test_nothing_is_worth_anything(self):
        _, view, area, best, _ = simulated([{**HIGH, "worthless_below": 30, "perfect_at": 40}], hill())
        # the nearest to being worth something is still found
        assert {axis.value(int(at)) for axis, at in zip(area.axes, best, strict=True)} == {272.0, 9.5}
        found = desirable.desirable(view, area.coded(best[None]), 0.95)
        assert found.overall == 0.0
        (verdict,) = desirable.verdicts(found)
        assert verdict.name == next_step.WORTHLESS
        assert "strength is predicted at 25" in verdict.cause and "worth nothing up to 30 MPa" in verdict.cause

    def test_everything_is_perfect(self):
        # Perfect from 20: most of the range is; the draws then keep away from where it might not be.
        _, view, area, best, _ = simulated([{**HIGH, "worthless_below": 10, "perfect_at": 20}], hill())
        at = area.coded(best[None])
        assert view.overall(at)[0] == 1.0
        assert view.shares(at).mean() == 1.0

    def test_shortfall_is_measured_on_the_side_that_counts(self):
        goals = [Goal("maximise", 10, 20), Goal("minimise", 1, 2), Goal("target", 4, 6, 5)]
        means = np.array([[5, 0, 5], [30, 3.5, 5], [30, 0, 7], [15, 1.5, 5]], dtype=float)
        assert desirable._shortfall(means, goals).tolist() == [0.5, 1.5, 0.5, 0.0]


class TestVerdicts:
    def test_quiet_study(self):
        study, view, area, best, fitted = simulated([HIGH], hill())
        found = desirable.desirable(view, area.coded(best[None]), 0.95)
        assert [*desirable.verdicts(found), *findings.of_fits(study, fitted, "the choice")] == []

    def test_loads_that_are_not_recorded_and_responses_that_did_not_choose(self):
        study, *_, fitted = simulated([HIGH], hill(), loads=[None] * 18)
        graded = Response(name="bed_grade", kind="graded", grades=(0, 1), per="print", at_least=1)
        study = study.model_copy(update={"responses": (*study.responses, graded)})
        said = list(findings.of_fits(study, fitted, "the choice"))
        assert [one.name for one in said] == ["loads not recorded", "responses that did not choose the setting"]
        assert said[1].cause == "bed grade did not enter the choice"

    def test_lack_of_fit_is_repeated(self):
        study, *_, fitted = simulated([HIGH], hill())
        said = Verdict("lack of fit", "replicates agree better", "add a term", "strength")
        doubted = dataclasses.replace(fitted[0], result=dataclasses.replace(fitted[0].result, verdicts=(said,)))
        assert list(findings.of_fits(study, [doubted], "the choice")) == [said]


def test_a_study_has_aims_or_none():
    assert desirable.has_aims(make_study(responses=[{**BARE, **HIGH}]))
    assert not desirable.has_aims(make_study())


def test_a_recommendation_by_aims_has_no_conformance_and_its_desirability_is_that_of_the_means():
    study = make_study(responses=[{**BARE, **HIGH}], model={"terms": "quadratic"})
    design = make_design(study, *NINE)
    fit, fitted = fit_model(study, design, make_record(study, design, hill(), **NOISE), PLAIN)
    advice = choose.recommend_settings(study, design, fit, fitted, 1)
    assert {one.factor: one.value for one in advice.settings} == {"nozzle": 272.0, "drying": 9.5}
    assert (advice.conformance, advice.window, advice.alternatives) == (None, None, None)
    assert advice.desirable.overall == pytest.approx((advice.responses[0].mean - 20) / 10)
    record = make_record(study, design, hill(), **NOISE)
    assert choose.chosen_setting(study, design, fitted, advice, record) is None  # nothing to draw a map of conformance by
