import datetime

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from doe.errors import InputRefused
from doe.files import Folder
from doe.study.read import parse_study, read_study, templates_path
from tests.study.studies import WHOLE, changed

NOZZLE = "factors[1] 'nozzle_temperature'"
DRYING = "factors[3] 'drying_time'"
SURFACE = "factors[4] 'bed_surface'"
STRENGTH = "responses[1] 'z_strength'"
GRADE = "responses[2] 'bed_grade'"
SEAL = "responses[3] 'seal'"
GRADES = 'grades = [0, 1, 2, 3, 4, 5]\nper = "print"\nat_least = 4'


def refused(text):
    with pytest.raises(InputRefused, match=r"study\.toml") as caught:
        parse_study(text)
    assert caught.value.problems
    return caught.value.problems


def test_the_whole_study_is_read():
    study = parse_study(WHOLE)
    assert study.header.id == "pa12cf-clip"
    assert [factor.name for factor in study.factors] == [
        "nozzle_temperature",
        "bed_temperature",
        "drying_time",
        "bed_surface",
    ]
    assert study.factors[0].low == 255.0
    assert isinstance(study.factors[0].low, float)
    assert [factor.name for factor in study.load_factors] == ["drying_time"]
    assert study.instruments[0].due == datetime.date(2027, 3, 31)
    assert study.printers[0].checks[0].actual == (244.1, 258.6, 273.5)


def test_absent_keys_take_their_defaults():
    text = changed("confidence = 0.95\nconformance = 0.90\n", "", changed('[model]\nterms = "quadratic"\n', ""))
    study = parse_study(text)
    assert (study.header.confidence, study.header.conformance, study.model.terms) == (0.95, 0.90, "quadratic")


def test_terms_may_be_a_list():
    text = changed('"quadratic"', '["intercept", "nozzle_temperature^2 * drying_time", "bed_surface * drying_time"]')
    assert len(parse_study(text).model.terms) == 3


# fmt: off
# One wrong value each: passage, what is put there, then what where, found, allowed and remedy must hold.
WRONG = {
    # keys and tables
    "unknown key": ("increment = 1\nchange", "incremet = 1\nchange", f"study.toml, {NOZZLE}, key 'incremet' (line 14)",
                    "not known", "'increment'", "did you mean 'increment'?"),
    "unknown key, nothing alike": ("spools = 2", "spools = 2\nzzz = 1", "[oven], key 'zzz'", "not known", "'spools'",
                                   "remove it"),
    "two dryers as a key": ("spools = 2", "spools = 2\ndryers = 2", "[oven], key 'dryers'", "not known", "a study has one [oven]",
                            "count each filling of either as a load of its own"),
    "two dryers as a table": ("[oven]", "[[dryers]]\nspools = 2\n[oven]", "key 'dryers'", "not known", "one [oven]",
                              "'doe help when-not'"),
    "two ovens": ("[oven]", "[[oven]]\nspools = 1\n[[oven]]", "[oven]", "a list", "one table", 'change = "load"'),
    "unknown table": ("[budget]", "[bugdet]", "key 'bugdet'", "not known", "'budget'", "did you mean 'budget'?"),
    "field name of the model": ("[oven]", "[header]\n[oven]", "key 'header'", "not known", "'study'", "remove it"),
    "missing key": ('id = "pa12cf-clip"\n', "", "[study], key 'id' (line 1)", "missing", "required", 'id = "'),
    "missing name": ('name = "drying_time"\n', "", "factors[3], key 'name' (line 25)", "missing", "required",
                     "add name"),
    "one pair of brackets": ("[[instruments]]", "[instruments]", "[[instruments]]", "a table", "a list of tables",
                             "[[instruments]]"),
    "two pairs of brackets": ("[oven]", "[[oven]]", "[oven]", "a list", "one table", "[oven]"),
    # types
    "number in quotes": ("low = 255", 'low = "255"', f"{NOZZLE}, key 'low'", "'255', which is text", "a number",
                         "without quotes: 255"),
    "decimal comma in quotes": ("low = 255", 'low = "255,5"', f"{NOZZLE}, key 'low'", "'255,5'", "a number", "2.5"),
    "boolean as number": ("low = 255", "low = true", f"{NOZZLE}, key 'low'", "true", "a number", "write a number"),
    "no finite number": ("low = 255", "low = nan", f"{NOZZLE}, key 'low'", "nan", "finite", "write a number"),
    "huge number": ("low = 255", "low = 1" + "0" * 400, f"{NOZZLE}, key 'low'", "very large", "a machine can hold",
                    "smaller"),
    "number as text": ('fan = "off"', "fan = 0", "[conditions], key 'fan'", "found 0", "text", 'fan = "0"'),
    "date as text": ('title = "Clip for the door frame"', "title = 2027-03-31", "key 'title'", "2027-03-31", "text",
                     "quotes"),
    "text as date": ("due = 2027-03-31", 'due = "2027-03-31"', "instruments[1] 'TC-03', key 'due'", "text", "a date",
                     "without quotes"),
    "date and time": ("due = 2027-03-31", "due = 2027-03-31T08:00:00", "key 'due'", "2027-03-31T08:00:00", "a date",
                      "time"),
    "fraction of coupons": ("coupons = 5", "coupons = 5.5", f"{STRENGTH}, key 'coupons'", "5.5", "a whole number",
                            "for example 5"),
    "text as list": ('levels = ["glass, glue stick", "textured sheet"]', 'levels = "glass"', f"{SURFACE}, key 'levels'",
                     "'glass'",
                     "a list", "levels = [...]"),
    "number in a list of text": ('"textured sheet"]', "3]", f"{SURFACE}, key 'levels', entry 2", "found 3", "text",
                                 "quotes"),
    "one limit": ("[0, 300]", "[0]", "printers[1] 'A', limits, key 'nozzle_temperature', entry 2", "too short",
                  "two numbers",
                  "[low, high]"),
    "three limits": ("[0, 300]", "[0, 1, 300]", "limits, key 'nozzle_temperature'", "3 entries", "at most 2", "remove"),
    "limits without braces": ("limits = { nozzle_temperature = [0, 300] }", "limits = 300",
                              "printers[1] 'A', key 'limits'", "300",
                              "a table", "keys and values"),
    "no boolean": ('family = "PA-CF"', 'family = "PA-CF"\nsimulated = 1', "key 'simulated'", "found 1", "true or false",
                   "lower case"),
    # values
    "unknown choice": ('kind = "measured"', 'kind = "measure"', f"{STRENGTH}, key 'kind'", "'measure'", "'graded'",
                       "did you mean 'measured'?"),
    "unknown model": ('"quadratic"', '"cubic"', "[model], key 'terms' (line 63)", "'cubic'",
                      "'main', 'interactions', 'quadratic' or a list",
                      "choose one"),
    "name with capitals": ('"drying_time"', '"Drying time"', "key 'name'", "'Drying time'", "lower-case",
                           "'drying_time'"),
    "identifier with space": ('"pa12cf-clip"', '"my clip"', "[study], key 'id'", "'my clip'", "hyphens", "write it so"),
    "control character": ('"off"', '"off\\u0007"', "[conditions], key 'fan'", "x07", "control characters",
                          "write it so"),
    "empty text": ('"Clip for the door frame"', '" "', "[study], key 'title'", "empty", "cannot be empty",
                   "write something"),
    "long text": ('"off"', f'"{"o" * 501}"', "[conditions], key 'fan'", "501 characters", "at most 500", "shorten"),
    "confidence too high": ("confidence = 0.95", "confidence = 95", "[study], key 'confidence'", "95",
                            "at or below 0.999", "range"),
    "negative increment": ("increment = 0.5", "increment = -0.5", f"{DRYING}, key 'increment'", "-0.5", "above 0",
                           "range"),
    "no coupons": ("coupons = 5", "coupons = 0", f"{STRENGTH}, key 'coupons'", "0", "at or above 1", "range"),
    # family
    "unknown family": ('"PA-CF"', '"PACF"', "[study], key 'family'", "cautions", "'ABS', 'ASA', 'PA-CF',",
                       "did you mean 'PA-CF'?"),
    "family like none": ('"PA-CF"', '"zirconia"', "[study], key 'family'", "'zirconia'", "'other'", "other"),
    # factors
    "no unit": ('unit = "h"\n', "", f"{DRYING}, key 'unit' (line 25)", "missing", "needs a unit",
                'unit = "degC", or unit = "1"'),
    "no low": ("low = 255\n", "", f"{NOZZLE}, key 'low'", "missing", "low and high, or else levels", "add low"),
    "no high": ("high = 285\n", "", f"{NOZZLE}, key 'high'", "missing", "low and high, or else levels", "add high"),
    "low above high": ("low = 255", "low = 290", f"{NOZZLE}, key 'low' (line 12)", "low = 290 and high = 285", "below",
                       "swap"),
    "infinite range": ("low = 2\nhigh = 10", "low = -1.7e308\nhigh = 1.7e308", f"{DRYING}, key 'high'", "1.7e+308",
                       "finite", "can be set"),
    "levels beside low": ('change = "print"\n\n[[responses]]', 'low = 1\n\n[[responses]]', f"{SURFACE}",
                          "levels beside low", "either",
                          "remove"),
    "levels beside spread": ('change = "print"\n\n[[responses]]', 'setpoint_sd = 1\n\n[[responses]]', f"{SURFACE}",
                             "levels beside setpoint_sd", "either", "remove"),
    "one level": ('["glass, glue stick", "textured sheet"]', '["glass"]', f"{SURFACE}, key 'levels'", "1 level",
                  "at least two",
                  "[conditions]"),
    "equal levels": ('["glass, glue stick", "textured sheet"]', '["glass", "glass "]', f"{SURFACE}, key 'levels'",
                     "'glass'", "differ",
                     "rename"),
    "no increment": ("increment = 0.5\n", "", f"{DRYING}, key 'increment'", "missing", "finest step", "increment = 1"),
    "increment above range": ("increment = 0.5", "increment = 9", f"{DRYING}, key 'increment'", "range of 8", "fit",
                              "finer"),
    "tiny increment": ("increment = 0.5", "increment = 1e-9", f"{DRYING}, key 'increment'", "1e-09",
                       "at most 1000000 steps", "really"),
    "uneven steps": ("increment = 0.5", "increment = 3", f"{DRYING}, key 'increment'", "2.66667 steps", "whole number",
                     "set high = 11"),
    "spread beyond range": ("setpoint_sd = 2.0", "setpoint_sd = 15", f"{NOZZLE}, key 'setpoint_sd'", "15",
                            "half of the range, 15",
                            "widen"),
    "same name twice": ('name = "bed_surface"', 'name = "drying_time"', "factors[4] 'drying_time', key 'name'",
                        "already the name of factors[3]", "name of its own", "rename"),
    "factor and response alike": ('name = "seal"', 'name = "drying_time"', "responses[3] 'drying_time', key 'name'",
                                  "factors[3]", "name of its own", "rename"),
    "reserved name": ('name = "seal"', 'name = "outcome"', "responses[3] 'outcome', key 'name'", "meaning of its own",
                      "any other",
                      "'outcome_value'"),
    # responses
    "measured without unit": ('unit = "MPa"\n', "", f"{STRENGTH}, key 'unit'", "missing", "needs a unit",
                              'unit = "MPa"'),
    "no requirement": ("at_least = 27.0\n", "", f"{STRENGTH}, key 'at_least'", "neither", "needs a requirement",
                       "at_most"),
    "graded without requirement": (GRADES, GRADES[: GRADES.index("\nat_least")], f"{GRADE}, key 'at_least'", "neither",
                                   "needs a requirement", "add at_least"),
    "requirements crossed": ("at_least = 27.0", "at_least = 27.0\nat_most = 20", f"{STRENGTH}, key 'at_least'",
                             "at_most = 20", "below",
                             "swap"),
    "no grades": ("grades = [0, 1, 2, 3, 4, 5]\n", "", f"{GRADE}, key 'grades'", "missing", "needs its grades",
                  "grades = ["),
    "grades out of order": ("[0, 1, 2, 3, 4, 5]", "[5, 4]", f"{GRADE}, key 'grades'", "[5, 4]", "ascending",
                            "worst to best"),
    "one grade": ("[0, 1, 2, 3, 4, 5]", "[4]", f"{GRADE}, key 'grades'", "[4]", "two or more", "worst to best"),
    "no such grade": ("at_least = 4", "at_least = 3.5", f"{GRADE}, key 'at_least'", "3.5", "[0, 1, 2, 3, 4, 5]",
                      "choose"),
    "grades where measured": ('transform = "none"', "grades = [0, 1]", f"{STRENGTH}, key 'grades'", "measured",
                              '"graded"', "remove"),
    "pass-fail with a number": ('kind = "pass_fail"', 'kind = "pass_fail"\nat_least = 2', f"{SEAL}, key 'at_least'",
                                "2", "to pass",
                                "remove at_least"),
    "pass-fail with at_most": ('kind = "pass_fail"', 'kind = "pass_fail"\nat_most = 1', f"{SEAL}, key 'at_most'", "1",
                               "to pass",
                               "remove at_most"),
    "mean of grades": ("grades = [", 'requirement_on = "print mean"\ngrades = [', f"{GRADE}, key 'requirement_on'",
                       "graded",
                       "only measured", "remove"),
    "coupons per print": (GRADES, GRADES + "\ncoupons = 3", f"{GRADE}, key 'coupons'", "3 coupons", "one value a print",
                          "remove coupons"),
    "formula per print": ('per = "coupon"\ncoupons = 5', 'per = "print"', f"{STRENGTH}, key 'formula'", "per print",
                          "per coupon",
                          "remove formula"),
    "formula in other unit": ('unit = "MPa"', 'unit = "N"', f"{STRENGTH}, key 'formula'", "unit N", "MPa",
                              "remove formula"),
    "log of grades": ("grades = [", 'transform = "log"\ngrades = [', f"{GRADE}, key 'transform'", "graded",
                      "only measured", "remove"),
    "log of a limit at zero": ('at_least = 27.0\nrequirement_on = "coupon"\ntransform = "none"',
                               'at_least = 0\ntransform = "log"',
                               f"{STRENGTH}, key 'at_least'", "log", "above 0", "remove transform"),
    # model
    "no terms": ('"quadratic"', "[]", "[model], key 'terms'", "empty", "at least one", '"main"'),
    "unknown factor in a term": ('"quadratic"', '["drying_time", "drying_tim^2"]', "[model], key 'terms', entry 2",
                                 "'drying_tim'",
                                 "'bed_surface'", "did you mean 'drying_time'?"),
    "term that is none": ('"quadratic"', '["drying_time + bed_surface"]', "key 'terms', entry 1",
                          "'drying_time + bed_surface'",
                          "a power or a product", "a * b"),
    "power of levels": ('"quadratic"', '["bed_surface^2"]', "key 'terms', entry 1", "power of 'bed_surface'", "once",
                        "without a power"),
    "fourth power": ('"quadratic"', '["drying_time^4"]', "key 'terms', entry 1", "power 4", "up to 3", "lower"),
    # printers
    "printer twice": ('name = "B"', 'name = "A"', "printers[2] 'A', key 'name'", "printers[1]", "name of its own",
                      "rename"),
    "limit of no factor": ("bed_temperature = [0, 100]", "bed_temp = [0, 100]",
                           "printers[2] 'B', limits, key 'bed_temp'",
                           "no factor is named 'bed_temp'", "'bed_temperature'", "did you mean 'bed_temperature'?"),
    "limit of levels": ("bed_temperature = [0, 100]", "bed_surface = [0, 100]", "limits, key 'bed_surface'", "levels",
                        "low and high",
                        "remove"),
    "checks that fall": ("actual = [244.1, 258.6, 273.5]", "actual = [273.5, 258.6, 244.1]", "printers[1] 'A', key 'checks'",
                         "give no line from set to actual", "rise with the setpoint", "wrong order"),
    "limits crossed": ("[0, 300]", "[300, 0]", "limits, key 'nozzle_temperature'", "[300, 0]", "below the upper",
                       "swap"),
    "range beyond limits": ("[0, 290]", "[0, 280]", "printers[2] 'B', limits, key 'nozzle_temperature'",
                            "runs from 255 to 285",
                            "every printer", "narrow the range"),
    "check of no factor": ('factor = "nozzle_temperature"', 'factor = "nozzle"',
                           "printers[1] 'A', checks[1] 'nozzle', key 'factor'",
                           "'nozzle'", "'nozzle_temperature'", "name one of these"),
    "check with a gap": ("[244.1, 258.6, 273.5]", "[244.1, 258.6]", "checks[1] 'nozzle_temperature', key 'actual'",
                         "3 set and 2 actual", "both", "complete"),
    "empty check": ("set = [250, 265, 280]\nactual = [244.1, 258.6, 273.5]", "set = []\nactual = []", "key 'actual'",
                    "0 set",
                    "at least one", "complete"),
    "check with unknown instrument": ('instrument = "TC-03"', 'instrument = "TC-3"', "key 'instrument'", "'TC-3'",
                                      "'TC-03'",
                                      "did you mean 'TC-03'?"),
    "instrument twice": ("[oven]", '[[instruments]]\nid = "TC-03"\nkind = "other"\n[oven]',
                         "instruments[2] 'TC-03', key 'id'",
                         "instruments[1]", "an id of its own", "rename"),
    # constraints and budget
    "constraint on no factor": ("coef = { nozzle_temperature = 1.0, bed_temperature",
                                "coef = { nozzle_temperature = 1.0, heat",
                                "constraints[1], coef, key 'heat'", "'heat'", "'bed_temperature'", "add the factor"),
    "constraint on levels": ("coef = { nozzle_temperature = 1.0, bed_temperature",
                             "coef = { nozzle_temperature = 1.0, bed_surface",
                             "constraints[1], coef, key 'bed_surface'", "levels", "low and high", "remove"),
    "constraint on nothing": ("coef = { nozzle_temperature = 1.0, bed_temperature = 1.0 }", "coef = {}",
                              "constraints[1], key 'coef'",
                              "no factor", "at least one", "write coef"),
    "constraint that leaves nothing": ("limit = 360", "limit = 314", "constraints[1], key 'limit'", "never below 315",
                                       "at or below 314", "raise the limit"),
    "constraint beyond numbers": ("{ nozzle_temperature = 1.0, bed", "{ nozzle_temperature = 1e307, bed",
                                  "constraints[1], key 'coef'",
                                  "too large", "finite", "divide"),
    "constraints that exclude each other": (
        "limit = 360",
        "limit = 330\n[[constraints]]\ncoef = { nozzle_temperature = -1, bed_temperature = -1 }\nlimit = -331",
        "[[constraints]]", "together", "at least one setting", "relax"),
    "more loads than prints": ("loads = 6", "loads = 31", "[budget], key 'loads'", "31 loads and 30 prints",
                               "at least one print",
                               "lower loads"),
    # cost and calendar
    "drying time beside the factor": ("spools = 2", "spools = 2\ndrying_time = 6", "[oven], key 'drying_time'",
                                      "found 6 here, and the factor 'drying_time'", "one of the two", "remove"),
    "endless drying": ("spools = 2", "spools = 2\ndrying_time = inf", "[oven], key 'drying_time'", "inf", "finite",
                       "write a number"),
    "warm-up before it began": ("spools = 2", "spools = 2\nwarm_up_minutes = -5", "[oven], key 'warm_up_minutes'", "-5",
                                "at or above 0", "range"),
    "no time out of the dryer": ("spools = 2", "spools = 2\nout_hours = 0", "[oven], key 'out_hours'", "0", "above 0",
                                 "range"),
    "timer that is no switch": ("spools = 2", "spools = 2\ndelayed_start = 1", "[oven], key 'delayed_start'", "found 1",
                                "true or false", "lower case"),
    "key of the oven misspelt": ("spools = 2", "spools = 2\nwarmup_minutes = 5", "[oven], key 'warmup_minutes'",
                                 "not known", "'warm_up_minutes'", "did you mean 'warm_up_minutes'?"),
    "key of the budget misspelt": ("loads = 6", "loads = 6\nprint_minuts = 90", "[budget], key 'print_minuts'",
                                   "not known", "'coupon_minutes'", "did you mean 'print_minutes'?"),
    "prints in no time": ("loads = 6", "loads = 6\nprint_minutes = 0", "[budget], key 'print_minutes'", "0", "above 0",
                          "range"),
    "prints of a month": ("loads = 6", "loads = 6\nprint_minutes = 43200", "[budget], key 'print_minutes'", "43200",
                          "at or below 20160", "range"),
    "print longer than the shift": ("loads = 6", "loads = 6\nprint_minutes = 500", "[budget], key 'print_minutes'",
                                    "takes 500 minutes and the shift has 480", "end in the shift",
                                    "overnight_prints = true"),
    "shift shorter than a print": ("loads = 6", "loads = 6\nhours_per_day = 2", "[budget], key 'hours_per_day'",
                                   "takes 150 minutes and the shift has 120", "end in the shift", "lengthen the shift"),
    "contingency in per cent": ("loads = 6", "loads = 6\ncontingency = 15", "[budget], key 'contingency'", "15",
                                "at or below 1", "range"),
    "day of 25 hours": ("loads = 6", "loads = 6\nhours_per_day = 25", "[budget], key 'hours_per_day'", "25",
                        "at or below 24", "range"),
    "hour that no clock shows": ("loads = 6", "loads = 6\nshift_starts = 24", "[budget], key 'shift_starts'", "24",
                                 "below 24", "range"),
    "start as text": ("loads = 6", 'loads = 6\nstart = "2026-03-02"', "[budget], key 'start'", "text", "a date",
                      "without quotes"),
    "start in another age": ("loads = 6", "loads = 6\nstart = 0206-03-02", "[budget], key 'start'", "0206-03-02",
                             "2000 to 2099", "2027-03-31"),
    "negative tests": ("loads = 6", "loads = 6\ncoupon_minutes = -1", "[budget], key 'coupon_minutes'", "-1",
                       "at or above 0", "range"),
    "prints of nothing": ("loads = 6", "loads = 6\ngrams_per_print = nan", "[budget], key 'grams_per_print'", "nan",
                          "finite", "write a number"),
}
# fmt: on


@pytest.mark.parametrize("case", WRONG.values(), ids=WRONG.keys())
def test_each_rule_says_where_what_and_how(case):
    old, new, where, found, allowed, remedy = case
    problems = refused(changed(old, new))
    assert len(problems) == 1, [str(problem) for problem in problems]
    problem = problems[0]
    assert problem.where.startswith("study.toml, ")
    assert where in problem.where
    assert found in problem.found
    assert allowed in problem.allowed
    assert remedy in problem.remedy


def test_keys_of_cost_and_calendar_are_read():
    text = changed("spools = 2", "spools = 2\nwarm_up_minutes = 20\nout_hours = 4\ndelayed_start = true")
    text = changed("loads = 6", "loads = 6\nprint_minutes = 600\novernight_prints = true\nstart = 2026-03-02", text)
    study = parse_study(text)
    assert (study.oven.warm_up_minutes, study.oven.out_hours, study.oven.delayed_start) == (20, 4, True)
    assert (study.budget.print_minutes, study.budget.start) == (600, datetime.date(2026, 3, 2))
    plain = parse_study(WHOLE)
    assert (plain.oven.drying_time, plain.oven.delayed_start, plain.budget.overnight_prints) == (None, False, False)
    assert (plain.budget.print_minutes, plain.budget.contingency, plain.budget.start) == (150, 0.15, None)


def test_the_oven_may_say_the_drying_time_where_no_factor_does():
    other = WHOLE.replace("drying_time", "soak").replace('name = "soak"\nunit = "h"', 'name = "soak"\nunit = "1"')
    text = changed("spools = 2", "spools = 2\ndrying_time = 6", other)
    assert parse_study(text).oven.drying_time == 6


def test_a_shift_is_not_judged_by_a_value_that_is_wrong_itself():
    text = changed("loads = 6", 'loads = 6\nhours_per_day = 2\nprint_minutes = "90"')
    assert [problem.where.split(", ", 1)[1].split(" (")[0] for problem in refused(text)] == [
        "[budget], key 'print_minutes'"
    ]


def test_touching_constraints_leave_an_edge():
    text = changed(
        "limit = 360",
        "limit = 330\n[[constraints]]\ncoef = { nozzle_temperature = -1, bed_temperature = -1 }\nlimit = -330",
    )
    assert len(parse_study(text).constraints) == 2


def test_every_problem_is_listed_in_the_order_of_the_file():
    text = changed("low = 255", "low = 290")
    text = changed('unit = "h"\n', "", text)
    text = changed('name = "bed_temperature"', 'name = "Bed Temperature"', text)
    text = changed("low = 60", "low = 90", text)
    text = changed("coupons = 5", 'coupons = "5"', text)
    text = changed("at_least = 4", "at_least = 7", text)
    text = changed("[0, 290]", "[290, 0]", text)
    text = changed("prints = 30", "print = 30", text)
    keys = [problem.where.split(", ", 1)[1].split(" (")[0] for problem in refused(text)]
    assert keys == [
        f"{NOZZLE}, key 'low'",
        "factors[2] 'Bed Temperature', key 'name'",
        "factors[2] 'Bed Temperature', key 'low'",
        f"{DRYING}, key 'unit'",
        f"{STRENGTH}, key 'coupons'",
        f"{GRADE}, key 'at_least'",
        "printers[2] 'B', limits, key 'nozzle_temperature'",
        "[budget], key 'print'",
    ]


def test_missing_tables_are_named():
    problems = refused("[model]\nterms = 'main'\n")
    assert sorted(problem.where for problem in problems) == [
        "study.toml, [[factors]]",
        "study.toml, [[responses]]",
        "study.toml, [study]",
    ]


def test_a_misspelt_table_is_one_problem():
    assert len(refused(WHOLE.replace("[[responses]]", "[[response]]"))) == 1


def test_no_line_is_better_than_a_wrong_line():
    problems = refused(changed("low = 255", "low = 290", changed('"Clip for the door frame"', '"""Clip"""')))
    assert problems[0].where == f"study.toml, {NOZZLE}, key 'low'"


# fmt: off
SYNTAX = {
    "decimal comma": ("low = 255", "low = 255,5", 12, "follows the value", "a point in decimals"),
    "word without quotes": ('fan = "off"', "fan = off", 66, "no value", "put text in quotes"),
    "no equals sign": ("low = 255", "low 255", 12, "an equals sign is missing", "key = value"),
    "key twice": ("low = 255", "low = 255\nlow = 256", 13, "there twice", "keep one"),
    "table twice": ("[oven]", "[model]\n[oven]", 94, "there twice", "keep one"),
    "heading not closed": ("[oven]", "[oven", 94, "heading is not closed", "[study]"),
    "text not closed": ('fan = "off"', 'fan = "off', 66, "not closed", "quote"),
    "backslash": ('fan = "off"', 'fan = "C:\\dir"', 66, "backslash", "single quotes"),
    "space in a key": ("low = 255", "low est = 255", 12, "an equals sign is missing", "no spaces"),
    "comma missing in a list": ("[250, 265, 280]", "[250 265, 280]", 77, "comma is missing", "commas"),
    "comma missing in a table": ("[0, 290], bed", "[0, 290] bed", 83, "comma is missing", "commas"),
    "umlaut in a key": ("low = 255", "löw = 255", 12, "an equals sign is missing", "key = value"),
}
# fmt: on


@pytest.mark.parametrize("case", SYNTAX.values(), ids=SYNTAX.keys())
def test_syntax_errors_name_line_and_column(case):
    old, new, line, found, remedy = case
    (problem,) = refused(changed(old, new))
    assert problem.where.startswith(f"study.toml, line {line}, column ")
    assert found in problem.found
    assert "TOML" in problem.allowed
    assert remedy in problem.remedy


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("", "empty"),
        ("# nothing but words\n", "empty"),
        ("a = " + "[" * 5000, "nested too deeply"),
        (".".join("a" * 5000) + " = 1", "nested too deeply"),
        ("a = " + "1" * 5000, "thousands of digits"),
        ("a = [1,\n2,", "ends in the middle"),
        ('a = """x', "a text is not closed"),
        ("a = '''x", "a text is not closed"),
    ],
)
def test_texts_that_are_no_study(text, found):
    (problem,) = refused(text)
    assert found in problem.found


def test_reads_the_file_and_returns_its_bytes(tmp_path):
    content = b"\xef\xbb\xbf" + WHOLE.replace("\n", "\r\n").encode()
    (tmp_path / "study.toml").write_bytes(content)
    study, read = read_study(Folder(tmp_path))
    assert study == parse_study(WHOLE)
    assert read == content


@pytest.mark.parametrize(
    ("content", "where", "found"),
    [
        (WHOLE.replace("door", "dör").encode("latin-1"), "study.toml, line 3", "not UTF-8"),
        (WHOLE.encode("utf-16"), "study.toml, line 1", "not UTF-8"),
        (WHOLE.encode() + b"#" * 1_000_000, "study.toml", "bytes"),
        (b"", "study.toml", "empty"),
    ],
    ids=["latin-1", "utf-16", "too large", "empty"],
)
def test_files_that_are_no_study(tmp_path, content, where, found):
    (tmp_path / "study.toml").write_bytes(content)
    with pytest.raises(InputRefused, match=found) as caught:
        read_study(Folder(tmp_path))
    assert caught.value.problems[0].where == where


def test_a_missing_file_is_refused(tmp_path):
    with pytest.raises(InputRefused, match="no such file"):
        read_study(Folder(tmp_path))


def test_templates_are_found():
    assert (templates_path() / "materials" / "general.toml").is_file()


# fmt: off
VALUES = st.sampled_from([
    "true", "0", "-1", "1", "2.5", "nan", "inf", "1e308", "-1e308", "5e-324", "0x" + "f" * 300, '""', '"a"', '"1"',
    "'''a\nb'''", '"\\u0000"',
    "[]", "[1]", "[[]]", '["a", "a"]', "[1, 2]", "[-1e308, 1e308]", "{}", "{ a = 1 }", "{ nozzle_temperature = 1e308 }",
    "[{}]",
    '[{ name = "a" }]', "2027-03-31", "08:00:00", "2027-03-31T08:00:00Z", '"nozzle_temperature^99 * * 2"',
    '["drying_time ^ 3"]',
])
# fmt: on
LINES = WHOLE.splitlines()
CHANGES = st.tuples(
    st.integers(0, len(LINES) - 1), st.one_of(st.just("drop"), st.just("repeat"), st.just("misspell"), VALUES)
)


def mutated(changes):
    lines = list(LINES)
    for number, change in changes:
        line = lines[number]
        if change == "drop":
            lines[number] = ""
        elif change == "repeat":
            lines[number] = f"{line}\n{line}"
        elif change == "misspell":
            lines[number] = line[1:]
        elif " = " in line:
            lines[number] = f"{line.split(' = ')[0]} = {change}"
    return "\n".join(lines)


# Words of the libraries below, which a reader must never meet.
FOREIGN = ("Input should", "Extra inputs", "Field required", "validation error", "(at line", "pydantic", "Traceback")


@given(st.lists(CHANGES, min_size=1, max_size=4))
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_damaged_studies_are_read_or_refused(changes):
    problems = ()
    try:
        parse_study(mutated(changes))
    except InputRefused as refusal:
        problems = refusal.problems
    for problem in problems:
        assert not [word for word in FOREIGN if word in f"{problem.found} {problem.allowed} {problem.remedy}"]


@given(st.text(max_size=60))
@settings(max_examples=100, deadline=None)
def test_any_text_is_read_or_refused(text):
    with pytest.raises(InputRefused, match=r"study\.toml"):
        parse_study(text)
