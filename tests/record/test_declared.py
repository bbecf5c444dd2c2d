"""Plan and record without confirmations: to the byte what was there before, and how their prints count afterwards."""

from dataclasses import replace

import pandas as pd

from doe.design.plan import CONFIRMATION, Design
from doe.design.read import plan_text
from doe.record.declared import with_confirmations, without_confirmations
from doe.record.read_tables import record_files
from tests.records import simulated


def rounds(study):
    """Return a plan of one round and the same with a confirmation."""
    from doe.design.plan import plan_runs
    from doe.design.request import PlanRequest

    first = plan_runs(study, PlanRequest(kind="compound", prints=20, loads=7, seed=3, one_round=True))
    more = first.runs.iloc[:4].assign(
        round=2, kind=CONFIRMATION, print=["P91A", "P92A", "P93A", "P94A"], load=["L91A", "L92A", "L93A", "L94A"]
    )
    return first, Design(pd.concat([first.runs, more], ignore_index=True))


def test_what_was_there_before_comes_back_to_the_byte(study):
    small = study.model_copy(update={"model": study.model.model_copy(update={"terms": "main"})})
    first, both = rounds(small)
    before, after = simulated(small, first), simulated(small, both, seed=2)
    mine = after.coupons["print"].str.startswith("P9")
    joined = replace(
        before,
        prints=pd.concat([before.prints, after.prints[after.prints["round"] == 2]], ignore_index=True),
        coupons=pd.concat([before.coupons, after.coupons[mine]], ignore_index=True),
        corrections=pd.DataFrame(
            [["coupons", "P91A-1", "z_strength", "1.0", "2.0", "", "", ""]], columns=before.corrections.columns
        ),
        checks=pd.DataFrame(
            [["R2-01", "A", "nozzle_temperature", 250.0, 251.0, "", ""]], columns=before.checks.columns
        ),
    )
    design, record = without_confirmations(both, joined)
    assert plan_text(design) == plan_text(first)
    assert record_files(record) == record_files(before)
    assert without_confirmations(first, before) == (first, before)


def test_afterwards_their_prints_have_no_mean_of_their_own(study):
    small = study.model_copy(update={"model": study.model.model_copy(update={"terms": "main"})})
    _, both = rounds(small)
    joined = with_confirmations(both)
    assert joined.rounds == [1]
    assert joined.confirmations == []
    assert len(joined.fitted) == 24
    assert len(both.fitted) == 20
