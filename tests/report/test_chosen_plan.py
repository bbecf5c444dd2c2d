"""The plan's reason as the log keeps it: a table comes back as it was shown, and what is not on record is said."""

from dataclasses import asdict

import pytest

from doe.report import sections
from doe.report.chosen_plan import restored, rounds_table, why_blocks
from doe.report.tables import Table
from tests.report import samples

SHOWN = Table("Plans side by side", ("", "this plan", "central composite"), (("prints", "30", "28"),), "lrr", "Variances.")
SECTION = 1


def _line(command, time="2026-03-01T08:00:00Z", **detail):
    return {"time": time, "command": command, "detail": detail}


def _texts(blocks):
    return [one["text"] for one in blocks if one["kind"] == "text"]


def test_a_table_comes_back_from_the_log_as_it_was_shown():
    assert restored(asdict(SHOWN)) == SHOWN


def test_reason_and_comparison_are_shown_with_the_time_of_the_plan():
    text, table = why_blocks([_line("plan", reason="To map.", comparison=[asdict(SHOWN)])])
    assert text["text"] == "As shown when the plan was made, 2026-03-01T08:00:00Z: To map."
    assert table["title"] == SHOWN.title and table["rows"] == [["prints", "30", "28"]]


def test_a_plan_beside_no_other_says_so():
    (text,) = _texts(why_blocks([_line("plan", reason="Asked for by name: factorial.", comparison=[])]))
    assert text.endswith("factorial. It was set beside no other plan.")


def test_an_old_log_holds_no_reason_and_one_sentence_says_it():
    (text,) = _texts(why_blocks([_line("plan", seed=1)]))
    assert "is not on record: the log holds no reason" in text


def test_the_last_plan_counts_and_prints_planned_anew_are_no_plan():
    lines = [
        _line("plan", reason="The first."), _line("plan", reason="The second."),
        _line("plan", reprint=["P03K"], round=2, seed=5),
    ]  # fmt: skip
    blocks = why_blocks(lines)
    assert "The second." in blocks[0]["text"] and "The first." not in blocks[0]["text"]
    assert blocks[1]["rows"][0][2:] == ["prints planned anew, seed 5", "stand for lost prints: P03K"]


def test_of_a_round_that_was_planned_twice_the_last_is_shown():
    lines = [
        _line("plan"),
        _line("extend", "2026-03-05T08:00:00Z", round=2, kind="optimal", seed=3),
        _line("extend", "2026-03-06T08:00:00Z", round=2, kind="fold-over", seed=4),
        _line("confirm", "2026-03-09T08:00:00Z", round=3, number=1, recommendation=2, seed=6, override="needed now"),
        _line("confirm", "2026-03-12T08:00:00Z", number=1, recommendation=2, verdict="confirmed"),
    ]
    rows = rounds_table(lines).rows
    assert [row[:3] for row in rows] == [
        ("2", "2026-03-06T08:00:00Z", "fold over, seed 4"), ("3", "2026-03-09T08:00:00Z", "confirmation 1, seed 6"),
    ]  # fmt: skip
    assert rows[1][3] == "tries recommendation 2 on new drying loads; in spite of what speaks against it: needed now"


def test_rounds_of_a_plan_that_was_thrown_away_are_not_shown():
    lines = [_line("plan"), _line("extend", round=2, kind="optimal", seed=3), _line("plan", reason="Anew.")]
    assert rounds_table(lines).rows == ()


@pytest.mark.usefixtures("undrawn")
def test_it_stands_in_the_section_on_the_plan():
    line = {**_line("plan", reason="To map.", comparison=[asdict(SHOWN)])}
    made = sections.document(samples.inputs(log=(line,)))["sections"][SECTION]
    assert made["title"] == "Plan and why it was chosen"
    assert any("To map." in text for text in _texts(made["blocks"]))
