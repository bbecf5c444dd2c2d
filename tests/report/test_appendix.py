import dataclasses

from doe.model.limits import LimitCount
from doe.model.sensitivity import Sensitivity, Shift
from doe.report import appendix
from doe.report.consequences import consequence_rows
from doe.report.glossary import glossary_rows
from tests.report import samples

STUDY = samples.study()
DESIGN = samples.design(STUDY)
RECORD = samples.record(STUDY, DESIGN)
FIT = samples.fit(STUDY)


def _effects(fit=FIT, record=RECORD):
    return {row[0]: row[-1] for row in consequence_rows(STUDY, DESIGN, record, fit).rows}


class TestEveryValue:
    def test_each_coupon_stands_in_its_print_s_row(self):
        coupons, _ = appendix.value_tables(STUDY, DESIGN, RECORD)
        shown = {row[0]: row for row in coupons.rows}
        values = RECORD.coupons.set_index("coupon")["z_strength"]
        assert len(coupons.rows) == 30
        for number in range(1, 6):
            assert float(shown["P02A"][2 + number]) == round(float(values[f"P02A-{number}"]), 2)
        assert float(shown["P02A"][8]) == round(float(values.filter(like="P02A").mean()), 2)

    def test_what_has_no_value_says_why(self):
        coupons, prints = appendix.value_tables(STUDY, DESIGN, RECORD)
        shown = {row[0]: row for row in coupons.rows}
        assert shown["P04A"][3:] == ("", "", "", "", "", "", "detached")
        assert shown["P01A"][3] == "" and shown["P01A"][-1] == "1: broke in grips"
        assert next(row for row in prints.rows if row[0] == "P12A")[3:] == ("", "", "", "lost")

    def test_the_own_outcome_of_a_test_stands_in_its_table_alone(self):
        peel = STUDY.responses[0].model_copy(update={"name": "peel"})
        study = STUDY.model_copy(update={"responses": (STUDY.responses[0], peel)})
        own = RECORD.coupons["outcome"].where(RECORD.coupons["coupon"] == "P02A-3", "").replace("completed", "no break")
        coupons = RECORD.coupons.assign(**{"peel": 1.0, "outcome.peel": own, "outcome.z_strength": ""})
        strength, other = appendix.value_tables(study, DESIGN, dataclasses.replace(RECORD, coupons=coupons))
        said = [{row[0]: row[-1] for row in table.rows}["P02A"] for table in (strength, other)]
        assert said == ["", "3: no break"]

    def test_values_that_a_print_has_one_of_share_a_table(self):
        _, prints = appendix.value_tables(STUDY, DESIGN, RECORD)
        assert prints.columns == ("Print", "Load", "Printer", "warp, mm", "bed grade", "lid fits", "Remarks")

    def test_values_that_are_still_expected(self):
        coupons = RECORD.coupons.copy()
        coupons.loc[7, "z_strength"] = float("nan")
        lacking = appendix.expected_values(STUDY.responses[0], dataclasses.replace(RECORD, coupons=coupons))
        assert lacking == ("P01A-1", "P02A-3")  # the one that broke in the grips held some value, too


def test_the_log_shows_its_last_lines_and_counts_the_rest():
    lines = [{"time": f"t{number}", "command": "collect", "wrote": {"b": "", "a": ""}, "own": "f" * 64} for number in range(40)]
    table = appendix.log_rows(lines)
    assert len(table.rows) == 30 and table.rows[-1] == ("t39", "doe collect", "a, b", "f" * 12)
    assert "10 earlier lines are not shown" in table.note


class TestConsequences:
    def test_a_failed_print_is_left_out_and_counts_as_failed(self):
        assert _effects()["P04A"] == "counts as a failure in the chance to complete; left out of z strength, warp"

    def test_a_lost_print_tells_nothing(self):
        assert _effects()["P12A"].startswith("tells nothing of the factors")

    def test_a_print_off_plan_counts_where_it_was(self):
        assert _effects()["P06A"] == "counts at the settings that were used"

    def test_a_limit_counts_as_one_only_where_the_fit_has_it(self):
        first = FIT.responses[0]
        for used, words in ((True, "counts as at least its limit"), (False, "could not be made to count as at least its limit")):
            with_limits = dataclasses.replace(first, limits=LimitCount(1, 0, used, ("P01A-1",)), excluded=())
            fit = dataclasses.replace(FIT, responses=(with_limits,))
            assert _effects(fit)["P01A-1"] == f"z strength: {words}"

    def test_the_own_outcome_of_a_test_makes_its_value_alone_a_limit(self):
        own = RECORD.coupons["coupon"].map({"P02A-3": "broke in grips"}).fillna("")
        record = dataclasses.replace(RECORD, coupons=RECORD.coupons.assign(**{"outcome.z_strength": own}))
        first = dataclasses.replace(FIT.responses[0], limits=LimitCount(1, 0, True, ("P02A-3",)), excluded=())
        other = dataclasses.replace(first, response="peel", limits=LimitCount(1, 0, True, ("P02A-3",)))
        fit = dataclasses.replace(FIT, responses=(first, other))
        assert _effects(fit, record)["P02A-3"] == "z strength: counts as at least its limit"

    def test_a_value_in_doubt_says_how_far_it_moves_the_model(self):
        prints = RECORD.prints.copy()
        prints.loc[6, "deviation"] = "suspect"
        shifts = (Shift("intercept", 27.0, 27.1, 0.2), Shift("drying_time", 1.0, 1.5, -1.234))
        doubted = dataclasses.replace(FIT.responses[0], sensitivity=Sensitivity(("P07A-1",), shifts, ""))
        said = _effects(dataclasses.replace(FIT, responses=(doubted,)), dataclasses.replace(RECORD, prints=prints))["P07A"]
        assert said == "z strength: counts; without all in doubt drying time moves most, by 1.2 standard errors"

    def test_before_the_fit_nothing_is_said(self):
        assert set(_effects(None).values()) == {"known after the fit"}


def test_only_terms_that_are_used_are_explained():
    shown = [row[0] for row in glossary_rows(["One coupon of a drying load.", "Its residual"]).rows]
    assert shown == ["coupon", "drying load", "residual"]
    assert glossary_rows(["nothing of the kind"]).rows == ()
