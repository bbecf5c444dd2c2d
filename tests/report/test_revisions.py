"""All revisions of a report in one table, and what changed before each in words."""

import dataclasses

import pytest

from doe.report import sections
from doe.report.inputs import Issued, Revision
from doe.report.revisions import changes_words, revision_rows
from tests.report import samples


def _line(command, **detail):
    return {"time": "2026-03-01T08:00:00Z", "command": command, "detail": detail}


CHANGED = [
    _line("amend", reason="the fan shroud was replaced", changes=[{"key": "conditions.fan"}, {"key": "budget.prints"}]),
    _line("collect", corrections=2), _line("collect", corrections=2), _line("fit", exploratory=False), _line("draft"),
    _line("recommend", number=2), _line("confirm", number=1, recommendation=2, round=2),
    _line("confirm", number=1, verdict="confirmed"), _line("release", by="A. Person"),
]  # fmt: skip


def test_changes_are_told_in_order_with_reasons_and_what_was_repeated_once():
    assert changes_words(CHANGED) == (
        "Protocol amended (conditions.fan, budget.prints): the fan shroud was replaced; results collected with 2 corrections of"
        " earlier values; fitted; recommendation 2; confirmation 1 of recommendation 2 planned; confirmation 1 judged: confirmed;"
        " released by A. Person"
    )


def test_every_command_that_writes_to_the_log_has_words():
    for command in ("plan", "sheet", "demo", "extend", "anything later"):
        assert changes_words([_line(command)])


def test_every_revision_has_its_row():
    issued = [
        Issued(1, "2026-03-01T08:00:00Z", "", "ab" * 32, CHANGED[:1]),
        Issued(2, "2026-04-01T08:00:00Z", "cd" * 32, "ef" * 32, CHANGED),
    ]  # fmt: skip
    first, second = revision_rows(issued).rows
    assert first == ("1", "2026-03-01T08:00:00Z", "not on record", "ab" * 8, "First report")
    assert second[:4] == ("2", "2026-04-01T08:00:00Z", "cd" * 8, "ef" * 8) and second[4].startswith("Protocol amended")


@pytest.mark.usefixtures("undrawn")
def test_the_report_closes_the_table_with_itself_and_a_draft_has_none():
    earlier = Issued(1, "2026-03-02T08:00:00Z", "cd" * 32, "ef" * 32, ())
    inputs = dataclasses.replace(samples.inputs(), revision=Revision(2, CHANGED, (earlier,)))
    blocks = next(one["blocks"] for one in sections.document(inputs)["sections"] if one["title"] == "Provenance")
    table = next(one for one in blocks if one.get("title") == "Revisions of this report")
    own = sections.study_digest(inputs.attachments)
    assert [row[:4] for row in table["rows"]] == [
        ["1", "2026-03-02T08:00:00Z", "cd" * 8, "ef" * 8], ["2", inputs.prepared_at, own[:16], inputs.log_head[:16]],
    ]  # fmt: skip
