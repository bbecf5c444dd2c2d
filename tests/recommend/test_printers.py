"""Setpoint cards of printers that read high or true, and one setpoint for all of them."""

import json

import numpy as np
import pandas as pd
import pytest

from doe.design import calibrated
from doe.model.fit import fit_model
from doe.recommend import printers
from doe.recommend.choose import recommend_settings
from tests.recommend import test_choose as cases

TOOL = {"id": "TC-1", "kind": "type K class 1", "readout": 0.5}
FULL = {"nozzle": 270.0, "drying": 8.0}


def check(miss, wiggle=0.1, low=250, high=295, **more):
    at = [low, (low + high) / 2, high]
    actual = [one - miss + bend for one, bend in zip(at, (wiggle, -2 * wiggle, wiggle), strict=True)]
    return {"factor": "nozzle", "set": at, "actual": actual, "instrument": "TC-1", "contact": 1.0, **more}


def study_of(*checks, tool=TOOL, limits=None, **more):
    """Return a study with a printer for each check; None is one that nobody read."""
    made = [
        {"name": name, "checks": [one] if one else [], **({"limits": limits[name]} if limits and name in limits else {})}
        for name, one in zip("ABCD", checks, strict=False)
    ]
    return cases.make_study(printers=made, instruments=[tool] if tool else [], **more)


def rows_of(study, settings=FULL, names="ABCD"):
    rows, verdicts = printers.printer_rows(study, tuple(names), settings)
    return {row["printer"]: row for row in rows}, verdicts


class TestCard:
    def test_through_plan_fit_and_recommendation(self):
        # A shows 6 degrees more than it reaches, B is true: the same strength needs a setpoint 6 degrees higher on A
        study = study_of(check(6), check(0))
        advice = cases.advise(study, cases.hill(), printers=("A", "B"))
        rows = {row["printer"]: row for row in advice.printers}
        at = {name: row["setpoints"]["nozzle"] for name, row in rows.items()}
        assert at["A"] - at["B"] == pytest.approx(6, abs=min(row["expanded"]["nozzle"] for row in rows.values()))
        assert at["A"] - at["B"] == 6
        for row in rows.values():  # the hill is highest at 272
            assert row["reaches"]["nozzle"] == pytest.approx(272, abs=row["expanded"]["nozzle"])

    def test_a_plan_made_without_checks_is_fitted_in_what_was_reached(self):
        # the truth of actual values, printed by a plan that reached its targets on A only after the correction
        study = study_of(check(6), check(0))
        design = cases.make_design(study, *cases.NINE, ("A", "B"))
        assert (design.runs["set.nozzle"] - design.runs["target.nozzle"]).groupby(design.runs["printer"]).mean().to_dict() == {
            "A": 6, "B": 0,
        }
        fit, fitted = fit_model(study, design, cases.make_record(study, design, cases.hill()))
        advice = recommend_settings(study, design, fit, fitted, 1)
        assert abs(cases.values_of(advice)["nozzle"] - 272) <= 1

    def test_uncertainty_by_hand(self):
        rows, verdicts = rows_of(study_of(check(6, repeatability=1.2)))
        row = rows["A"]
        assert row["setpoints"] == {"nozzle": 276.0, "drying": 8.0}
        assert row["checked"] == ["nozzle"]
        assert row["reaches"]["nozzle"] == pytest.approx(270)
        away = 276 - 272.5
        of_line = 1.2**2 * (1 / 3 + away**2 / (2 * 22.5**2))
        by_hand = 2 * np.sqrt(of_line + (1.5**2 + 1 + 0.5**2) / 3)
        assert row["expanded"]["nozzle"] == pytest.approx(by_hand, rel=1e-4)
        assert row["coverage"]["nozzle"] == pytest.approx(2, abs=1e-4)
        assert (row["unknown"]["nozzle"], row["assumed"]["nozzle"]) == ([], [])
        assert verdicts == ()
        json.dumps(row, allow_nan=False)

    def test_setpoint_beyond_the_checks_is_not_given(self):
        rows, verdicts = rows_of(study_of(check(6, low=240, high=270), check(0, low=240, high=269)))
        assert rows["A"]["setpoints"]["nozzle"] is None
        assert rows["A"]["beyond"]["nozzle"] == {"low": 240, "high": 270, "read_at": 276.0, "wanted": 270.0}
        assert rows["B"]["setpoints"]["nozzle"] == 270.0  # within one increment
        (verdict,) = verdicts
        assert verdict.name == "setpoint beyond the checks"
        assert "at 276 °C" in verdict.next_step

    def test_a_printer_that_was_not_read_is_said(self):
        rows, verdicts = rows_of(study_of(check(6), None))
        assert rows["B"]["setpoints"]["nozzle"] == 270.0
        assert (rows["B"]["checked"], rows["B"]["reaches"]) == ([], {})
        (verdict,) = verdicts
        assert (verdict.name, verdict.about) == ("setpoint not checked", "nozzle")
        assert "on printer B" in verdict.cause

    def test_what_the_uncertainty_leaves_out_is_said(self):
        rows, verdicts = rows_of(study_of(check(6), check(0), tool={"id": "TC-1", "kind": "thermocouple"}))
        assert (rows["A"]["unknown"]["nozzle"], rows["A"]["unstated"]["nozzle"]) == (["probe"], ["TC-1"])
        assert rows["A"]["expanded"]["nozzle"] is None  # the scatter alone is less than any whole uncertainty
        (verdict,) = verdicts
        assert verdict.name == "uncertainty of the probe not stated"
        assert "on printers A, B was read with 'TC-1'" in verdict.cause
        rows, verdicts = rows_of(study_of(check(6, wiggle=0)))
        assert rows["A"]["unknown"]["nozzle"] == ["scatter"]
        assert [one.name for one in verdicts] == ["scatter of the readings unknown"]
        rows, verdicts = rows_of(study_of(check(6, wiggle=0), tool={"id": "TC-1", "kind": "thermocouple"}))
        assert rows["A"]["expanded"]["nozzle"] is None


    def test_a_slip_in_the_name_of_an_instrument_makes_no_uncertainty_smaller(self):
        study = study_of(check(6), check(0))
        rows, found = {}, {}
        for name in ("TC-1", "TC1", ""):
            reading = {"reading": "R1-01", "printer": "A", "factor": "nozzle", "set": 285.0, "actual": 279.1, "instrument": name}
            readings = pd.DataFrame([{**reading, "read_on": ""}])
            (rows[name], _), found[name] = printers.printer_rows(study, "AB", FULL, calibrated.lines_of(study, readings))
        for name in ("TC1", ""):
            assert rows[name]["expanded"]["nozzle"] >= rows["TC-1"]["expanded"]["nozzle"]  # its readout is not known either
            assert rows[name]["unknown"]["nozzle"] == ["probe"]
            assert found[name][0].name == "uncertainty of the probe not stated"
        assert "on printer A was read with 'TC1', whose" in found["TC1"][0].cause
        assert "read with an instrument without a name, whose" in found[""][0].cause
        assert found["TC-1"] == () and "unstated" not in rows["TC-1"]


class TestFleet:
    def test_one_setpoint_lies_between_the_printers(self):
        fleet = printers.fleet_settings(study_of(check(6, 0), check(0, 0)), "AB", FULL)
        assert fleet.setpoints == {"nozzle": 273.0, "drying": 8.0}
        assert [one["nozzle"] for one in fleet.actual] == pytest.approx([267, 273])
        assert fleet.spread == pytest.approx({"nozzle": 6, "drying": 0})

    def test_limits_hold_for_the_common_setpoint(self):
        study = study_of(check(8, 0), check(0, 0), limits={"A": {"nozzle": [0, 300]}, "B": {"nozzle": [0, 272]}})
        assert printers.fleet_settings(study, "AB", FULL).setpoints["nozzle"] == 272.0

    def test_it_is_the_best_of_all_increments(self):
        study = study_of(check(6), check(1), check(-2))
        lines = calibrated.lines_of(study)
        chosen = printers.fleet_settings(study, "ABC", FULL, lines).setpoints["nozzle"]

        def worst(at):
            found = printers.at_common(study, "ABC", {**FULL, "nozzle": float(at)}, lines)
            return max(abs(one["nozzle"] - 270) for one in found.actual)

        assert worst(chosen) == min(worst(at) for at in range(255, 286))

    def test_coded_settings_of_each_printer(self):
        surface = {"name": "surface", "levels": ["glass", "sheet"]}
        study = study_of(check(6, 0), check(0, 0), factors=(cases.NOZZLE, cases.DRYING, surface))
        wanted = {**FULL, "surface": "sheet"}
        fleet = printers.fleet_settings(study, "AB", wanted)
        assert printers.coded_settings(study, fleet.actual) == pytest.approx(np.array([[-0.2, 0, 1], [0.2, 0, 1]]))
        rows, _ = printers.printer_rows(study, "AB", wanted)
        assert printers.coded_settings(study, printers.reached(rows)) == pytest.approx(np.array([[0, 0, 1], [0, 0, 1]]))

    def test_what_is_reached_without_a_setpoint_is_the_setting(self):
        rows, _ = printers.printer_rows(study_of(check(6, low=240, high=260), None), "AB", FULL)
        assert [one["nozzle"] for one in printers.reached(rows)] == [270.0, 270.0]
