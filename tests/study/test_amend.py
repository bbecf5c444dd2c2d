import copy
import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.errors import InputRefused
from doe.study.amend import Change, changes, check_amendment, definitions, locked_protocol, protocol, require_unchanged
from doe.study.read import parse_study
from doe.study.spec import Study
from tests.study.studies import WHOLE, changed

BEFORE = parse_study(WHOLE)


def after(*pairs):
    text = WHOLE
    for old, new in pairs:
        text = changed(old, new, text)
    return parse_study(text)


def line(command, **detail):
    return {"command": command, "detail": detail}


def through_json(data):
    return json.loads(json.dumps(data))


def test_the_protocol_is_plain_data_with_the_keys_of_the_file():
    whole = protocol(BEFORE)
    assert through_json(whole) == whole
    assert list(whole) == [
        "study",
        "factors",
        "responses",
        "material",
        "model",
        "conditions",
        "printers",
        "instruments",
        "constraints",
        "references",
        "plate",
        "oven",
        "budget",
        "covariates",
    ]
    assert whole["instruments"][0]["due"] == "2027-03-31"
    assert whole["study"]["simulated"] is False


def test_the_protocol_can_be_read_back_from_the_log():
    assert Study.model_validate(through_json(protocol(BEFORE))) == BEFORE


def test_definitions_hold_what_a_sheet_depends_on_and_nothing_else():
    same = after(
        ("setpoint_sd = 2.0", "setpoint_sd = 1.0"), ("at_least = 27.0", "at_least = 20.0"), ("loads = 6", "loads = 7")
    )
    assert definitions(same) == definitions(BEFORE)
    for pair in [
        ("high = 285", "high = 284"),
        ('unit = "h"', 'unit = "min"'),
        ('"textured sheet"', '"bare glass"'),
        ("coupons = 5", "coupons = 4"),
        ("ISO 527-2", "ISO 178"),
        ("[0, 1, 2, 3, 4, 5]", "[0, 2, 4]"),
        ("high = 80\nincrement = 1", 'high = 80\nincrement = 1\nchange = "load"'),
        ('name = "seal"', 'name = "tight"'),
        ("increment = 0.5", "increment = 1"),
    ]:
        assert definitions(after(pair)) != definitions(BEFORE)


@pytest.mark.parametrize(
    ("pair", "expected"),
    [
        (("confidence = 0.95", "confidence = 0.9"), Change("study.confidence", 0.95, 0.9)),
        (("high = 10", "high = 12"), Change("factors 'drying_time'.high", 10.0, 12.0)),
        (("at_least = 27.0\n", "at_most = 27.0\n"), Change("responses 'z_strength'.at_least", 27.0, None)),
        (("[0, 290]", "[0, 295]"), Change("printers 'B'.limits.nozzle_temperature", [0.0, 290.0], [0.0, 295.0])),
        (("244.1", "244.2"), Change("printers 'A'.checks[1].actual", [244.1, 258.6, 273.5], [244.2, 258.6, 273.5])),
        (("2027-03-31", "2028-03-31"), Change("instruments 'TC-03'.due", "2027-03-31", "2028-03-31")),
        (("limit = 360", "limit = 355"), Change("constraints[1].limit", 360.0, 355.0)),
        (('fan = "off"\n', ""), Change("conditions.fan", "off", None)),
        (('"quadratic"', '["drying_time"]'), Change("model.terms", "quadratic", ["drying_time"])),
    ],
)
def test_each_change_is_named_with_before_and_after(pair, expected):
    assert expected in changes(protocol(BEFORE), protocol(after(pair)))


def test_added_and_removed_entries_are_matched_by_name():
    new = after(("[[instruments]]", '[[printers]]\nname = "C"\n[[instruments]]'))
    (added,) = changes(protocol(BEFORE), protocol(new))
    assert (added.key, added.before, added.after["name"]) == ("printers 'C'", None, "C")
    (removed,) = changes(protocol(new), protocol(BEFORE))
    assert (removed.key, removed.before["name"], removed.after) == ("printers 'C'", "C", None)


def test_another_order_is_a_change():
    whole = protocol(BEFORE)
    other = {**whole, "printers": whole["printers"][::-1]}
    assert changes(whole, other) == [Change("printers, their order", ["A", "B"], ["B", "A"])]


ROUTES = [
    ("study", "title"),
    ("factors", 0, "low"),
    ("factors", 3, "levels"),
    ("responses", 1, "grades"),
    ("model", "terms"),
    ("conditions", "fan"),
    ("printers", 0, "checks"),
    ("printers", 1, "limits"),
    ("instruments", 0, "due"),
    ("constraints", 0),
    ("budget", "loads"),
]
JSON_VALUES = st.sampled_from(
    [None, True, False, 0, 1, 1.0, "a", [], ["a"], [1, 2], {}, {"a": 1}, [{"name": "a"}], [{}, {}]]
)


@given(st.lists(st.tuples(st.sampled_from(ROUTES), JSON_VALUES), max_size=3))
@settings(max_examples=100, deadline=None)
def test_nothing_changed_exactly_where_equal(edits):
    before = protocol(BEFORE)
    new = copy.deepcopy(before)
    for route, value in edits:
        place = new
        for key in route[:-1]:
            place = place[key]
        place[route[-1]] = value
    assert bool(changes(before, new)) == (before != new)
    assert changes(new, new) == []


def test_nothing_is_locked_before_the_first_plan():
    require_unchanged(BEFORE, [])
    require_unchanged(BEFORE, [line("new", protocol=protocol(after(("loads = 6", "loads = 7")))), line("check")])
    assert locked_protocol([line("plan")]) is None


def test_an_unchanged_study_passes():
    lines = [line("plan", protocol=through_json(protocol(BEFORE))), line("sheet")]
    require_unchanged(parse_study("# another comment\n" + WHOLE), lines)


def test_the_last_amendment_counts():
    new = after(("high = 10", "high = 12"))
    lines = [line("plan", protocol=protocol(BEFORE)), line("amend", protocol=protocol(new)), line("collect")]
    require_unchanged(new, lines)
    with pytest.raises(InputRefused, match="locked by 'doe plan' with 12"):
        require_unchanged(BEFORE, lines)


def test_a_changed_study_is_refused_key_by_key():
    new = after(
        ("high = 10", "high = 12"),
        ('fan = "off"\n', ""),
        ("spools = 2", "spools = 2\n"),
        ('"quadratic"', '"main"'),
        ("[[instruments]]", '[[printers]]\nname = "C"\n[[instruments]]'),
    )
    with pytest.raises(InputRefused, match="doe amend --reason") as caught:
        require_unchanged(new, [line("plan", protocol=through_json(protocol(BEFORE)))])
    told = {problem.where: (problem.found, problem.allowed, problem.remedy) for problem in caught.value.problems}
    accept = ', or accept the change with: doe amend --reason "..."'
    locked = "the protocol was locked by 'doe plan' with "
    assert told == {
        "study.toml, factors 'drying_time'.high": ("it is 12 now", f"{locked}10", f"put 10 back{accept}"),
        "study.toml, conditions.fan": ("'off' was removed", f"{locked}'off'", f"put 'off' back{accept}"),
        "study.toml, model.terms": ("it is 'main' now", f"{locked}'quadratic'", f"put 'quadratic' back{accept}"),
        "study.toml, printers 'C'": ("the whole entry was added", f"{locked}not given", f"remove it{accept}"),
    }


def test_before_the_plan_anything_may_change():
    assert check_amendment(BEFORE, after(("high = 10", "high = 12")), has_plan=False, has_sheets=False) == ()


def test_before_the_sheets_a_changed_factor_asks_for_a_new_plan():
    (verdict,) = check_amendment(BEFORE, after(("high = 10", "high = 12")), has_plan=True, has_sheets=False)
    assert verdict.name == "plan made for the protocol before"
    assert "factors 'drying_time'.high" in verdict.cause
    assert "doe plan" in verdict.next_step


@pytest.mark.parametrize(
    "said", ['hot_end = "all-metal"', "rated = 300", 'nozzle = "hardened steel"', 'hot_end = "all-metal"\nrated = 300'],
)
def test_what_a_printer_stands_asks_for_no_new_plan(said):
    changed_ends = after(('name = "A"', f'name = "A"\n{said}'), ("[0, 300]", "[0, 290]"))
    assert check_amendment(BEFORE, changed_ends, has_plan=True, has_sheets=False) == ()


def test_a_sign_that_turns_after_the_sheets_is_refused():
    gap = ("[[responses]]", '[[factors]]\nname = "z_offset"\nunit = "mm"\nlow = -0.1\nhigh = 0.1\nincrement = 0.01\n'
           'z_closer = "negative"\n\n[[responses]]')
    alike, other = (after(gap, ('name = "B"', f'name = "B"\nz_closer = "{one}"')) for one in ("negative", "positive"))
    with pytest.raises(InputRefused, match="printer 'B', z_closer: the sign of 'z_offset' on this printer"):
        check_amendment(alike, other, has_plan=True, has_sheets=True)
    (verdict,) = check_amendment(alike, other, has_plan=True, has_sheets=False)
    assert verdict.name == "plan made for the protocol before"
    assert check_amendment(alike, alike, has_plan=True, has_sheets=True) == ()


@pytest.mark.parametrize("has_sheets", [False, True])
def test_a_changed_title_has_no_consequence(has_sheets):
    new = after(("Clip for", "Clip of"), ('fan = "off"', 'fan = "20 %"'), ("2027-03-31", "2028-03-31"))
    assert check_amendment(BEFORE, new, has_plan=True, has_sheets=has_sheets) == ()


@pytest.mark.parametrize(
    ("pair", "where"),
    [
        (("high = 10", "high = 12"), "factors 'drying_time'.high"),
        (("coupons = 5", "coupons = 4"), "responses 'z_strength'.coupons"),
        (('name = "seal"', 'name = "tight"'), "responses 'tight'"),
        (('name = "B"', 'name = "C"'), "printers"),
    ],
)
def test_after_the_sheets_definitions_and_printers_stay(pair, where):
    with pytest.raises(InputRefused, match="put it back") as caught:
        check_amendment(BEFORE, after(pair), has_plan=True, has_sheets=True)
    assert any(where in problem.where for problem in caught.value.problems)


@pytest.mark.parametrize(
    ("pair", "about"),
    [
        (('"quadratic"', '"main"'), "model.terms"),
        (("at_least = 27.0", "at_least = 20.0"), "responses 'z_strength'.at_least"),
        (('transform = "none"', 'transform = "log"'), "responses 'z_strength'.transform"),
    ],
)
def test_a_declaration_changed_late_is_said_aloud(pair, about):
    (verdict,) = check_amendment(BEFORE, after(pair), has_plan=True, has_sheets=True)
    assert (verdict.name, verdict.about) == ("declaration changed after sheets were written", about)


@pytest.mark.parametrize("has_sheets", [False, True])
@pytest.mark.parametrize(
    ("pair", "key"),
    [
        (('id = "pa12cf-clip"', 'id = "clip-2"'), "id"),
        (('family = "PA-CF"', 'family = "PA-CF"\nsimulated = true'), "simulated"),
    ],
)
def test_identity_and_simulation_never_change(pair, key, has_sheets):
    with pytest.raises(InputRefused, match=f"study.{key}: it was .* start a new study"):
        check_amendment(BEFORE, after(pair), has_plan=True, has_sheets=has_sheets)


def test_a_protocol_that_was_locked_before_a_key_existed_is_unchanged():
    locked = protocol(BEFORE)
    del locked["references"]
    del locked["budget"]["print_minutes"]
    require_unchanged(BEFORE, [line("plan", protocol=locked)])


def test_a_cost_that_changes_does_not_make_the_plan_stale():
    after = parse_study(changed("prints = 30", "prints = 30\nprint_minutes = 90"))
    assert check_amendment(BEFORE, after, has_plan=True, has_sheets=False) == ()
