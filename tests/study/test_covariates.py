"""Covariates in the study file, in amendments, and what was declared before the data."""

import json

import pytest

from doe.errors import InputRefused
from doe.study.amend import (
    check_amendment,
    declared_before_data,
    definitions,
    locked_protocol,
    protocol,
    require_unchanged,
)
from doe.study.read import parse_study
from doe.study.spec import Study
from tests.study.studies import WHOLE, changed

HOURS = '[[covariates]]\nname = "hours_out"\nunit = "h"\nmethod = "From the dryer to the start of the print"\n'
AGE = '[[covariates]]\nname = "spool_age"\nunit = "d"\nper = "load"\nfit = false\n'
DAY = '[[covariates]]\nname = "tested_on"\nkind = "date"\n'


def with_covariates(*tables):
    return parse_study("\n".join((WHOLE, *tables)))


def problems(*tables, text=WHOLE):
    with pytest.raises(InputRefused, match=r"study\.toml") as caught:
        parse_study("\n".join((text, *tables)))
    return caught.value.problems


def test_covariates_are_read_with_their_defaults():
    hours, age, day = with_covariates(HOURS, AGE, DAY).covariates
    assert (hours.kind, hours.per, hours.fit, hours.display_unit) == ("number", "print", True, "h")
    assert (age.per, age.fit, age.method) == ("load", False, None)
    assert (day.kind, day.display_unit) == ("date", "days")


@pytest.mark.parametrize(
    ("table", "where", "found"),
    [
        ('name = "hours_out"', "covariates[1] 'hours_out', key 'unit'", "the key is missing"),
        (
            'name = "tested_on"\nkind = "date"\nunit = "d"',
            "covariates[1] 'tested_on', key 'unit'",
            "beside kind = 'date'",
        ),
        (
            'name = "z_strength"\nunit = "h"',
            "covariates[1] 'z_strength', key 'name'",
            "already the name of responses[1]",
        ),
        ('name = "operator"\nunit = "h"', "covariates[1] 'operator', key 'name'", "a meaning of its own"),
        ('name = "age"\nunit = "h"\nper = "coupon"', "covariates[1] 'age', key 'per'", "found 'coupon'"),
        ('name = "age"\nunit = "h"\nfit = "yes"', "covariates[1] 'age', key 'fit'", "found 'yes'"),
        ('name = "age"\nunits = "h"', "covariates[1] 'age', key 'units'", "the key is not known"),
        ('unit = "h"', "covariates[1], key 'name'", "the key is missing"),
        ('name = "Age of it"\nunit = "h"', "covariates[1] 'Age of it', key 'name'", "found 'Age of it'"),
    ],
)
def test_every_mistake_is_refused_at_its_key(table, where, found):
    problem = problems(f"[[covariates]]\n{table}")[0]
    assert where in problem.where and found in problem.found


def test_all_problems_are_told_at_once():
    found = problems('[[covariates]]\nname = "a"', '[[covariates]]\nname = "a"\nunit = "h"')
    assert ["key 'unit'" in one.where or "key 'name'" in one.where for one in found] == [True, True]


def test_a_single_bracket_is_explained():
    assert "[[covariates]]" in problems('[covariates]\nname = "a"')[0].remedy


def test_a_covariate_per_load_needs_loads():
    by_print = WHOLE.replace("drying_time", "soak_time")  # what a print does; drying is never set from print to print
    without = changed("loads = 6\n", "", changed('increment = 0.5\nchange = "load"', "increment = 0.5", by_print))
    (problem,) = problems(AGE, text=without)
    assert "key 'per'" in problem.where and "without drying loads" in problem.found
    budgeted = changed('change = "load"', "", by_print)
    assert parse_study(f"{budgeted}\n{AGE}").covariates[0].per == "load"  # the budget has loads


def test_definitions_of_sheets_are_what_they_were():
    assert definitions(with_covariates(HOURS)) == definitions(parse_study(WHOLE))


# Amendments


def test_an_older_lock_does_not_know_covariates_and_nothing_changed():
    locked = protocol(parse_study(WHOLE))
    del locked["covariates"]
    log = [{"command": "plan", "detail": {"protocol": locked}}]
    assert locked_protocol(log)["covariates"] == []
    require_unchanged(parse_study(WHOLE), log)


def test_an_added_covariate_is_a_change():
    log = [{"command": "plan", "detail": {"protocol": protocol(parse_study(WHOLE))}}]
    with pytest.raises(InputRefused, match="covariates 'hours_out'"):
        require_unchanged(with_covariates(HOURS), log)


def judged(before, after, *, has_sheets=True, only_pilot=False):
    return check_amendment(before, after, has_plan=True, has_sheets=has_sheets, only_pilot=only_pilot)


def test_before_sheets_covariates_may_change_and_the_plan_stands():
    assert judged(with_covariates(HOURS), with_covariates(AGE), has_sheets=False) == ()


def test_after_sheets_a_covariate_may_be_added_and_that_is_told():
    (verdict,) = judged(parse_study(WHOLE), with_covariates(HOURS))
    assert verdict.name == "covariate declared after sheets were written" and verdict.about == "hours_out"


def test_after_sheets_fitting_may_be_changed_and_that_is_told():
    fitted = changed("fit = false", "fit = true", AGE)
    assert [one.name for one in judged(with_covariates(AGE), with_covariates(fitted))] == [
        "covariate declared after sheets were written"
    ]
    (verdict,) = judged(with_covariates(fitted), with_covariates(AGE))
    assert verdict.name == "declaration changed after sheets were written" and "only checked now" in verdict.cause


@pytest.mark.parametrize("only_pilot", [False, True])
def test_after_sheets_a_covariate_stays_as_it_is_on_them(only_pilot):
    with pytest.raises(InputRefused, match="it is no longer there"):
        judged(with_covariates(HOURS), parse_study(WHOLE), only_pilot=only_pilot)
    with pytest.raises(InputRefused, match="its unit, kind, per changed"):
        judged(with_covariates(HOURS), with_covariates(changed('"h"', '"min"', HOURS)), only_pilot=only_pilot)


# What the log knows


def line(command, study=None, **detail):
    return json.loads(
        json.dumps({"command": command, "detail": {**detail, **({"protocol": protocol(study)} if study else {})}})
    )


PLAIN, DECLARED = parse_study(WHOLE), with_covariates(HOURS, AGE)


def test_without_a_sheet_all_that_are_to_be_fitted_are_declared_in_time():
    assert declared_before_data(DECLARED, []) == {"hours_out"}
    assert declared_before_data(DECLARED, [line("plan", PLAIN), line("amend", DECLARED)]) == {"hours_out"}


def test_declared_before_the_first_sheet_is_declared_before_the_data():
    log = [line("plan", PLAIN), line("amend", DECLARED), line("sheet", round=1), line("collect")]
    assert declared_before_data(DECLARED, log) == {"hours_out"}


@pytest.mark.parametrize("sheets", [1, 2])
def test_declared_after_the_first_sheet_is_late_also_between_rounds(sheets):
    rounds = [line("sheet", round=number) for number in range(1, sheets + 1)]
    log = [line("plan", PLAIN), rounds[0], line("collect"), line("amend", DECLARED), *rounds[1:]]
    assert declared_before_data(DECLARED, log) == frozenset()


def test_a_covariate_that_was_only_to_be_recorded_is_not_declared_to_be_fitted():
    fitted = with_covariates(HOURS, changed("fit = false", "fit = true", AGE))
    log = [line("plan", DECLARED), line("sheet", round=1), line("amend", fitted)]
    assert declared_before_data(fitted, log) == {"hours_out"}
    assert declared_before_data(DECLARED, [line("plan", fitted), line("sheet", round=1)]) == {"hours_out"}


def test_the_sheet_of_a_pilot_does_not_count():
    log = [line("plan", PLAIN), line("sheet", round=0), line("collect"), line("plan", DECLARED), line("sheet", round=1)]
    assert declared_before_data(DECLARED, log) == {"hours_out"}


def test_the_protocol_reads_back():
    assert Study.model_validate(json.loads(json.dumps(protocol(DECLARED)))) == DECLARED
