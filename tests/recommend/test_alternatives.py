"""What a smaller model would change in the recommendation."""

import dataclasses
import json
import time

import numpy as np
import pytest

from doe.model import choice
from doe.model.fit import fit_model
from doe.model.request import FitRequest
from doe.numerics import posterior
from doe.recommend import alternatives, choose, outlook, search
from doe.report.choice import alternatives_rows
from tests.recommend.test_choose import NINE, STRENGTH, SURFACE, grid, hill, make_design, make_record, make_study


def slope(at):
    """Rise with nozzle temperature alone: squares and products of the quadratic are without effect."""
    return 25.5 + 2 * (at["nozzle"] - 270) / 15 + 0 * at["drying"]


def advised(study, truths, settings=NINE[0], loads=NINE[1], **noise):
    """Return the fit and recommendation of a simulated study, with what the alternatives need of them."""
    design = make_design(study, settings, loads)
    record = make_record(study, design, truths, **noise)
    fit, fitted = fit_model(study, design, record)
    advice = choose.recommend_settings(study, design, fit, fitted, 1)
    views = [one.data for one in fitted]
    area, view = search.region(study, views, []), outlook.outlook(study, views, [])
    best = search.best_setting(area, view.score, outlook.generator())
    choices = {one.data.response.name: choice.choose(one.data, one.mixed, one.random) for one in fitted}
    return (design, record), fitted, advice, (area, view, best), choices


NOISE = {"sd": (0.2, 0.5, 0.5), "seed": 4}


class TestRows:
    def test_declared_row_is_the_recommendation(self):
        study = make_study()
        _, fitted, advice, recommended, choices = advised(study, {"strength": slope}, **NOISE)
        found = alternatives.alternatives(study, recommended, fitted, choices, advice.settings)
        declared = found.rows[0]
        assert declared.model == "declared" and declared.near
        assert declared.settings == {one.factor: one.value for one in advice.settings}
        assert declared.conformance == declared.declared_there == declared.at_recommended == advice.conformance.estimate
        assert declared.means["strength"] == pytest.approx(advice.responses[0].mean)

    def test_reduced_row_is_what_a_study_that_declared_that_model_finds(self):
        study = make_study()
        (design, record), fitted, advice, recommended, choices = advised(study, {"strength": slope}, **NOISE)
        chosen = choices["strength"]
        assert chosen.dropped
        found = alternatives.alternatives(study, recommended, fitted, choices, advice.settings)
        reduced = found.rows[1]
        kept = [one.term for one in chosen.importance if one.kept]
        _, (smaller,) = fit_model(study, design, record, FitRequest(kept))
        part = alternatives.reduced_data(fitted[0].data, chosen.reduced_model)
        assert np.allclose(part.X, smaller.data.X, rtol=0, atol=1e-12)
        assert part.labels == smaller.data.labels
        area, view = recommended[0], outlook.outlook(study, [smaller.data], [])
        best = search.best_setting(area, view.score, outlook.generator())
        assert reduced.model == "reduced"
        assert list(reduced.settings.values()) == [axis.value(int(i)) for axis, i in zip(area.axes, best, strict=True)]
        there, here = area.coded(best[None]), area.coded(recommended[2][None])
        assert reduced.conformance == pytest.approx(np.median(view.shares(there)), abs=1e-6)
        assert reduced.at_recommended == pytest.approx(np.median(view.shares(here)), abs=1e-6)
        assert reduced.declared_there == pytest.approx(np.median(recommended[1].shares(there)), abs=1e-6)
        assert found.dropped == {"strength": chosen.dropped}

    def test_averaged_row_moves_the_posterior_and_keeps_its_spread(self):
        study = make_study()
        _, fitted, advice, recommended, choices = advised(study, {"strength": slope}, **NOISE)
        data, by = fitted[0].data, np.array(choices["strength"].averaged) - fitted[0].estimates
        moved = alternatives._moved(data, by)
        drawn = [
            posterior.draws(
                posterior.PrintMeans(one.means, one.X, one.load, one.within_ss, one.within_dof, one.counts),
                500,
                np.random.default_rng(1),
            )
            for one in (data, moved)
        ]
        assert drawn[1].beta - drawn[0].beta == pytest.approx(np.tile(by, (500, 1)), abs=1e-8)
        assert drawn[1].load_var == pytest.approx(drawn[0].load_var)
        assert drawn[1].print_var == pytest.approx(drawn[0].print_var)
        found = alternatives.alternatives(study, recommended, fitted, choices, advice.settings).rows[-1]
        row = data.rows(recommended[0].coded(recommended[2][None]))[0]
        assert found.model == "averaged"
        assert found.means["strength"] == pytest.approx(row @ choices["strength"].averaged)

    def test_every_model_prefers_its_own_setting(self):
        study = make_study()
        _, fitted, advice, recommended, choices = advised(study, hill(height=26.5), **NOISE)
        for row in alternatives.alternatives(study, recommended, fitted, choices, advice.settings).rows:
            assert row.conformance >= row.at_recommended - 0.01  # found by means, shown as medians
            assert row.declared_there <= advice.conformance.estimate + 0.01

    def test_levels_and_a_logarithm(self):
        response = {**STRENGTH, "transform": "log"}
        study = make_study([SURFACE, *make_study().factors], responses=[response])
        lift = {"glass": 0.0, "sheet": 2.0, "steel": 2.0}
        truth = {"strength": lambda at: slope(at) + np.array([lift[one] for one in at["surface"]])}
        settings, loads = grid(("glass", "sheet", "steel"), (255, 270, 285), (4, 8, 12))
        _, fitted, advice, recommended, choices = advised(study, truth, settings, loads, **NOISE)
        found = alternatives.alternatives(study, recommended, fitted, choices, advice.settings)
        for row in found.rows:
            assert row.settings["surface"] in ("sheet", "steel")
            assert 25 < row.means["strength"] < 33  # response units, not logarithms
        assert found.rows[0].means["strength"] == pytest.approx(advice.responses[0].mean)

    def test_response_without_a_comparison_keeps_its_declared_model(self):
        other = {**STRENGTH, "name": "stiffness", "at_least": 20.0}
        study = make_study(responses=[STRENGTH, other])
        truths = {"strength": slope, "stiffness": slope}
        _, fitted, advice, recommended, choices = advised(study, truths, **NOISE)
        choices["stiffness"] = dataclasses.replace(choices["stiffness"], reason="because")
        found = alternatives.alternatives(study, recommended, fitted, choices, advice.settings)
        assert found.not_compared == {"stiffness": "because"}
        assert len({row.means["stiffness"] for row in found.rows}) == 1
        assert len({row.means["strength"] for row in found.rows}) == 3
        assert alternatives.alternatives(study, recommended, fitted, {}, advice.settings) is None

    def test_nothing_dropped_has_no_reduced_row(self):
        study = make_study()
        _, fitted, advice, recommended, choices = advised(study, {"strength": slope}, **NOISE)
        whole = {"strength": dataclasses.replace(choices["strength"], dropped=())}
        found = alternatives.alternatives(study, recommended, fitted, whole, advice.settings)
        assert [row.model for row in found.rows] == ["declared", "averaged"]


def row(model, own, declared_there, here, near=False, nozzle=260.0):
    return alternatives.Alternative(model, {"nozzle": nozzle}, near, own, declared_there, here, {"strength": 26.0})


def judged(*others):
    declared = row("declared", 0.97, 0.97, 0.97, True, 275.0)
    return list(alternatives.verdicts(alternatives.Alternatives((declared, *others), {}, {}, "")))


class TestVerdicts:
    def test_another_setting_that_gives_much_more(self):
        (said,) = judged(row("reduced", 0.95, 0.9, 0.75))
        assert said.name == "the recommendation depends on the model"
        assert "nozzle 260 instead of 275, where it expects 95.0 % and the declared model 90.0 %" in said.cause
        assert "both settings on the same new drying loads" in said.next_step

    def test_much_less_at_the_same_setting(self):
        (said,) = judged(row("averaged", 0.6, 0.97, 0.6, True, 275.0))
        assert "the weighted mean of the declared and all smaller models 60.0 %" in said.cause
        assert "instead of" not in said.cause
        assert said.next_step.startswith("print the recommended setting on new drying loads")

    def test_little_of_either_is_silent(self):
        assert judged(row("reduced", 0.95, 0.9, 0.9), row("averaged", 0.97, 0.97, 0.95, True)) == []

    def test_one_verdict_for_both(self):
        assert len(judged(row("reduced", 0.95, 0.9, 0.5), row("averaged", 0.95, 0.9, 0.5))) == 1


def test_table_and_json():
    study = make_study()
    _, fitted, advice, recommended, choices = advised(study, {"strength": slope}, **NOISE)
    start = time.perf_counter()
    found = alternatives.alternatives(study, recommended, fitted, choices, advice.settings)
    assert time.perf_counter() - start < 2
    table = alternatives_rows(found)
    assert table.title == "What a smaller model would change"
    assert [line[0] for line in table.rows] == ["Declared", "Smaller, favoured by AICc", "Weighted mean of all"]
    assert "nothing here replaces it" in table.note and "has no bound" in table.note
    assert all("optimal" in line[1] for line in table.rows[1:])
    assert json.loads(json.dumps(dataclasses.asdict(found)))["rows"][0]["model"] == "declared"
