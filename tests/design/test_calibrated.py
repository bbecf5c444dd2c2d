"""Lines of the printers: their uncertainty, what later readings say of them, and setpoints that they do not cover."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doe.design import calibrated, calibration_findings, setpoints
from doe.errors import InputRefused
from doe.numerics import calibration
from tests.conftest import make_study

NOZZLE = "nozzle_temperature"
PROBE = {"id": "TC-1", "kind": "thermocouple, type K class 1", "due": "2026-12-31"}
SET = [250, 270, 290]


def check(actual, **more):
    return {"factor": NOZZLE, "set": SET, "actual": actual, "instrument": "TC-1", "contact": 0.5, **more}


def high_by(miss, wiggle=0.2, **more):
    """Return the check of a printer that reads high: what it reaches is below what it shows."""
    return check([250 - miss + wiggle, 270 - miss - 2 * wiggle, 290 - miss + wiggle], **more)


def study_of(*checks, tool=PROBE, **more):
    printers = [{"name": name, "checks": [one] if one else []} for name, one in zip("ABC", checks, strict=False)]
    return make_study(printers=printers, instruments=[tool] if tool else [], **more)


def later(actual, at=SET, printer="A", instrument="TC-1", read_on="2026-03-05"):
    rows = [
        {"reading": f"R{number}", "printer": printer, "factor": NOZZLE, "set": float(one), "actual": value,
         "instrument": instrument, "read_on": read_on}
        for number, (one, value) in enumerate(zip(at, actual, strict=True))
    ]
    return pd.DataFrame(rows)


def only(study, readings=None):
    return calibrated.lines_of(study, readings)["A", NOZZLE]


class TestBudget:
    def test_kind_names_the_tolerance(self):
        # IEC 60584-1, type K: 1.5 degC or 0.4 %, and 2.5 degC or 0.75 %
        budget = only(study_of(high_by(6))).budget
        assert (budget.limit, budget.share, budget.contact, budget.readout) == (1.5, 0.004, 0.5, 1.0)
        second = {**PROBE, "kind": "Type-K (Class 2)"}
        assert (only(study_of(high_by(6), tool=second)).budget.limit, only(study_of(high_by(6), tool=second)).budget.share) == (
            2.5, 0.0075,
        )

    def test_what_is_stated_goes_before_the_kind(self):
        budget = only(study_of(high_by(6), tool={**PROBE, "limit_of_error": 0.8, "readout": 0.05})).budget
        assert budget == calibration.Budget(0.8, 0.0, 0.5, 0.05)

    def test_what_is_not_stated_is_said(self):
        one = only(study_of(high_by(6, contact=None), tool={**PROBE, "kind": "thermocouple"}))
        assert one.budget.limit is None
        assert one.unknown == ("probe",)
        assert one.assumed == ("contact", "readout")
        assert (one.budget.contact, one.budget.readout) == (5.0, 1.0)
        assert only(study_of(high_by(6, instrument=None))).budget.limit is None

    def test_another_unit_has_no_such_defaults(self):
        of_offset = {"factor": "z_offset", "set": [-0.05, 0, 0.05], "actual": [-0.06, 0.0, 0.05], "instrument": "TC-1"}
        line = calibrated.lines_of(study_of(of_offset))["A", "z_offset"]
        assert line.budget == calibration.Budget(None, 0.0, 0.0, 0.0)

    def test_the_worst_instrument_counts(self):
        readings = later([244.1, 263.9], at=[250, 270], instrument="other")
        one = only(study_of(high_by(6)), readings)
        assert (one.unknown, one.unstated) == (("probe",), ("other",))
        assert (one.budget.limit, one.budget.share) == (1.5, 0.004)  # not smaller than with the instrument that is known

    def test_what_is_not_stated_counts_as_the_worst_that_reads_the_factor_on_any_printer(self):
        coarse = {"id": "TC-2", "kind": "thermocouple, type K class 2"}
        printers = [{"name": "A", "checks": [high_by(6, instrument=None)]}, {"name": "B", "checks": [high_by(6)]}]
        study = make_study(printers=printers, instruments=[PROBE, coarse])
        assert (only(study).budget.limit, only(study).unstated) == (1.5, ("",))
        lines = calibrated.lines_of(study, later([244.1, 263.9], at=[250, 270], printer="B", instrument="TC-2"))
        assert lines["A", NOZZLE].budget.limit == 2.5
        assert lines["B", NOZZLE].unknown == ()

    def test_a_check_without_a_contact_counts_as_common_practice_beside_one_with(self):
        stated, silent = high_by(6), {**high_by(6), "contact": None}
        printers = [{"name": "A", "checks": [stated, silent]}]
        one = only(make_study(printers=printers, instruments=[{**PROBE, "readout": 0.1}]))
        assert one.budget.contact == calibrated.CONTACT
        assert one.assumed == ("contact",)

    def test_scatter_is_pooled_over_printers(self):
        lines = calibrated.lines_of(study_of(high_by(6), high_by(0, wiggle=0.4)))
        pooled = (0.2**2 + 0.4**2) * 6 / 2  # a bend of (1, -2, 1) leaves all of its squares
        for name in "AB":
            assert lines[name, NOZZLE].scatter.sd**2 == pytest.approx(pooled)
            assert lines[name, NOZZLE].scatter.dof == 2


class TestLaterReadings:
    def test_readings_that_agree_join_the_line(self):
        study, readings = study_of(high_by(6)), later([243.9, 264.5, 284.2])
        one = only(study, readings)
        everything = calibration.fit_line([*SET, *SET], [244.2, 263.6, 284.2, 243.9, 264.5, 284.2])
        assert one.line == one.printed == everything
        assert not one.drift.found
        assert list(calibration_findings.line_findings(study, {("A", NOZZLE): one})) == []
        factor, at = study.factors[0], np.array([261.0])
        lines = calibrated.lines_of(study, readings)
        assert setpoints.actual_of(study, factor, at, ["A"], lines) == pytest.approx(calibration.to_actual(everything, at))
        assert setpoints.actual_of(study, factor, at, ["A"]) == pytest.approx(calibration.to_actual(one.planned, at))

    def test_a_printer_that_moved_keeps_its_prints_and_gets_a_new_card(self):
        study, readings = study_of(high_by(6)), later([256.1, 275.8, 296.0])
        one = only(study, readings)
        assert one.drift.found
        assert one.drift.offset == pytest.approx(12, abs=0.1)
        assert one.printed == one.planned
        assert one.line == calibration.fit_line(SET, [256.1, 275.8, 296.0])
        (verdict,) = calibration_findings.line_findings(study, {("A", NOZZLE): one})
        assert verdict.name == "printer drifted"
        assert "3 readings of nozzle_temperature on printer A" in verdict.cause
        assert "12 °C above" in verdict.cause

    def test_one_reading_after_a_change_moves_the_line(self):
        one = only(study_of(high_by(6, repeatability=0.5)), later([276.0], at=[270]))
        assert one.drift.found
        assert float(calibration.to_actual(one.line, 250)) == pytest.approx(256)
        assert one.line.slope == one.planned.slope

    def test_contact_and_another_probe_may_explain_it(self):
        # 3 degrees: beyond a contact of 0.5, within one of 5 and within what two class 2 probes may differ by
        new = later([241.1, 260.8, 281.0])
        assert only(study_of(high_by(6, repeatability=0.3)), new).drift.found
        assert not only(study_of(high_by(6, repeatability=0.3, contact=5)), new).drift.found
        tools = [{**PROBE, "kind": "type K class 2"}, {**PROBE, "id": "TC-2", "kind": "type K class 2"}]
        study = study_of(high_by(6, repeatability=0.3)).model_copy(
            update={"instruments": make_study(instruments=tools).instruments}
        )
        assert not only(study, later([241.1, 260.8, 281.0], instrument="TC-2")).drift.found

    def test_a_probe_of_unknown_error_counts_as_class_2_when_it_is_another_one(self):
        # by hand: contact 0.1 twice, readouts 0.1 and 1, limits 1.5 and 2.5, all even; scatter 0.2 of one and of three readings
        study = study_of(high_by(6, contact=0.1, repeatability=0.2, wiggle=0.05), tool={**PROBE, "readout": 0.1})
        one = only(study, later([267.0], at=[270], instrument="a borrowed one"))
        between = (2 * 0.1**2 + 0.1**2 + 1 + 1.5**2 + 2.5**2) / 3
        by_hand = stats.norm.isf(0.025) * np.sqrt(between + 0.2**2 * (1 + 1 / 3))
        assert one.drift.allowed == pytest.approx(by_hand, rel=1e-6)
        assert not one.drift.found  # 3 degrees

    def test_a_slip_in_a_name_allows_no_less_drift_than_another_instrument_with_a_limit(self):
        # a stated limit wider than class 2's: a reading without a name counts as the worst that is stated
        tools = [{**PROBE, "limit_of_error": 6.0}, {**PROBE, "id": "TC-2", "limit_of_error": 6.0}]
        study = study_of(high_by(6, repeatability=0.3)).model_copy(
            update={"instruments": make_study(instruments=tools).instruments}
        )
        named, slipped = (only(study, later([260.0], at=[270], instrument=name)).drift for name in ("TC-2", "TC2"))
        assert slipped.allowed >= named.allowed

    def test_another_instrument_of_unknown_error_judges_no_drift_of_other_units(self):
        of_offset = {"factor": "z_offset", "set": [-0.05, 0, 0.05], "actual": [-0.051, 0.002, 0.049], "instrument": "TC-1"}
        readings = later([0.1], at=[0.0], instrument="a borrowed one").assign(factor="z_offset")
        one = calibrated.lines_of(study_of(of_offset), readings)["A", "z_offset"]
        assert one.drift.allowed is None and not one.drift.found
        same = later([0.1], at=[0.0], instrument="TC-1").assign(factor="z_offset")
        assert calibrated.lines_of(study_of(of_offset), same)["A", "z_offset"].drift.allowed > 0

    def test_unknown_scatter_judges_no_drift(self):
        one = only(study_of(check([244, 264, 284])), later([260.0], at=[270]))
        assert one.scatter is None
        assert not one.drift.found

    def test_a_printer_that_was_read_only_later(self):
        study, readings = study_of(None), later([244.2, 263.7, 284.1, 244.0, 264.2, 283.8], at=[*SET, *SET])
        one = only(study, readings)
        assert one.planned is None
        assert one.line == one.printed
        (verdict,) = calibration_findings.line_findings(study, {("A", NOZZLE): one})
        assert verdict.name == "actual values not as planned"
        # means 244.1, 263.95 and 283.95: slope 39.85 / 40 about 264 at 270
        assert "reach 255 to 285 °C; by the readings since, these setpoints reach 249.1 to 278.9" in verdict.cause
        true = later([250.4, 269.4, 290.2, 249.8, 270.4, 289.8], at=[*SET, *SET])
        assert list(calibration_findings.line_findings(study, calibrated.lines_of(study, true))) == []

    def test_empty_records_change_nothing(self):
        study = study_of(high_by(6))
        assert calibrated.lines_of(study, pd.DataFrame()) == calibrated.lines_of(study)

    def test_readings_in_the_wrong_order_are_refused_by_name(self):
        with pytest.raises(InputRefused, match=r"checks\.csv, printer 'A', factor 'nozzle_temperature'"):
            calibrated.lines_of(study_of(None), later([284.0, 264.0, 244.0]))

    def test_false_alarms_are_rare(self):
        # three printers that stay as they are: at most 5 % of studies are meant to see a drift
        generator = np.random.default_rng(8)
        found = 0
        for _ in range(120):
            draw = generator.normal(-6, 1, (6, 3)) + np.array(SET)
            study = study_of(*(check(list(row), contact=0) for row in draw[:3]), tool={**PROBE, "readout": 0})
            readings = pd.concat([later(list(row), printer=name) for name, row in zip("ABC", draw[3:], strict=True)])
            found += any(one.drift.found for one in calibrated.lines_of(study, readings).values())
        assert found / 120 <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 120)


class TestFindings:
    def test_prints_beyond_the_checks(self):
        study = study_of(high_by(6), None)
        runs = pd.DataFrame({"printer": ["A", "A", "A", "B"], f"set.{NOZZLE}": [249.0, 291.0, 293.0, 300.0]})
        (verdict,) = calibration_findings.beyond_findings(study, runs)
        assert verdict.name == "prints beyond the checks"
        assert "1 of 3 prints on printer A" in verdict.cause
        assert "at 293 °C, before these are printed" in verdict.next_step
        assert "'doe recommend' gives this printer no setpoint beyond what was read" in verdict.cause
        assert not list(calibration_findings.beyond_findings(study, runs.iloc[:2]))  # one increment beyond is not far

    def test_unread_factors_are_named_once(self):
        study = study_of(high_by(6), None, None)
        found = calibration_findings.unread_findings(study, ["A", "B", "C"], calibrated.lines_of(study))
        named = {one.about: one.cause for one in found}
        assert set(named) == {NOZZLE, "bed_temperature"}  # temperatures that printers set; not the drying time
        assert "on printers B, C" in named[NOZZLE]

    def test_factors_of_which_the_same_is_said_are_named_together(self):
        study = study_of(None, None, None)
        (found,) = calibration_findings.unread_findings(study, ["A", "B", "C"], calibrated.lines_of(study))
        assert found.about == f"{NOZZLE}, bed_temperature"
        assert found.cause.startswith(f"no reference probe has read {NOZZLE}, bed_temperature on printers A, B, C: ")
        assert found.next_step.startswith(f"read {NOZZLE}, bed_temperature on printers A, B, C ")

    def test_overdue_probe(self):
        study = study_of(high_by(6, date="2027-01-01"))
        (verdict,) = calibration_findings.overdue_findings(study, later([244.0], at=[250], read_on="2027-01-02"))
        assert "TC-1 was due for calibration on 2026-12-31 and read with on 2027-01-01 and 1 times more" in verdict.cause
        assert not list(calibration_findings.overdue_findings(study_of(high_by(6, date="2026-12-31")), pd.DataFrame()))
