"""Cost and calendar: small plans worked out by hand, a search by brute force, and what must hold of every plan."""

import datetime
from itertools import pairwise

import pandas as pd
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from doe.design.effort import effort
from doe.design.schedule import schedule
from doe.design.shifts import DAY, Shifts
from doe.design.timetable import DRYING_ALONE, PRINT, PRINTING_ALONE, PUT_IN, TAKE_OUT, TEST, days, timetable
from doe.errors import InputRefused
from tests.conftest import make_study, numeric

DRYING = numeric("drying_time", 0, 100, 0.5, unit="h", change="load")
NOZZLE = numeric("nozzle_temperature", 255, 285, 1)
COUPONS = [{"name": "z_strength", "unit": "MPa", "coupons": 3, "at_least": 25.0}]
TIMER = {"delayed_start": True}
LATE, ALONE = "prints beyond the time out of the dryer", "drying ends when nobody is there"


def plan(*loads):
    """Return runs: each load is its name, its hours in the dryer and a letter per print for its printer."""
    made = [(load, hours, printer) for load, hours, on in loads for printer in on]
    numbers = range(1, len(made) + 1)
    return pd.DataFrame(
        {
            "order": numbers,
            "print": [f"P{number}" for number in numbers],
            "load": [load for load, _, _ in made],
            "printer": [printer.strip() for _, _, printer in made],
            "set.drying_time": [float(hours) for _, hours, _ in made],
        }
    )


def shop(factors=(NOZZLE, DRYING), printers="AB", responses=COUPONS, oven=None, **budget):
    """Return a study with shifts of 8 h from 08:00, prints of 90 min, tests of 10 min and 30 min of warming up."""
    return make_study(
        factors=list(factors),
        responses=responses,
        printers=[{"name": name} for name in printers],
        oven={"spools": 2, **(oven or {})},
        budget={"print_minutes": 90, "coupon_minutes": 10, **budget},
    )


def told(made, *what):
    return [
        (step.day, step.time, step.what, step.load, ",".join(step.prints), step.printer)
        for step in made.steps
        if not what or step.what in what
    ]


# Worked out by hand


def test_two_loads_on_two_printers():
    # L1 goes in at 08:00, is warm at 08:30 and dry at 12:30. P3 waits for printer A. L2 would be done at 17:00 on the
    # first day, when nobody is there, and so goes in on the second morning. Three tests of 10 min a print.
    runs = plan(("L1", 4, "ABA"), ("L2", 4, "BA"))
    made = timetable(shop(), runs)
    assert told(made) == [
        (1, "08:00", PUT_IN, "L1", "", ""),
        (1, "12:30", TAKE_OUT, "L1", "P1,P2,P3", ""),
        (1, "12:30", PRINT, "L1", "P1", "A"),
        (1, "12:30", PRINT, "L1", "P2", "B"),
        (1, "14:00", PRINT, "L1", "P3", "A"),
        (1, "14:00", TEST, "L1", "P1,P2", ""),
        (1, "15:30", TEST, "L1", "P3", ""),
        (2, "08:00", PUT_IN, "L2", "", ""),
        (2, "12:30", TAKE_OUT, "L2", "P4,P5", ""),
        (2, "12:30", PRINT, "L2", "P4", "B"),
        (2, "12:30", PRINT, "L2", "P5", "A"),
        (2, "14:00", TEST, "L2", "P4,P5", ""),
    ]
    assert made.days == days(shop(), runs) == 2
    assert (made.verdicts, made.cautions) == ((), ())
    notes = [step.note for step in made.steps]
    assert notes[:2] == ["4 h; out at 12:30", "start its prints by 20:30"]
    assert notes[4:7] == ["off at 15:30", "6 tests, done at 15:00", "3 tests, done at 16:00"]


def test_a_timer_ends_the_drying_in_the_morning():
    # 12 h and 30 min of warming up end at 08:00 if heat is on at 19:30; the spools go in when the shift ends.
    made = timetable(shop(oven={**TIMER, "temperature": 80}), plan(("L1", 12, "AB")))
    assert told(made, PUT_IN, TAKE_OUT) == [(1, "16:00", PUT_IN, "L1", "", ""), (2, "08:00", TAKE_OUT, "L1", "P1,P2", "")]
    assert made.steps[0].note == "12 h at 80 °C; out at 08:00 on day 2; timer on at 19:30"
    assert (made.cautions, made.verdicts) == ((DRYING_ALONE,), ())


@pytest.mark.parametrize(("hours", "put_in"), [(15.5, "16:00"), (16, "15:30"), (23.5, "08:00")])
def test_drying_that_fits_from_shift_to_shift_ends_when_the_next_begins(hours, put_in):
    made = timetable(shop(), plan(("L1", hours, "A")))
    assert told(made, PUT_IN, TAKE_OUT) == [(1, put_in, PUT_IN, "L1", "", ""), (2, "08:00", TAKE_OUT, "L1", "P1", "")]
    assert DRYING_ALONE in made.cautions


def test_drying_that_ends_at_night_is_named_and_keeps_its_time():
    # 12.5 h from within a shift of 8 h end from 12.5 h to 20.5 h after it begins, always between two shifts.
    made = timetable(shop(), plan(("L1", 12, "A"), ("L2", 4, "A")))
    assert told(made, PUT_IN, TAKE_OUT)[:2] == [(1, "16:00", PUT_IN, "L1", "", ""), (2, "04:30", TAKE_OUT, "L1", "P1", "")]
    (verdict,) = made.verdicts
    assert verdict.name == ALONE
    assert "L1 (12 h)" in verdict.cause and "L2" not in verdict.cause
    assert "delayed_start" in verdict.next_step
    assert "somebody must come in" in made.steps[1].note


def test_a_load_may_stay_in_where_its_time_is_no_factor():
    study = shop(factors=[NOZZLE], oven={"drying_time": 10})
    made = timetable(study, plan(("L1", 0, "A")))
    assert told(made, PUT_IN, TAKE_OUT) == [(1, "16:00", PUT_IN, "L1", "", ""), (2, "08:00", TAKE_OUT, "L1", "P1", "")]
    assert made.steps[0].note.startswith("10 h or longer; out at 08:00 on day 2")
    assert not made.verdicts


def test_prints_beyond_the_limit_are_counted_by_load():
    # From 08:00 printer A begins at 0, 1.5, 3 and 4.5 h: two of the four after more than 2 h.
    made = timetable(shop(oven={**TIMER, "out_hours": 2}), plan(("L1", 4, "AAAA"), ("L2", 4, "AB")))
    (verdict,) = made.verdicts
    assert verdict.name == LATE
    assert "2 h after" in verdict.cause
    assert "L1: 2 of 4 (the last after 4.5 h)" in verdict.cause
    assert "L2" not in verdict.cause
    assert "fewer prints a load" in verdict.next_step and "dry box" in verdict.next_step
    assert [step.note for step in made.steps if step.what == PRINT][2:4] == [
        "off at 12:30; 1 h past the limit", "off at 14:00; 2.5 h past the limit",
    ]


def test_a_load_waits_for_the_next_morning_rather_than_overnight_out_of_the_dryer():
    # Out at 12:30, the third print would begin at 08:00 the next day, 19.5 h later; from 08:00 on all three fit.
    runs = plan(("L1", 4, "AAA"))
    assert told(timetable(shop(oven=TIMER), runs), TAKE_OUT)[0][:2] == (2, "08:00")
    assert told(timetable(shop(oven={**TIMER, "out_hours": 20}), runs), TAKE_OUT)[0][:2] == (1, "12:30")


def test_one_spool_feeds_one_printer_at_a_time():
    runs = plan(("L1", 4, "ABAB"))
    assert [start[1] for start in told(timetable(shop(oven=TIMER), runs), PRINT)] == ["12:30", "12:30", "14:00", "14:00"]
    alone = timetable(shop(oven={**TIMER, "spools": 1}), runs)
    assert [start[1] for start in told(alone, PRINT)] == ["08:00", "09:30", "11:00", "12:30"]


def test_overnight_prints_run_into_the_next_shift_only_where_allowed():
    runs = plan(("", 0, "AAAAAA"))
    assert [start[:2] for start in told(timetable(shop(responses=COUPONS), runs), PRINT)] == [
        (1, "08:00"), (1, "09:30"), (1, "11:00"), (1, "12:30"), (1, "14:00"), (2, "08:00"),
    ]
    made = timetable(shop(overnight_prints=True), runs)
    assert told(made, PRINT)[-1][:2] == (1, "15:30")
    assert [step.note for step in made.steps if step.what == PRINT][-1] == "off at 08:00 on day 2; nobody is there in between"
    assert made.cautions == (PRINTING_ALONE,)


def test_the_room_in_the_oven_is_told_apart_from_what_the_plan_takes():
    """Two loads that feed one printer and two: of 25 places at most two are used."""
    runs = plan(("L1", 6, "A"), ("L2", 6, "AB"))
    wide, narrow = (timetable(shop(oven={"spools": spools}), runs).basis for spools in (25, 1))
    assert "room in the oven for 25 spools a load, of which this plan takes up to 2," in wide
    assert "room in the oven for 1 spool a load, of which this plan takes up to 1," in narrow


def test_without_loads_there_is_no_oven():
    study, runs = shop(factors=[NOZZLE], printers=""), plan(("", 0, "   "))
    made = timetable(study, runs)
    assert [step[:2] for step in told(made, PRINT)] == [(1, "08:00"), (1, "09:30"), (1, "11:00")]
    assert not told(made, PUT_IN, TAKE_OUT)
    assert "spool" not in made.basis
    cost = effort(study, runs)
    assert (cost.loads, cost.oven_hours, cost.printer_hours) == (0, 0, {"": 4.5})


def test_tests_wait_for_conditioning_and_for_the_bench_and_go_on_the_next_day():
    # Three tests of 100 min a print: P1 is off at 09:30 and tested from 10:30 to 15:30. P2 is ready at 12:00, but waits
    # for the bench and is tested until 12:30 the next day.
    study = shop(printers="A", coupon_minutes=100, conditioning_hours=1)
    made = timetable(study, plan(("", 0, "AA")))
    assert [(step.day, step.time, step.prints, step.note) for step in made.steps if step.what == TEST] == [
        (1, "10:30", ("P1",), "3 tests, done at 15:30"), (1, "15:30", ("P2",), "3 tests, done at 12:30 on day 2"),
    ]
    assert made.days == 2


def test_prints_are_tested_together_only_where_all_are_off_when_the_tests_begin():
    # A and B print at 08:00 and 09:30; a test of each print takes 3 x 40 min. P1 and P2 are off at 09:30 and tested until
    # 13:30; P3 and P4 were off at 11:00 and are ready together by then, tested to the end of the shift and on.
    made = timetable(shop(coupon_minutes=40), plan(("", 0, "ABAB")))
    assert [(step.day, step.time, step.prints, step.note) for step in made.steps if step.what == TEST] == [
        (1, "09:30", ("P1", "P2"), "6 tests, done at 13:30"), (1, "13:30", ("P3", "P4"), "6 tests, done at 09:30 on day 2"),
    ]


def test_dates_skip_weekends_and_drying_knows_of_them():
    # 2026-03-06 is a Friday. 63.5 h and 30 min of warming up are the time from Friday 16:00 to Monday 08:00.
    runs = plan(("L1", 63.5, "A"))
    made = timetable(shop(start=datetime.date(2026, 3, 6)), runs)
    assert [(step.day, step.date, step.time) for step in made.steps[:2]] == [
        (1, "2026-03-06", "16:00"), (2, "2026-03-09", "08:00"),
    ]
    worked = timetable(shop(start=datetime.date(2026, 3, 6), weekends=True), runs)
    assert [(step.day, step.date) for step in worked.steps[:2]] == [(1, "2026-03-06"), (4, "2026-03-09")]
    assert {step.date for step in timetable(shop(), runs).steps} == {""}


def test_the_shift_may_begin_at_any_hour_and_pass_midnight():
    made = timetable(shop(shift_starts=20.5, start=datetime.date(2026, 3, 6)), plan(("", 0, "AAA")))
    assert [(step.day, step.date, step.time) for step in made.steps if step.what == PRINT] == [
        (1, "2026-03-06", "20:30"), (1, "2026-03-06", "22:00"), (1, "2026-03-06", "23:30"),
    ]
    assert [step.note for step in made.steps if step.what == TEST] == [
        f"3 tests, done at {clock}" for clock in ("22:30", "00:00", "01:30")
    ]


def test_minutes_as_unit_and_the_factor_that_is_the_drying_time():
    ageing = numeric("ageing", 1, 5, 1, unit="h", change="load")
    in_minutes = numeric("time_in_dryer", 30, 600, 30, unit="min", change="load")
    runs = plan(("L1", 0, "A")).assign(**{"set.time_in_dryer": 240.0, "set.ageing": 1.0})
    made = timetable(shop(factors=[NOZZLE, ageing, in_minutes]), runs)
    assert made.steps[0].note == "240 min; out at 12:30"


@pytest.mark.parametrize("minutes", [8.0, 50.0, 62.5])
def test_drying_is_told_as_its_factor_states_it(minutes):
    in_minutes = numeric("drying_time", 1, 100, 0.5, unit="min", change="load")
    runs = plan(("L1", minutes, "A"))
    made = timetable(shop(factors=[NOZZLE, in_minutes], oven={"temperature": 80}), runs)
    assert made.steps[0].note.startswith(f"{minutes:g} min at 80 °C; out at ")
    # 900 min and 30 min of warming up end between two shifts of 5 h, however they are begun.
    night = timetable(shop(factors=[NOZZLE, in_minutes], hours_per_day=5), runs.assign(**{"set.drying_time": 900.0}))
    (verdict,) = night.verdicts
    assert verdict.name == ALONE and verdict.cause.endswith("L1 (900 min)")


def test_a_load_without_a_stated_time_says_what_is_assumed():
    made = timetable(shop(factors=[NOZZLE]), plan(("L1", 0, "A")))
    assert made.steps[0].note == "6 h (assumed) or longer; out at 14:30"
    assert "6 h of drying, assumed" in made.basis
    (verdict,) = made.verdicts
    assert verdict.name == "drying time is assumed" and "rests on 6 h" in verdict.cause
    assert "drying_time in [oven]" in verdict.next_step


@pytest.mark.parametrize(
    ("changes", "load"), [({"factors": [NOZZLE], "oven": {"drying_time": 6}}, "L1"), ({}, "L1"), ({"factors": [NOZZLE]}, "")]
)
def test_nothing_is_assumed_where_the_time_is_stated_or_no_load_is_dried(changes, load):
    made = timetable(shop(**changes), plan((load, 6, "A")))
    assert not made.verdicts
    assert "assumed" not in made.basis + "".join(step.note for step in made.steps)


def test_a_load_that_needs_more_filament_than_its_spools_hold():
    made = timetable(shop(grams_per_print=900, oven=TIMER), plan(("L1", 4, "ABA"), ("L2", 4, "AB")))
    (verdict,) = made.verdicts
    assert verdict.name == "load larger than its spools"
    assert verdict.cause.endswith("L1 (2700 g)")


def test_a_print_that_fits_no_shift_is_refused():
    with pytest.raises(InputRefused, match="print takes 600 minutes and the shift has 480"):
        days(shop(print_minutes=600), plan(("", 0, "A")))
    assert days(shop(print_minutes=600, overnight_prints=True), plan(("", 0, "A"))) == 2


def test_effort_worked_out_by_hand():
    # 5 prints of 90 min: 3 on A, 2 on B. Oven: 4.5 h and 12.5 h. Tests: 3 + 2 coupons and 1 warp a print, 10 min each;
    # the grade is seen in passing. Spools: 2 printers in L1, 1 printer but 2 x 700 g in L2.
    responses = [
        *COUPONS,
        {"name": "peel", "unit": "N/mm", "coupons": 2, "at_least": 1.0},
        {"name": "warp", "unit": "mm", "per": "print", "at_most": 1.0},
        {"name": "bed_grade", "kind": "graded", "per": "print", "grades": [0, 1], "at_least": 1},
    ]
    study = shop(responses=responses, grams_per_print=700, contingency=0.2)
    cost = effort(study, plan(("L1", 4, "ABB"), ("L2", 12, "AA")))
    assert (cost.prints, cost.loads, cost.tests, cost.spools) == (5, 2, 30, 3 + 2)
    assert (cost.oven_hours, cost.printer_hours) == (17.0, {"A": 4.5, "B": 3.0})
    assert (cost.test_hours, cost.grams) == (5.0, 3500.0)
    more = cost.with_contingency
    assert (more.prints, more.loads, more.tests, more.spools) == (6, 3, 36, 6)
    assert (more.oven_hours, more.test_hours, more.grams) == pytest.approx((20.4, 6.0, 4200.0))
    assert more.printer_hours == pytest.approx({"A": 5.4, "B": 3.6})


def test_whole_numbers_are_not_rounded_up_by_floating_point_dust():
    cost = effort(shop(contingency=0.1), plan(*((f"L{number}", 4, "A") for number in range(10))))
    assert (cost.with_contingency.prints, cost.with_contingency.loads) == (11, 11)  # 10 * 1.1 is 11.000000000000002


# Shifts, against a calendar written out


@pytest.mark.parametrize("every_day", [True, False])
@pytest.mark.parametrize("weekday", range(7))
@pytest.mark.parametrize("length", [60, 480, DAY])
def test_shifts_against_a_calendar(weekday, every_day, length):
    first = datetime.date(2026, 3, 2) + datetime.timedelta(days=weekday)  # 2026-03-02 is a Monday
    shifts = Shifts(length, 480, first, every_day)
    worked = [d for d in range(40) if every_day or (first + datetime.timedelta(days=d)).weekday() < 5]
    spans = [(DAY * d, DAY * d + length) for d in worked]
    assert [shifts.start(number) for number in range(len(spans))] == [begin for begin, _ in spans]
    for moment in range(0, 20 * DAY, 97):
        begun = [number for number, (begin, _) in enumerate(spans) if begin <= moment]
        there = any(begin <= moment <= end for begin, end in spans)
        following = moment if there else min(begin for begin, _ in spans if begin > moment)
        assert shifts.last_begun(moment) == (begun[-1] if begun else 0)
        assert shifts.attended(moment) == there
        assert shifts.next_attended(moment) == following
        if begun:
            assert shifts.last_attended(moment) == (moment if there else spans[begun[-1]][1])


@given(begin=st.integers(0, 5 * DAY), minutes=st.integers(1, 3000), length=st.integers(60, DAY))
def test_work_takes_its_minutes_within_shifts(begin, minutes, length):
    shifts = Shifts(length, 480)
    started, done = shifts.worked(begin, minutes)
    assert started >= begin and shifts.attended(started) and shifts.attended(done)
    spent = sum(
        max(0, min(done, shifts.end(number)) - max(started, shifts.start(number)))
        for number in range(shifts.last_begun(started), shifts.last_begun(done) + 1)
    )
    assert spent == minutes


def test_around_the_clock_nobody_is_ever_away():
    shifts = Shifts(DAY, 0)
    assert not shifts.alone(100, 5000)
    assert Shifts(480, 480).alone(470, 490) and not Shifts(480, 480).alone(470, 480)


# The time for a load, against every time there is


def every_score(study, hours, on, flexible):
    """Return (prints beyond, most minutes beyond, end) of the best time, trying each half hour of eight days."""
    budget, length = study.budget, int(60 * study.budget.hours_per_day)
    weekday = None if budget.start is None else budget.start.weekday()

    def there(moment):
        worked = weekday is None or (weekday + moment // DAY) % 7 < 5
        return moment >= 0 and worked and moment % DAY <= length

    needed, limit, best = int(60 * hours) + 30, int(60 * study.oven.out_hours), None
    for out in range(0, 8 * DAY, 30):
        before = any(there(moment) for moment in range(out - needed, -1, -30)) if flexible else there(out - needed)
        if not (there(out) and before):
            continue
        free, starts = {}, []
        for printer in on:
            begin = max(out, free.get(printer, 0))
            while not (there(begin) and begin % DAY + budget.print_minutes <= length):
                begin += 30
            free[printer] = begin + budget.print_minutes
            starts.append(begin)
        late = [begin - out - limit for begin in starts if begin - out > limit]
        score = (len(late), max(late, default=0), max(free.values()))
        best = score if best is None else min(best, score)
    return best


@settings(max_examples=60, deadline=None)
@given(
    hours=st.integers(1, 60).map(lambda halves: halves / 2),
    on=st.text("AB", min_size=1, max_size=5),
    out_hours=st.integers(1, 40).map(lambda halves: halves / 2),
    minutes=st.sampled_from([60, 120, 150, 240]),
    shift=st.integers(4, 12),
    timer=st.booleans(),
    start=st.sampled_from([None, datetime.date(2026, 3, 5), datetime.date(2026, 3, 6)]),
)
@example(hours=0.5, on="AAB", out_hours=0.5, minutes=60, shift=4, timer=False, start=None)
@example(hours=0.5, on="AA", out_hours=0.5, minutes=120, shift=4, timer=False, start=None)
@example(hours=17.0, on="AAA", out_hours=0.5, minutes=150, shift=7, timer=False, start=None)
def test_no_other_time_for_a_load_is_better(hours, on, out_hours, minutes, shift, timer, start):
    oven = {"out_hours": out_hours, "delayed_start": timer}
    study = shop(oven=oven, print_minutes=minutes, hours_per_day=shift, start=start)
    best = every_score(study, hours, on, timer)
    (drying,) = schedule(study, plan(("L1", hours, on))).dryings
    if best is None:
        assert ALONE in {verdict.name for verdict in timetable(study, plan(("L1", hours, on))).verdicts}
        return
    late = [one.begin - drying.latest for one in drying.beyond]
    assert (len(late), max(late, default=0), max(one.off for one in drying.printings)) == best


# What must hold of every plan

SHOPS = st.fixed_dictionaries(
    {
        "hours_per_day": st.sampled_from([4, 7.5, 8, 12, 16, 24]),
        "shift_starts": st.sampled_from([0, 6.5, 8, 22]),
        "print_minutes": st.integers(10, 240),
        "overnight_prints": st.booleans(),
        "coupon_minutes": st.sampled_from([0, 7.5, 90]),
        "conditioning_hours": st.sampled_from([0, 5, 88]),
        "weekends": st.booleans(),
    },
    optional={"start": st.dates(datetime.date(2026, 3, 2), datetime.date(2026, 3, 8))},
)
OVENS = st.fixed_dictionaries(
    {
        "spools": st.integers(1, 3),
        "warm_up_minutes": st.sampled_from([0, 20, 45.5]),
        "out_hours": st.sampled_from([0.5, 4, 8, 30]),
        "delayed_start": st.booleans(),
    }
)
LOADS = st.lists(st.tuples(st.integers(1, 60), st.text("ABC", min_size=1, max_size=6)), min_size=1, max_size=4)


def test_equal_inputs_give_equal_timetables():
    study = shop(factors=[NOZZLE, DRYING], printers="AB")
    runs = plan(("L1", 6, "ABAB"), ("L2", 12, "AB"))
    assert timetable(study, runs) == timetable(study, runs)


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(budget=SHOPS, oven=OVENS, loads=LOADS, is_factor=st.booleans())
def test_every_schedule_can_be_kept(budget, oven, loads, is_factor):
    study = shop(factors=[NOZZLE, *([DRYING] if is_factor else [])], printers="ABC", oven=oven, **budget)
    runs = plan(*((f"L{number}", halves / 2, on) for number, (halves, on) in enumerate(loads)))
    made, table = schedule(study, runs), timetable(study, runs)
    shifts = Shifts(round(60 * budget["hours_per_day"]), 0, budget.get("start"), budget["weekends"])
    said = {verdict.name: verdict.cause for verdict in table.verdicts}
    assert table.days == days(study, runs)
    check_oven(study, made, shifts, said, is_factor)
    check_printers(study, runs, made, shifts)
    check_limit(made, said)
    check_steps(table, made, shifts)
    check_tests(budget, made)


def check_oven(study, made, shifts, said, is_factor):
    for before, after in pairwise(made.dryings):
        assert before.out <= after.put_in
        assert max(one.begin for one in before.printings) <= min(one.begin for one in after.printings)
    for one in made.dryings:
        needed = 60 * one.load.drying + study.oven.warm_up_minutes
        assert shifts.attended(one.put_in) and one.put_in <= one.heat_on
        assert one.out - one.heat_on >= needed
        if is_factor or study.oven.delayed_start:
            assert one.out - one.heat_on < needed + 2  # whole minutes
        if not shifts.attended(one.out):
            assert is_factor and not study.oven.delayed_start and one.load.name in said[ALONE]
        for moment in (printing.begin for printing in one.printings):
            assert moment >= one.out
            running = [p for p in one.printings if p.begin <= moment < p.off]
            assert len(running) <= study.oven.spools


def check_printers(study, runs, made, shifts):
    order = dict(zip(runs["print"], runs["order"], strict=True))
    assert sorted(order) == sorted(one.name for one in made.printings)
    assert {one.name: one.printer for one in made.printings} == dict(zip(runs["print"], runs["printer"], strict=True))
    for printer in "ABC":
        mine = sorted((one for one in made.printings if one.printer == printer), key=lambda one: one.begin)
        assert [order[one.name] for one in mine] == sorted(order[one.name] for one in mine)
        assert all(before.off <= after.begin for before, after in pairwise(mine))
    for one in made.printings:
        assert one.off - one.begin >= study.budget.print_minutes
        assert shifts.attended(one.begin) and shifts.attended(one.off)
        if not study.budget.overnight_prints:
            assert shifts.last_begun(one.begin) == shifts.last_begun(one.off - 1)


def check_limit(made, said):
    late = {one.load.name: len(one.beyond) for one in made.dryings if one.beyond}
    assert (LATE in said) == bool(late)
    for name, count in late.items():
        assert f"{name}: {count} of " in said[LATE]
    for one in made.dryings:
        assert sum(p.begin > one.latest for p in one.printings) == late.get(one.load.name, 0)


def check_steps(table, made, shifts):
    at_night = {one.out for one in made.dryings if not shifts.attended(one.out)}
    assert all(shifts.attended(step.moment) or (step.what == TAKE_OUT and step.moment in at_night) for step in table.steps)
    assert [step.moment for step in table.steps] == sorted(step.moment for step in table.steps)
    assert all(1 <= step.day <= table.days for step in table.steps)
    alone = any(shifts.alone(one.heat_on, one.out) for one in made.dryings)
    assert (DRYING_ALONE in table.cautions) == alone


def check_tests(budget, made):
    off = {one.name: one.off for one in made.printings}
    tested = [name for one in made.testings for name in one.prints]
    assert sorted(tested) == (sorted(off) if budget["coupon_minutes"] else [])
    for before, after in pairwise(made.testings):
        assert before.done <= after.begin
    for one in made.testings:
        assert all(one.begin >= off[name] + 60 * budget["conditioning_hours"] for name in one.prints)
