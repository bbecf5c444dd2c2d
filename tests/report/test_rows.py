import dataclasses

from doe.model.limits import LimitCount
from doe.model.sensitivity import Sensitivity, Shift
from doe.model.settings import Readings
from doe.report import measured, recommended, rows, screens
from doe.report.values import reading_rows
from doe.verdicts import Verdict
from tests.report import samples

STUDY = samples.study()
FIT = samples.fit(STUDY)
ADVICE = samples.recommendation(STUDY)


def test_coefficients_are_shown_at_the_place_of_their_standard_error():
    table = measured.coefficient_table(FIT.responses[0])
    assert table.title == "Coefficients of z strength, MPa"
    assert table.columns[3] == "95 % confidence interval of the coefficient"
    assert table.rows[0] == ("intercept", "27.12", "0.35", "26.40 to 27.90", "13", "< 0.001", "print")
    assert table.rows[5][0] == "nozzle temperature × bed surface [glass, glue stick]"
    assert "139 values from 28 prints in 8 drying loads" in table.note


def test_a_coefficient_without_error_has_no_interval():
    one = dataclasses.replace(FIT.responses[0].coefficients[0], se=None, dof=None, low=None, high=None, p_value=None)
    fit = dataclasses.replace(FIT.responses[0], coefficients=(one,))
    assert measured.coefficient_table(fit).rows[0] == ("intercept", "27.12", "n/a", "n/a", "n/a", "n/a", "print")


def test_a_log_scale_is_named_wherever_its_numbers_stand():
    fit = FIT.responses[0]
    for table in (measured.coefficient_table(fit, True), measured.component_table(fit, True), measured.shape_rows(fit, True)):
        assert "natural logarithm of MPa" in table.title
    assert all("MPa" not in value for _, value in measured.shape_rows(fit, True).rows)


def test_a_component_at_zero_is_not_resolvable_and_never_no_effect():
    table = measured.component_table(FIT.responses[0])
    assert table.rows[0][-1] == (
        "not resolvable with 3 degrees of freedom; it may be up to 1.8 times the residual variance (95 % limit)"
    )
    parts = tuple(dataclasses.replace(part, at_zero=False) for part in FIT.responses[0].components)
    resolved = dataclasses.replace(FIT.responses[0], components=parts)
    assert measured.component_table(resolved).columns[-1] == "Error degrees of freedom"


def test_lack_of_fit_or_why_there_is_no_test():
    table = measured.lack_of_fit_rows(FIT.responses[0])
    assert table.rows[0] == ("lack of fit", "5", "12.30", "2.460", "4.10", "0.038")
    untested = measured.lack_of_fit_rows(dataclasses.replace(FIT.responses[0], lack_of_fit=None))
    assert untested.rows == () and "cannot be tested" in untested.note


def test_a_stationary_point_outside_of_the_ranges_says_so():
    fit = FIT.responses[0]
    assert "outside" not in measured.shape_rows(fit).rows[1][1]
    far = dataclasses.replace(fit, stationary={**fit.stationary, "coded": [0.2, -1.3]})
    assert measured.shape_rows(far).rows[1][1].endswith("outside of the ranges that were tried")


def test_excluded_values_are_grouped_by_reason():
    fit = dataclasses.replace(FIT.responses[0], excluded=(("a", "lost"), ("b", "detached"), ("c", "lost")))
    assert measured.excluded_rows(fit).rows == (("lost", "2", "a, c"), ("detached", "1", "b"))


def test_grades_and_passes_are_counted_per_setting():
    graded, passed = rows.summary_rows(FIT)
    assert graded.rows[0][1:] == ("1 × grade 3, 3 × grade 4", "3 of 4")
    assert passed.rows[0][1:] == ("1 fail, 3 pass", "3 of 4")


def test_how_the_prints_ended():
    assert rows.completion_rows(FIT).rows == (("completed", "28"), ("detached", "1"), ("lost", "1"))
    assert rows.failure_rows(FIT).rows[0][:4] == ("P04A", "B", "L01C", "detached")


def test_a_verdict_is_about_the_study_where_it_names_nothing_else():
    table = rows.verdict_table([Verdict("v", "c", "n"), Verdict("v", "c", "n", "z_strength")])
    assert [row[1] for row in table.rows] == ["the study", "z strength"]


def test_the_setting_card_holds_the_setpoints_of_each_printer():
    table = recommended.setting_table(ADVICE)
    assert table.columns == ("Factor", "Unit", "Setting (actual)", "Near-optimal, the others held", "Set on A", "Set on B")
    assert table.rows[0] == ("nozzle temperature", "°C", "277.5", "270 to 282", "277.5", "277.5")
    assert table.rows[1][4] == "92.5*" and table.note.startswith("* No reference probe")
    assert table.rows[3][2:] == ("glass, glue stick",) * 4


def test_many_printers_get_a_table_of_their_own():
    advice = samples.recommendation(STUDY, tuple("ABCDEFG"))
    assert len(recommended.setting_table(advice).columns) == 4
    assert len(recommended.recommendation_tables(advice, 0.95)) >= 7


def test_promises_say_what_each_interval_is_for():
    table = recommended.promise_table(ADVICE, 0.95)
    assert table.columns[2:4] == (
        "95 % confidence interval of the mean", "95 % prediction interval, new print on a new load",
    )
    assert table.rows[0][1:4] == ("29.07", "28.10 to 30.04", "26.20 to 31.90")
    first = recommended.printer_promise_table(ADVICE, 0.95).rows[0]
    assert first == ("z strength", "MPa", "A", "29.1", "28.0 to 30.1", "26.1 to 32.2")


def test_the_answer_in_plain_words():
    text = recommended.answer(ADVICE, 0.95)
    assert "an estimated 94.1 % meet every measured requirement; with 95 % confidence at least 81.2 % do" in text
    assert "it is not shown by these data" in text
    better = dataclasses.replace(ADVICE.conformance, lower=0.91)
    assert "These data show it" in recommended.answer(dataclasses.replace(ADVICE, conformance=better), 0.95)
    worse = dataclasses.replace(ADVICE.conformance, estimate=0.8, lower=0.5)
    assert "the setting does not do" in recommended.answer(dataclasses.replace(ADVICE, conformance=worse), 0.95)
    assert "no share" in recommended.answer(dataclasses.replace(ADVICE, conformance=None), 0.95)


def test_conformance_lists_what_is_not_part_of_it():
    shown = dict(recommended.conformance_rows(ADVICE).rows)
    assert shown["lower bound, one-sided 95 %"] == "81.2 %"
    assert shown["not part of it"] == "bed grade, lid fits"


def test_amendments_show_before_and_after():
    log = samples.inputs(STUDY).log
    assert rows.amendment_rows(log).rows == (
        ("2026-03-03T09:30:00Z", "the fan shroud was replaced", "conditions.fan", "off", "off, new shroud"),
        ("", "", "budget.prints", "absent", "34"),
    )


def test_provenance():
    assert rows.file_digest_rows({"study.toml": "ab"}).rows == (("study.toml", "ab"),)
    assert rows.version_rows({"numpy": "2.4"}).rows == (("numpy", "2.4"),)


def test_every_public_name_is_there():
    assert rows.__all__ == sorted(rows.__all__)
    assert all(hasattr(rows, name) for name in rows.__all__)


def test_an_interval_that_rests_on_a_prior_is_marked_and_explained():
    first = FIT.responses[0]
    few = dataclasses.replace(first.coefficients[0], basis="posterior under a weak prior")
    table = measured.coefficient_table(dataclasses.replace(first, coefficients=(few, *first.coefficients[1:])))
    assert table.rows[0][3].endswith("†") and not table.rows[1][3].endswith("†")
    assert "rests on a half-Cauchy prior" in table.note
    assert "†" not in measured.coefficient_table(first).note


def test_limits_and_values_in_doubt_have_their_tables_where_there_are_any():
    first = FIT.responses[0]
    assert len(measured.measured_tables(first)) < 7
    count = LimitCount(2, 1, True, ("P01-1", "P02-2", "P03-1"))
    shifts = tuple(Shift(one.label, one.estimate, one.estimate + 1, 2.5) for one in first.coefficients)
    both = dataclasses.replace(first, limits=count, sensitivity=Sensitivity(("P04-1",), shifts, ""))
    titles = [table.title for table in measured.measured_tables(both)]
    assert [title for title in titles if "only limits" in title] and [title for title in titles if "in doubt" in title]
    assert measured.limit_rows(both).rows[0][1:] == ("2", "yes, as limits")
    assert measured.sensitivity_table(both).rows[0][3] == "2.5"


def test_readings_say_what_counts():
    one = Readings("nozzle_temperature", "°C", 20, 24, 0.87, -5.6, 0.001, False, 0.4)
    assert reading_rows([one]).rows == (("nozzle temperature", "20 of 24", "0.870", "−5.60 °C", "setpoints", "n/a"),)


def test_the_gravest_verdicts_come_first_in_every_table_and_are_named_at_the_end():
    said = [
        Verdict("unequal coupon counts", "c", "nothing to do"), Verdict("lack of fit", "c", "n", "warp"),
        Verdict("failed prints", "c", "n"), Verdict("coupon out of line", "c", "settle this first", "z_strength"),
        Verdict("lack of fit", "c", "n", "z_strength"),
    ]  # fmt: skip
    assert [row[0] for row in rows.verdict_table(said).rows] == [
        "coupon out of line", "lack of fit", "lack of fit", "failed prints", "unequal coupon counts",
    ]  # fmt: skip
    (line,) = screens.settle_first(said)
    assert line.endswith(": coupon out of line (z strength); lack of fit (warp, z strength).")
    assert screens.settle_first(said[:1]) == ()


def test_beyond_six_grave_verdicts_the_rest_is_counted():
    names = ("lack of fit", "curvature", "rounds differ", "one load decides", "drift with run order", "scatter not normal",
             "no factor stands out", "values in doubt")  # fmt: skip
    (line,) = screens.settle_first(Verdict(name, "c", "n") for name in names)
    assert ": values in doubt (the study); lack of fit (the study)" in line and line.endswith("; and 2 more.")
