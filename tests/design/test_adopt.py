"""Plans made elsewhere: taken over as they are, or refused column by column and row by row."""

import pandas as pd
import pytest

from doe.design.adopt import adopt
from doe.design.read import read_table
from doe.errors import InputRefused
from tests.conftest import make_study, numeric

FACTORS = [numeric("nozzle_temperature", 255, 285, 1), numeric("drying_time", 4, 12, 0.5, unit="h", change="load")]
GOOD = "nozzle_temperature,drying_time,load,printer\n261.3,5.25,mon,A\n279,5.25,mon,B\n300,11,tue,A\n255,11,tue,B\n"


def take(text, **changes):
    study = make_study(factors=FACTORS, model={"terms": "main"}, **changes)
    return adopt(study, read_table(text.encode(), "mine.csv"), "mine.csv")


def test_levels_loads_and_printers_are_taken_over_as_they_are():
    runs = take(GOOD).runs
    assert runs["target.nozzle_temperature"].tolist() == [261.3, 279.0, 300.0, 255.0]
    assert runs["load"].tolist() == [runs["load"][0]] * 2 + [runs["load"][2]] * 2
    assert runs["printer"].tolist() == ["A", "B", "A", "B"]
    assert set(runs["point"]) == {"adopted"}


def test_a_column_order_gives_the_run_order():
    text = "order,nozzle_temperature,drying_time,load\n2,260,4,a\n1,270,12,b\n3,280,4,c\n"
    assert take(text).runs["target.nozzle_temperature"].tolist() == [270.0, 260.0, 280.0]


def test_semicolons_and_a_byte_order_mark_are_read():
    text = "\ufeff" + GOOD.replace(",", ";")
    pd.testing.assert_frame_equal(take(text).runs, take(GOOD).runs)


def test_a_setting_may_be_written_in_several_ways_within_a_load():
    runs = take(GOOD.replace("11,tue,A", "11.0,tue,A")).runs
    assert runs["target.drying_time"].tolist() == [5.25, 5.25, 11.0, 11.0]


def test_too_few_loads_are_a_verdict_since_the_prints_are_made():
    assert "no load error degree of freedom" in {verdict.name for verdict in take(GOOD).verdicts}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (GOOD.replace("drying_time", "drying_tim"), "column 'drying_tim'.*rename it to 'drying_time'"),
        (GOOD.replace(",load", ",lot").replace(",printer", ",machine"), "column 'load': it is missing"),
        (GOOD.replace("261.3", "hot"), "row 2: 'hot'; a number"),
        (GOOD.replace("279,5.25", "279,6"), "load 'mon': drying_time takes 5.25, 6 within it"),
        (GOOD.replace("tue,A", "tue,C"), "row 4: 'C'; a printer of the study"),
        (GOOD.replace("tue,A", ",A"), "rows 4 are empty"),
        ("nozzle_temperature,drying_time,load\n", "no rows"),
        ("", "it is empty"),
    ],
    ids=[
        "unknown column",
        "no load column",
        "text for a number",
        "load factor varies",
        "unknown printer",
        "half the loads",
        "no rows",
        "empty",
    ],
)
def test_what_does_not_fit_is_refused_by_row_and_column(text, said):
    with pytest.raises(InputRefused, match=said):
        take(text)


def test_all_problems_are_listed_at_once():
    with pytest.raises(InputRefused, match="row 2") as refused:
        take(GOOD.replace("261.3", "hot").replace("300", "cold").replace("tue,B", "tue,Z"))
    assert len(refused.value.problems) == 3
