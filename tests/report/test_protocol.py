import dataclasses

import numpy as np
import pandas as pd
import pytest

from doe.design.plan import PILOT
from doe.model import summary
from doe.report import protocol
from doe.study.spec import Response
from tests.report import samples

STUDY = samples.study()
DESIGN = samples.design(STUDY)
RECORD = samples.record(STUDY, DESIGN)


@pytest.mark.parametrize(
    ("response", "shown"),
    [
        ({"unit": "MPa", "at_least": 27, "coupons": 5}, "at least 27 MPa on each coupon"),
        (
            {"unit": "MPa", "at_least": 27.5, "at_most": 40, "requirement_on": "print mean"},
            "at least 27.5 MPa and at most 40 MPa on the print mean",
        ),
        ({"unit": "degC", "at_most": -5, "per": "print"}, "at most −5 °C on each print"),
        ({"kind": "pass_fail", "per": "print"}, "pass on each print"),
        ({"kind": "graded", "per": "print"}, "none"),
    ],
)
def test_requirements_in_words(response, shown):
    assert protocol.requirement_words(Response(name="y", **response)) == shown


def test_the_question_names_every_factor_and_response():
    factors = protocol.factor_rows(STUDY).rows
    assert factors[0] == ("nozzle temperature", "°C", "255 to 285", "1", "per print", "2")
    assert factors[3] == ("bed surface", "", "glass, glue stick, textured sheet", "", "per print", "")
    assert [row[0] for row in protocol.requirement_rows(STUDY).rows] == ["z strength", "warp", "bed grade", "lid fits"]
    assert ("drying oven", "80 °C, room for 2 spools a load") in protocol.condition_rows(STUDY).rows
    table = protocol.instrument_rows(STUDY)
    assert table.rows == (("TC-03", "thermocouple, type K class 1", "not stated"),)
    assert table.note.startswith("No instrument is named for z strength and warp:")  # grades need none
    named = tuple(one.model_copy(update={"instrument": "TC-03"}) for one in STUDY.responses)
    assert protocol.instrument_rows(STUDY.model_copy(update={"responses": named})).note == ""


def test_plan_facts_say_kind_strata_seed_and_rounding():
    facts = dict(protocol.plan_facts(STUDY, DESIGN).rows)
    assert facts["kind"] == "central composite"
    assert facts["error degrees of freedom"] == "13 between prints, 3 between loads; 5 of pure error"
    assert facts["order"] == "random, seed 20260101"
    assert facts["moved by rounding to increments"].startswith("nozzle temperature up to 0.25 °C")


def test_a_fraction_shows_its_resolution_and_aliases():
    facts = {"kind": "fractional", "resolution": 4, "defining_relation": ["a_b * c * d * e"], "aliases": ["a_b * c = d * e"]}
    plan = dataclasses.replace(DESIGN, facts=facts)
    shown = dict(protocol.plan_facts(STUDY, plan).rows)
    assert (shown["resolution"], shown["defining relation"]) == ("IV", "a b × c × d × e")
    assert protocol.alias_rows(plan).rows == (("a b × c = d × e",),)


def test_the_run_table_shows_setpoints_that_differ_in_brackets():
    table = protocol.plan_table(STUDY, DESIGN)
    assert len(table.rows) == 30
    assert table.columns[5:] == ("nozzle temperature, °C", "bed temperature, °C", "drying time, h", "bed surface")
    wanted = DESIGN.runs.iloc[0]
    assert table.rows[0][5] == f"{wanted['target.nozzle_temperature']:g} ({wanted['set.nozzle_temperature']:g})"
    assert table.rows[0][6] == f"{wanted['target.bed_temperature']:g}"
    assert "In brackets" in table.note


def test_a_second_round_gets_its_own_column():
    runs = pd.concat([DESIGN.runs, DESIGN.runs.assign(round=2)], ignore_index=True)
    assert protocol.plan_table(STUDY, dataclasses.replace(DESIGN, runs=runs)).columns[:2] == ("Round", "Order")


def test_every_deviation_is_listed_with_what_is_known_about_it():
    rows = {row[0]: row for row in protocol.deviation_rows(STUDY, DESIGN, RECORD).rows}
    assert rows["P04A"][3:] == ("detached", "corner lifted at layer 12")
    assert rows["P06A"][3] == "off plan"
    assert rows["P06A"][4].startswith("nozzle temperature 1 °C used, ")
    assert rows["P12A"][3:] == ("lost", "")
    assert rows["P01A-1"][3:] == ("broke in grips", "slipped first")


def test_what_became_of_one_test_alone_is_told_with_its_name():
    own = RECORD.coupons["coupon"].map({"P02A-3": "broke in grips", "P02A-2": "lost"}).fillna("")
    coupons = RECORD.coupons.assign(**{"outcome.z_strength": own, "z_strength": RECORD.coupons["z_strength"].mask(own == "lost")})
    record = dataclasses.replace(RECORD, coupons=coupons)
    rows = {row[0]: row for row in protocol.deviation_rows(STUDY, DESIGN, record).rows}
    assert rows["P02A-3"][3] == "z strength broke in grips"
    summary = {row[0]: row for row in protocol.data_summary(STUDY, record).rows}
    assert summary["z strength, MPa"][6] == "broke in grips 1, detached 5, lost 6"


def test_what_became_of_the_print_is_not_told_again_for_each_coupon():
    coupons = RECORD.coupons.copy()
    coupons.loc[coupons["print"] == "P04A", "outcome"] = "detached"
    shown = protocol.deviation_rows(STUDY, DESIGN, dataclasses.replace(RECORD, coupons=coupons)).rows
    assert [row[0] for row in shown if row[0].startswith("P04A")] == ["P04A"]


def test_prints_without_an_outcome_are_not_recorded():
    prints = RECORD.prints.copy()
    prints.loc[[20, 21], "outcome"] = ""
    shown = protocol.deviation_rows(STUDY, DESIGN, dataclasses.replace(RECORD, prints=prints)).rows
    assert shown[-1] == ("2 prints", "", "", "not recorded", "P21A, P22A")


def test_the_data_summary_counts_values_and_what_is_missing():
    rows = {row[0]: row for row in protocol.data_summary(STUDY, RECORD).rows}
    assert rows["z strength, MPa"][1] == "139"
    assert rows["z strength, MPa"][6] == "broke in grips 1, detached 5, lost 5"
    assert rows["bed grade"][1:5] == ("28", "2", "4", "5")
    assert rows["lid fits"][1:6] == ("28", "n/a", "n/a", "n/a", "n/a")


def test_a_grade_typed_in_for_a_failed_print_is_shown_and_counted_nowhere():
    """The rule of doe help failures, which the models keep: P04A detached, and its grade 0 is no value of the grades."""
    prints = RECORD.prints.copy()
    prints.loc[prints["print"] == "P04A", ["bed_grade", "lid_fits"]] = [0.0, "fail"]
    record = dataclasses.replace(RECORD, prints=prints)
    table, before = protocol.data_summary(STUDY, record), protocol.data_summary(STUDY, RECORD)
    rows, clean = ({row[0]: row for row in one.rows} for one in (table, before))
    assert rows["bed grade"][1:5] == clean["bed grade"][1:5] == ("28", "2", "4", "5")
    assert rows["bed grade"][6] == "lost 1, detached 1 (0 not counted)"
    assert rows["lid fits"][1] == "28" and rows["lid fits"][6] == "lost 1, detached 1 (fail not counted)"
    assert "A failed print (detached, clogged, warped) has no grade" in table.note and "Not counted" not in before.note
    counted = summary.summaries(STUDY, DESIGN, record)
    assert [sum(row["values"] for row in one.rows) for one in counted] == [28, 28]
    assert all("0" not in row["counts"] for row in counted[0].rows)


def test_a_value_that_logarithms_leave_out_is_not_counted():
    logs = STUDY.model_copy(update={"responses": (STUDY.responses[0].model_copy(update={"transform": "log"}),)})
    coupons = RECORD.coupons.copy()
    coupons.loc[7, "z_strength"] = 0.0
    (row,) = protocol.data_summary(logs, dataclasses.replace(RECORD, coupons=coupons)).rows
    assert row[1] == "138" and row[6].endswith("(0 not counted)")


def test_pilot_values_are_said_to_be_in_no_model():
    prints = RECORD.prints.copy()
    prints.loc[0, "round"] = PILOT
    assert "Pilot prints are among" in protocol.data_summary(STUDY, dataclasses.replace(RECORD, prints=prints)).note
    assert "Pilot" not in protocol.data_summary(STUDY, RECORD).note
    piloted = dataclasses.replace(DESIGN, runs=DESIGN.runs.assign(round=[PILOT, *DESIGN.runs["round"][1:]]))
    counted = summary.summaries(STUDY, piloted, RECORD)
    assert [sum(row["values"] for row in one.rows) for one in counted] == [27, 27]


def test_the_points_of_a_plan_are_explained():
    kinds = ["edge", "axial", *["centre"] * (len(DESIGN.runs) - 2)]
    note = protocol.plan_table(STUDY, dataclasses.replace(DESIGN, runs=DESIGN.runs.assign(point=kinds))).note
    assert note.startswith("Point, of the factors with a range: edge: one factor or more at an end of the range; axial: one")
    assert "corner" not in note
    adopted = dataclasses.replace(DESIGN, runs=DESIGN.runs.assign(point="given"))
    assert "Point" not in protocol.plan_table(STUDY, adopted).note


def test_the_spread_within_prints_is_pooled_over_prints():
    """Two prints with coupons 1, 3 and 10, 14: sums of squares 2 and 8 on one degree of freedom each, so s = sqrt(5)."""
    assert protocol._within(np.array([1.0, 3.0, 10.0, 14.0]), ["a", "a", "b", "b"]) == pytest.approx(5**0.5)
    assert protocol._within(np.array([1.0, 3.0]), ["a", "b"]) is None


def test_coupons_beyond_those_of_a_response_are_not_missing():
    fewer = STUDY.responses[0].model_copy(update={"coupons": 3})
    study = STUDY.model_copy(update={"responses": (fewer,)})
    coupons = RECORD.coupons.copy()
    coupons.loc[coupons["number"] > 3, "z_strength"] = np.nan
    row = protocol.data_summary(study, dataclasses.replace(RECORD, coupons=coupons)).rows[0]
    assert (row[1], row[6]) == ("83", "broke in grips 1, detached 3, lost 3")


def test_an_empty_record_is_a_summary_too():
    nothing = dataclasses.replace(RECORD, prints=pd.DataFrame(), coupons=pd.DataFrame())
    assert {row[1] for row in protocol.data_summary(STUDY, nothing).rows} == {"0"}
    assert protocol.deviation_rows(STUDY, DESIGN, nothing).rows[0][:1] == ("30 prints",)


def test_loads_probes_and_corrections_are_shown_as_they_were_written():
    assert protocol.load_rows(RECORD).rows[0] == (
        "L01C", "S0", "2026-03-01T20:00", "2026-03-02T04:00", "80.5", "1210.3", "", "",
    )
    first = pd.Series(["left", *[""] * (len(RECORD.loads) - 1)], index=RECORD.loads.index)
    told = protocol.load_rows(dataclasses.replace(RECORD, loads=RECORD.loads.assign(**{"log.dryer": first})))
    assert (told.columns[4], told.rows[0][4]) == ("Dryer", "left")
    assert "Dryer" not in protocol.load_rows(RECORD).columns
    assert protocol.check_rows(STUDY, RECORD).rows == (("A", "nozzle temperature", "270", "263.9", "TC-03", "2026-03-01"),)
    assert protocol.correction_rows(RECORD).rows[0][:4] == ("P02A-3", "z_strength", "2.81", "28.1")
