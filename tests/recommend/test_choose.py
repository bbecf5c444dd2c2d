"""The recommended setting on truths that are known, its verdicts, and what is refused."""

import dataclasses
import itertools
import json

import numpy as np
import pandas as pd
import pytest
from scipy import linalg, stats

from doe.design import setpoints
from doe.design.plan import Design
from doe.errors import InputRefused
from doe.model.fit import fit_model
from doe.model.request import FitRequest
from doe.recommend import outlook, search
from doe.recommend.choose import recommend_settings
from doe.recommend.results import as_data
from doe.record.match import Record
from doe.study import scale
from doe.study.spec import Study

HEADER = {"id": "clip", "title": "Snap clip", "material": "invented polyamide", "family": "PA-CF"}
NOZZLE = {"name": "nozzle", "unit": "degC", "low": 255, "high": 285, "increment": 1}
DRYING = {"name": "drying", "unit": "h", "low": 4, "high": 12, "increment": 0.5, "change": "load"}
SURFACE = {"name": "surface", "levels": ["glass", "sheet", "steel"]}
STRENGTH = {"name": "strength", "unit": "MPa", "coupons": 4, "at_least": 25.0}


def make_study(factors=(NOZZLE, DRYING), responses=(STRENGTH,), **more):
    header = {**HEADER, **more.pop("study", {})}
    return Study.model_validate({"study": header, "factors": list(factors), "responses": list(responses), **more})


def make_design(study, settings, loads, printers=("",)):
    """Return a plan of these settings (natural units), printers in turn."""
    n = len(settings)
    cell = {key: number for number, key in enumerate(dict.fromkeys(settings), 1)}
    data = {
        "round": 1, "order": np.arange(1, n + 1), "print": [f"P{i:02d}" for i in range(n)],
        "load": [f"L{load}" if load is not None else "" for load in loads],
        "printer": [printers[i % len(printers)] for i in range(n)], "point": "edge",
        "cell": [cell[key] for key in settings], "kind": "adopted", "seed": 0,
    }
    for place, factor in enumerate(study.factors):
        targets = pd.Series([row[place] for row in settings])
        data[f"target.{factor.name}"] = targets
        data[f"set.{factor.name}"] = setpoints.of_printers(study, factor, targets, data["printer"])
    return Design(pd.DataFrame(data))


def make_record(study, design, truths, seed=1, sd=(0.0, 0.02, 0.02)):
    """Return what was measured; a truth takes natural settings by factor, sd is of load, print and coupon."""
    generator = np.random.default_rng(seed)
    runs = design.runs
    settings = {factor.name: runs[f"target.{factor.name}"].to_numpy() for factor in study.factors}
    names = list(runs["print"])
    prints = pd.DataFrame({"print": names, "outcome": "completed", "deviation": ""})
    coupons = pd.DataFrame({
        "coupon": [f"{name}-{i}" for name in names for i in range(4)], "print": np.repeat(names, 4),
        "number": np.tile([1, 2, 3, 4], len(names)), "outcome": "completed", "deviation": "",
    })
    for response in study.responses:
        if response.kind == "measured":
            loads = pd.factorize(runs["load"])[0]
            mean = truths[response.name](settings) + generator.normal(0, sd[0], loads.max() + 1)[loads]
            mean = mean + generator.normal(0, sd[1], len(names))
            if response.per == "print":
                prints[response.name] = mean
                continue
            coupons[response.name] = (mean[:, None] + generator.normal(0, sd[2], (len(names), 4))).ravel()
        else:
            prints[response.name] = 5.0
    empty = pd.DataFrame()
    return Record(prints, coupons, empty, empty, empty)


def grid(*levels):
    """Return every combination of the levels, the last factor constant within each of its loads, and the loads."""
    settings = [row for _ in range(2) for row in itertools.product(*levels)]
    keys = [(number // (len(settings) // 2), row[-1]) for number, row in enumerate(settings)]
    load = {key: number for number, key in enumerate(dict.fromkeys(keys))}
    return settings, [load[key] for key in keys]


PLAIN = FitRequest(examine=False)
"""A fit without checks and smaller models, which take longer than it and do not move the setting."""
NINE = grid((255, 270, 285), (4, 8, 12))  # 18 prints in 6 loads


def advise(study, truths, settings=NINE[0], loads=NINE[1], printers=("",), **noise):
    design = make_design(study, settings, loads, printers)
    fit, fitted = fit_model(study, design, make_record(study, design, truths, **noise), PLAIN)
    return recommend_settings(study, design, fit, fitted, 1)


def values_of(advice):
    return {one.factor: one.value for one in advice.settings}


def names_of(advice):
    return [verdict.name for verdict in advice.verdicts]


def hill(top=(272, 9.5), height=25.03, steep=(6, 4)):
    """Return a strength with its top at these settings; it falls by ``steep`` MPa per half range squared."""
    def strength(at):
        return height - steep[0] * ((at["nozzle"] - top[0]) / 15) ** 2 - steep[1] * ((at["drying"] - top[1]) / 4) ** 2

    return {"strength": strength}


class TestSetting:
    def test_known_optimum_with_little_noise_is_found(self):
        advice = advise(make_study(), hill())
        assert values_of(advice) == {"nozzle": 272.0, "drying": 9.5}
        assert "optimum on the edge" not in names_of(advice)

    def test_constrained_optimum_is_found(self):
        # On nozzle + 5 drying <= 307.5 the hill is highest where its gradient is along (1, 5), by hand between the
        # grid points, so the best of the grid is enumerated here.
        study = make_study(constraints=[{"coef": {"nozzle": 1.0, "drying": 5.0}, "limit": 307.5}])
        advice = advise(study, hill(height=26.1))
        allowed = [
            (nozzle, drying) for nozzle in range(255, 286) for drying in np.arange(4, 12.1, 0.5) if nozzle + 5 * drying <= 307.5
        ]
        best = max(allowed, key=lambda at: hill()["strength"]({"nozzle": at[0], "drying": at[1]}))
        assert tuple(values_of(advice).values()) == best

    def test_two_sided_requirement_aims_between_its_limits(self):
        slope = {"strength": lambda at: 25 + (at["nozzle"] - 262) / 5 + (at["drying"] - 8) * 0.0}
        response = {**STRENGTH, "at_least": 24.9, "at_most": 25.1}
        advice = advise(make_study(responses=[response]), slope, sd=(0.0, 0.02, 0.05))
        assert values_of(advice)["nozzle"] == 262.0
        assert advice.responses[0].requirement == "at least 24.9 MPa and at most 25.1 MPa on each coupon"

    def test_requirement_from_above_alone(self):
        valley = {"strength": lambda at: 50 - hill()["strength"](at)}
        advice = advise(make_study(responses=[{**STRENGTH, "at_least": None, "at_most": 25.0}]), valley)
        assert values_of(advice) == {"nozzle": 272.0, "drying": 9.5}

    def test_best_level_of_a_categorical_factor(self):
        lift = {"glass": 0.0, "sheet": 0.5, "steel": 0.49}
        truth = {"strength": lambda at: hill(height=24.6)["strength"](at) + np.array([lift[one] for one in at["surface"]])}
        settings, loads = grid(("glass", "sheet", "steel"), (255, 270, 285), (4, 8, 12))
        advice = advise(make_study([SURFACE, NOZZLE, DRYING]), truth, settings, loads, sd=(0.0, 0.02, 0.1))
        assert values_of(advice) == {"surface": "sheet", "nozzle": 272.0, "drying": 9.5}
        assert "sheet" in advice.settings[0].interval
        assert "glass" not in advice.settings[0].interval

    def test_same_record_gives_the_same_recommendation(self):
        one, other = (advise(make_study(), hill(), sd=(0.2, 0.3, 0.5)) for _ in range(2))
        assert as_data(one) == as_data(other)

    def test_setting_stays_inside_what_was_printed(self):
        # A rising response pulls to the corner (285, 12) that no print was near: the prints follow a diagonal band.
        settings = [
            row for row in itertools.product((255, 260, 265, 270, 275, 280, 285), (4, 6, 8, 10, 12))
            if abs((row[0] - 270) / 15 + (row[1] - 8) / 4) <= 0.5
        ] * 2
        truth = {"strength": lambda at: 20 + at["nozzle"] / 15 + at["drying"] / 4}
        study = make_study()
        design = make_design(study, settings, [None] * len(settings))
        fit, fitted = fit_model(study, design, make_record(study, design, truth, sd=(0.0, 0.3, 0.3)), PLAIN)
        advice = recommend_settings(study, design, fit, fitted, 1)
        at = values_of(advice)
        assert (at["nozzle"] - 270) / 15 + (at["drying"] - 8) / 4 < 1.0
        assert "optimum on the edge" in names_of(advice)


class TestSearch:
    def test_finds_what_enumeration_finds(self):
        bed = {"name": "bed", "unit": "degC", "low": 60, "high": 80, "increment": 2.5}
        study = make_study([{**NOZZLE, "increment": 5, "setpoint_sd": 2.0}, bed, {**DRYING, "increment": 1, "setpoint_sd": 0.3}])
        settings, loads = grid((255, 270, 285), (60, 70, 80), (4, 8, 12))

        def strength(at):
            return hill(height=25.5)["strength"](at) - (at["bed"] - 73) ** 2 / 150 + (at["bed"] - 70) * (at["nozzle"] - 270) / 300

        truth = {"strength": strength}
        design = make_design(study, settings, loads)
        for seed in range(2):
            record = make_record(study, design, truth, seed, sd=(0.3, 0.4, 0.5))
            view = outlook.outlook(study, [fit_model(study, design, record, PLAIN)[1][0].data], [])
            area = search.region(study, view.views, [])
            everything = np.array(list(itertools.product(*[range(len(axis.natural)) for axis in area.axes])))
            allowed = everything[area.allows(everything)]
            best = search.best_setting(area, view.score, np.random.default_rng(0))
            assert view.score(area.coded(best[None]))[0] == pytest.approx(view.score(area.coded(allowed)).max(), abs=1e-6)

    def test_twelve_factors_are_searched_by_sample_and_pairs(self):
        names = [f"factor_{letter}" for letter in "abcdefghijkl"]
        factors = [{"name": name, "unit": "1", "low": -1, "high": 1, "increment": 0.1} for name in names]
        study = make_study(factors, model={"terms": "main"})
        half = linalg.hadamard(16)[:, 1:13].astype(float)
        settings = [tuple(row) for row in np.vstack([half, -half]).tolist()]
        effect = np.array([1, -1] * 6) / 4
        truth = {"strength": lambda at: 25 + sum(size * at[name] for name, size in zip(names, effect, strict=True))}
        advice = advise(study, truth, settings, [None] * 32, sd=(0.0, 0.1, 0.1))
        assert advice.responses[0].mean > 27.0  # the corner with all twelve signs right has 28, the centre 25


class TestNumbers:
    def test_conformance_of_a_well_known_setting_is_a_normal_probability(self):
        # 180 prints, no loads: the posterior is narrow about the true share P(N(26, 1) >= 25).
        study = make_study(responses=[{**STRENGTH, "per": "print", "coupons": 1}], model={"terms": "main"})
        flat = {"strength": lambda at: np.full(len(at["nozzle"]), 26.0)}
        advice = advise(study, flat, NINE[0] * 10, [None] * 180, sd=(0.0, 1.0, 0.0))
        share = advice.conformance
        assert share.estimate == pytest.approx(stats.norm.cdf(1.0), abs=0.04)
        assert share.lower < share.estimate
        assert share.by_response["strength"] == pytest.approx(share.estimate, abs=1e-6)
        assert (share.level, share.required) == (0.90, 0.9)  # one response

    def test_predictions_of_one_stratum_are_those_of_least_squares(self):
        # One coupon a print, no loads: a new print's interval is the textbook one, t (1 + x'(X'X)^-1 x)^1/2 s
        # (Montgomery, Peck and Vining, 5th ed. (2012), eq. 3.54, from memory). That of the mean allows for the choice:
        # Bonferroni's for twice as many means as coefficients; the new print adds its own scatter to that.
        study = make_study(responses=[{**STRENGTH, "per": "print", "coupons": 1}], model={"terms": "main"})
        design = make_design(study, NINE[0], [None] * 18)
        record = make_record(study, design, {"strength": lambda at: np.full(18, 26.0)}, sd=(0.0, 1.0, 0.0))
        y = record.prints["strength"].to_numpy()
        fit, fitted = fit_model(study, design, record)
        promise = recommend_settings(study, design, fit, fitted, 1)
        coded = scale.coded(study, {name: [value] for name, value in values_of(promise).items()})
        X = fitted[0].data.X
        x = np.r_[1, coded[0]]
        beta, rss = np.linalg.lstsq(X, y, rcond=None)[:2]
        s, reach = np.sqrt(rss[0] / 15), x @ np.linalg.inv(X.T @ X) @ x
        t, chosen = stats.t.ppf([0.975, 1 - 0.025 / (2 * len(x))], 15)
        one = promise.responses[0]
        assert one.mean == pytest.approx(x @ beta)
        halves = chosen * s * reach**0.5, s * (t**2 + chosen**2 * reach) ** 0.5
        for interval, half in zip((one.mean_interval, one.prediction_interval), halves, strict=True):
            assert interval == pytest.approx((x @ beta - half, x @ beta + half))

    @pytest.mark.parametrize(("limit", "meets"), [(20.0, "yes"), (26.0, "not shown"), (33.0, "no")])
    def test_meets(self, limit, meets):
        flat = {"strength": lambda at: np.full(len(at["nozzle"]), 26.0)}
        study = make_study(responses=[{**STRENGTH, "at_least": limit}], model={"terms": "main"})
        advice = advise(study, flat, sd=(0.3, 0.5, 0.5))
        assert advice.responses[0].meets == meets

    def test_log_response_is_promised_in_its_own_unit(self):
        study = make_study(responses=[{**STRENGTH, "transform": "log"}])
        truth = {"strength": lambda at: 30 * np.exp((hill(height=0.0)["strength"](at)) / 30)}
        advice = advise(study, truth, sd=(0.0, 0.1, 0.2))
        one = advice.responses[0]
        assert one.mean == pytest.approx(30, abs=0.3)
        assert one.prediction_interval[0] < one.mean_interval[0] < one.mean < one.mean_interval[1] < one.prediction_interval[1]
        assert "is a median" in advice.conformance.method

    def test_requirement_on_the_print_mean_is_easier_than_on_each_coupon(self):
        each, mean = (
            advise(make_study(responses=[{**STRENGTH, "requirement_on": on}]), hill(height=26), sd=(0.1, 0.3, 1.0))
            for on in ("coupon", "print mean")
        )
        assert mean.conformance.estimate > each.conformance.estimate + 0.05
        assert mean.responses[0].requirement == "at least 25 MPa on the print mean"

    def test_near_optimal_interval_surrounds_the_setting(self):
        advice = advise(make_study(), hill(height=25.5), sd=(0.05, 0.1, 0.3))
        for one in advice.settings:
            assert one.interval[0] <= one.value <= one.interval[1]
        low, high = advice.settings[0].interval
        assert low > 257
        assert high < 284


CHECKED = {"name": "A", "checks": [{"factor": "nozzle", "set": [250, 265, 280], "actual": [244, 259, 274]}]}


class TestPrinters:
    def test_setpoints_follow_the_checks(self):
        advice = advise(make_study(printers=[CHECKED, {"name": "B"}, {"name": "C"}]), hill(), printers=("A", "B"))
        target = values_of(advice)["nozzle"]
        rows = {row["printer"]: row for row in advice.printers}
        assert list(rows) == ["A", "B"]  # C printed nothing
        assert rows["A"]["setpoints"]["nozzle"] == target + 6
        assert rows["A"]["checked"] == ["nozzle"]
        assert rows["B"]["setpoints"]["nozzle"] == target
        assert rows["B"]["checked"] == []

    def test_each_printer_has_its_own_mean(self):
        advice = advise(make_study(printers=[{"name": "A"}, {"name": "B"}]), hill(height=26), printers=("A", "B"))
        rows = advice.responses[0].by_printer
        assert [row["printer"] for row in rows] == ["A", "B"]
        assert np.mean([row["mean"] for row in rows]) == pytest.approx(advice.responses[0].mean)
        assert "averaged over printers A, B" in advice.conformance.method

    def test_setpoint_beyond_the_checks_is_said(self):
        advice = advise(make_study(printers=[CHECKED, {"name": "B"}, {"name": "C"}]), hill(top=(276, 9.5)), printers=("A", "B"))
        assert values_of(advice)["nozzle"] > 274
        verdict = next(one for one in advice.verdicts if one.name == "setpoint beyond the checks")
        assert verdict.about == "nozzle"
        assert "250 to 280 °C" in verdict.cause

    def test_limits_hold_for_setpoints_too(self):
        printers = [{**CHECKED, "limits": {"nozzle": (0, 275)}}]
        advice = advise(make_study(printers=printers), hill(height=25.27), printers=("A",))
        assert values_of(advice)["nozzle"] == 269.0
        assert advice.printers[0]["setpoints"]["nozzle"] == 275.0

    def test_limits_hold_for_the_setpoints_of_later_readings(self):
        # By its checks the printer stays 6 degC below what is set; later readings stay 16 below, and all together
        # 11: 264 is the highest value that 275 reaches. By the planned line 269 would be allowed, whose setpoint is now 280.
        study = make_study(printers=[{**CHECKED, "limits": {"nozzle": (0, 275)}}])
        design = make_design(study, *NINE, ("A",))
        reading = {"printer": "A", "factor": "nozzle", "instrument": "", "read_on": None}
        rows = [{**reading, "set": at, "actual": at - 16} for at in (250, 265, 280)]
        record = dataclasses.replace(make_record(study, design, hill(height=25.27)), checks=pd.DataFrame(rows))
        advice = recommend_settings(study, design, *fit_model(study, design, record), 1, record)
        assert values_of(advice)["nozzle"] == 264.0
        assert advice.printers[0]["setpoints"]["nozzle"] == 275.0


class TestVerdicts:
    def test_optimum_on_the_edge_names_factor_and_side(self):
        rising = {"strength": lambda at: hill(top=(272, 30), height=60, steep=(6, 1))["strength"](at) - 14}
        advice = advise(make_study(), rising, sd=(0.2, 0.3, 0.3))
        verdict = next(one for one in advice.verdicts if one.name == "optimum on the edge")
        assert verdict.about == "drying"
        assert "12 h, on its high side" in verdict.cause
        assert "higher values" in verdict.next_step
        assert advice.next.startswith("extend: doe extend --prints 12, since drying: optimum on the edge; ")

    def test_no_setting_meets_the_requirement(self):
        advice = advise(make_study(responses=[{**STRENGTH, "at_least": 30.0}]), hill(), sd=(0.2, 0.3, 0.5))
        assert names_of(advice)[0] == "no setting meets every requirement"
        assert advice.next == f"stop: {advice.verdicts[0].name}; {advice.verdicts[0].next_step}"

    def test_estimate_below_what_is_asked(self):
        advice = advise(make_study(), hill(height=25.6), sd=(0.1, 0.3, 0.8))
        assert 0.5 < advice.conformance.estimate < 0.9
        assert names_of(advice)[0] == "estimate below the required share"

    def test_not_shown_names_the_loads(self):
        advice = advise(make_study(), hill(height=26.4), sd=(0.7, 0.4, 0.6))
        assert advice.conformance.estimate > 0.9 > advice.conformance.lower
        assert names_of(advice)[0] == "conformance not shown with 6 loads"
        assert "3 error degrees of freedom" in advice.verdicts[0].cause
        assert advice.next.startswith("confirm: doe confirm, since conformance not shown with 6 loads; ")
        assert "new drying loads" in advice.next

    def test_shown_leaves_the_confirmation_as_the_next_step(self):
        advice = advise(make_study(), hill(height=40), sd=(0.1, 0.1, 0.1))
        assert advice.conformance.lower > 0.9
        assert names_of(advice) == ["one response decides"]
        assert advice.next.startswith("confirm: doe confirm, which prints the setting on new drying loads")

    def test_two_load_degrees_of_freedom_leave_the_bound_to_the_prior(self):
        settings, loads = [*NINE[0]], [min(load, 4) if row[1] == 12 else load for row, load in zip(*NINE, strict=True)]
        loads = [2 if row[1] == 12 else load for row, load in zip(settings, loads, strict=True)]  # 12 h dried once
        advice = advise(make_study(), hill(height=28), settings, loads, sd=(0.2, 0.3, 0.3))
        verdict = next(one for one in advice.verdicts if one.name == "prior-dependent bound")
        assert verdict.cause.startswith("5 loads leave 2 error")

    def test_loads_that_are_not_recorded(self):
        advice = advise(make_study(), hill(height=28), loads=[None] * 18, sd=(0.0, 0.3, 0.3))
        assert "loads not recorded" in names_of(advice)

    def test_grades_are_listed_as_not_modelled(self):
        grade = {"name": "bed_grade", "kind": "graded", "per": "print", "grades": [0, 1, 2, 3, 4, 5], "at_least": 4}
        advice = advise(make_study(responses=[STRENGTH, grade]), hill(height=28))
        assert advice.not_modelled == ("bed_grade",)
        assert "responses that did not choose the setting" in names_of(advice)

    def test_a_level_above_the_measured_one_is_said(self):
        two = [STRENGTH, {**STRENGTH, "name": "peel"}]
        truth = {**hill(height=26), "peel": hill(height=26)["strength"]}
        advice = advise(make_study(study={"confidence": 0.99}, responses=two), truth, sd=(0.1, 0.3, 0.4))
        assert "bound at 95 %" in names_of(advice)
        assert "one response decides" not in names_of(advice)
        assert advice.conformance.level == 0.95

    def test_one_response_lowers_the_level_of_the_bound(self):
        advice = advise(make_study(), hill(height=26), sd=(0.1, 0.3, 0.4))
        verdict = next(one for one in advice.verdicts if one.name == "one response decides")
        assert verdict.about == "strength"
        assert advice.conformance.level == 0.90


class TestRefusals:
    @pytest.fixture
    def parts(self):
        study = make_study()
        design = make_design(study, *NINE)
        return study, design, *fit_model(study, design, make_record(study, design, hill(), sd=(0.2, 0.3, 0.3)))

    @pytest.mark.parametrize(
        ("change", "words"),
        [
            ({"print_dof": 0, "mixed": None}, "response strength: its 18 prints leave no error degree of freedom"),
            ({"mixed": None}, "its values do not vary beyond the model"),
            ({"load_dof": 0}, "its 6 loads leave no error degree of freedom"),
        ],
    )
    def test_a_model_that_nothing_judges(self, parts, change, words):
        study, design, fit, fitted = parts
        with pytest.raises(InputRefused, match=words):
            recommend_settings(study, design, fit, [dataclasses.replace(fitted[0], **change)], 1)

    def test_a_response_without_a_fit(self, parts):
        study, design, fit, _ = parts
        with pytest.raises(InputRefused, match="response strength: it has no fit"):
            recommend_settings(study, design, fit, [], 1)

    def test_nothing_modelled(self, parts):
        _, design, fit, _ = parts
        study = make_study(responses=[{"name": "seal", "kind": "pass_fail", "per": "print"}])
        with pytest.raises(InputRefused, match="nothing is modelled"):
            recommend_settings(study, design, fit, [], 1)

    def test_constraints_that_leave_nothing(self, parts):
        _, design, fit, fitted = parts
        study = make_study(constraints=[{"coef": {"nozzle": 1.0}, "limit": 200}])
        with pytest.raises(InputRefused, match="no setting on the increments"):
            recommend_settings(study, design, fit, fitted, 1)

    def test_prints_that_do_not_vary(self, parts):
        study, design, fit, fitted = parts
        flat = dataclasses.replace(fitted[0].data, values=np.tile([24.0, 26.0], 36))
        with pytest.raises(InputRefused, match="response strength: the print means do not vary"):
            recommend_settings(study, design, fit, [dataclasses.replace(fitted[0], data=flat)], 1)


def test_as_data_is_plain_and_keyed_by_name():
    advice = advise(make_study(printers=[{"name": "A"}, {"name": "B"}]), hill(height=28), printers=("A", "B"))
    data = json.loads(json.dumps(as_data(advice), allow_nan=False))
    assert set(data) == {
        "study", "number", "exploratory", "simulated", "settings", "responses", "conformance", "printers", "not_modelled",
        "verdicts", "next", "inputs", "alternatives", "beside", "fleet", "window", "desirable", "locations",
    }
    assert data["settings"]["drying"]["unit"] == "h"
    assert set(data["settings"]["drying"]) == {"value", "unit", "interval"}
    assert {"mean", "mean_interval", "prediction_interval", "meets"} <= set(data["responses"]["strength"])
    assert {"estimate", "lower", "level"} <= set(data["conformance"])
    assert all(set(one) == {"name", "about", "cause", "next_step"} for one in data["verdicts"])


def test_what_was_printed_is_inside_also_where_printers_did_not_print_alike():
    """Each of three printers made prints at one temperature mainly, so that its leverages are not those of an average printer."""
    study = make_study(printers=[{"name": name} for name in "ABC"], model={"terms": "quadratic"})
    settings = [(t, d) for t in (255, 270, 285) for d in (6, 9, 12)] * 2 + [(285, 9), (255, 12), (255, 6)]
    design = make_design(study, settings, list(range(21)))
    order = ["A"] * 3 + ["B"] * 3 + ["C"] * 3 + ["A"] * 3 + ["B"] * 3 + ["C"] * 3 + ["A", "C", "B"]
    design = dataclasses.replace(design, runs=design.runs.assign(printer=order))
    record = make_record(study, design, hill())
    _, fitted = fit_model(study, design, record)
    area = search.region(study, [one.data for one in fitted], ["A", "B", "C"])
    places = [[axis.natural.tolist().index(value) for axis, value in zip(area.axes, one, strict=True)] for one in settings]
    assert area.allows(np.array(places)).all()
