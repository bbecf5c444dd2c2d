"""Pilot prints, further rounds and confirmation prints are each told for what they are."""

import dataclasses

import pandas as pd

from doe.report import protocol, rounds
from tests.report import samples

STUDY = samples.study()
DESIGN = samples.design(STUDY)
FIRST = DESIGN.runs


def of(*parts):
    """The design of some rounds, each the first prints of the sample with other values in some columns."""
    runs = [FIRST.iloc[:count].assign(**changed) for count, changed in parts]
    return dataclasses.replace(DESIGN, runs=pd.concat(runs, ignore_index=True))


PILOT = (4, {"round": 0, "kind": "pilot", "seed": 11})
PLAN = (30, {"seed": 4711})
FURTHER = (12, {"round": 2, "kind": "optimal", "seed": 12})
TRIED = (6, {"round": 3, "kind": "confirmation", "seed": 815})


def facts_of(design):
    return dict(protocol.plan_facts(STUDY, design).rows)


def test_confirmation_prints_are_no_pilot_and_their_seed_is_their_own():
    facts = facts_of(of(PLAN, (6, {"round": 2, "kind": "confirmation", "seed": 815})))
    assert facts["prints"] == "30 in 1 round" and facts["order"] == "random, seed 4711" and "pilot" not in facts
    assert facts["confirmation"] == "6 prints in round 2 that try a recommendation, not fitted; random, seed 815"


def test_a_pilot_comes_before_the_plan_and_no_confirmation_is_invented():
    facts = facts_of(of(PILOT, PLAN))
    assert facts["pilot"] == "4 prints before the plan, not fitted; random, seed 11"
    assert facts["order"] == "random, seed 4711" and "confirmation" not in facts


def test_a_further_round_is_fitted_and_has_its_own_order():
    facts = facts_of(of(PILOT, PLAN, FURTHER, TRIED))
    assert facts["prints"] == "42 in 2 rounds; 12 of them in round 2, planned later"
    assert facts["order"] == "random, seed 4711; round 2 random, seed 12"
    line = facts_of(of(PLAN, (5, {"round": 2, "kind": "ascent", "seed": 12})))
    assert line["order"] == "random, seed 4711; round 2 that of the line, seed 12"


def test_only_a_pilot_has_no_order_of_prints_that_are_fitted():
    facts = facts_of(of(PILOT))
    assert "prints" not in facts and "order" not in facts and "pilot" in facts


def test_an_adopted_plan_whose_order_was_not_drawn_is_not_called_random():
    assert facts_of(of((30, {"kind": "adopted", "seed": 0})))["order"] == "as in the plan that was adopted"
    assert facts_of(of((30, {"kind": "adopted", "seed": 5})))["order"] == "random, seed 5"


def test_each_seed_is_said_with_what_it_ordered():
    whole = of(PILOT, PLAN, FURTHER, TRIED)
    assert rounds.seeds(whole) == "11 (pilot), 4711 (round 1), 12 (round 2), 815 (round 3, confirmation)"
    assert rounds.seeds(of(PLAN)) == "4711"


def test_values_of_confirmations_are_said_to_be_in_no_declared_model():
    record = samples.record(STUDY, DESIGN)
    record.prints.loc[3:8, "round"] = 2
    said = "Prints of confirmations are among these values"
    assert said in protocol.data_summary(STUDY, record, [2]).note
    assert said not in protocol.data_summary(STUDY, record, [3]).note
