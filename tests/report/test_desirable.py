import dataclasses

from doe.recommend.desirable import METHOD, Desirable, Wish
from doe.report import desirable

HIGH = "high: worth nothing up to 120, perfect from 170"
FOUND = Desirable(
    0.5832, 0.0, 0.6507,
    (
        Wish("abrasion_index", "1", HIGH, 1.0, 129.43, 0.1886, 0.0842, 0.2961),
        Wish("modulus", "MPa", "high: worth nothing up to 7 MPa, perfect from 9 MPa", 1.0, 9.0127, 1.0, 0.0, 1.0),
        Wish("warp", "mm", "low: worth nothing from 0.8 mm, perfect down from 0.2 mm", 1.0, 0.2031, 0.9991, 0.6, 1.0),
    ),
    0.95, METHOD,
)  # fmt: skip


def test_each_response_and_all_of_them():
    table = desirable.desirable_table(FOUND)
    assert table.rows[0] == ("abrasion index", HIGH, "129", "0.19", "0.08 to 0.30")
    assert table.rows[1][2:] == ("9.01 MPa", "1", "0 to 1")
    assert table.rows[2][3] == "0.99"  # what is not perfect is not shown as such
    assert table.rows[3] == ("overall", "", "", "0.58", "0 to 0.65")
    assert "choice not allowed for" in table.columns[4]
    assert "A desirability is no share of prints" in table.note and "flatters the setting" in table.note


def test_priorities_are_shown_where_they_differ():
    other = dataclasses.replace(FOUND.wishes[0], priority=2.5)
    table = desirable.desirable_table(dataclasses.replace(FOUND, wishes=(other, *FOUND.wishes[1:])))
    assert [row[2] for row in table.rows] == ["2.5", "1", "1", ""]
    assert {len(row) for row in table.rows} == {len(table.columns)} == {len(table.align)}


def test_answer_names_the_weakest_and_claims_no_share():
    said = desirable.desirable_answer(FOUND)
    assert "worth 0.58 on a scale" in said and "interval 0 to 0.65" in said
    assert "least desirable is abrasion index with 0.19" in said
    assert "nothing is said of how many prints will be good enough" in said


def test_answer_where_nothing_is_worth_anything():
    worthless = dataclasses.replace(FOUND.wishes[0], desirability=0.0)
    said = desirable.desirable_answer(dataclasses.replace(FOUND, overall=0.0, wishes=(worthless, *FOUND.wishes[1:])))
    assert said.endswith("at the best one found abrasion index stays worthless.")
