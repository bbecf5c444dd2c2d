"""A smaller run of `tests.studies.workbook_fuzz`, and that it would notice."""

import multiprocessing

import pytest

from doe.errors import InputRefused
from tests.studies import workbook_fuzz as fuzz


def test_altered_workbooks_are_refused_or_read_rightly():
    with multiprocessing.get_context("spawn").Pool(1) as pool:  # its memory is measured: a process of its own
        found, faults, _ = pool.apply(fuzz.tally, (range(10), 0))
    assert faults == []
    assert {kind for kind, _ in found} >= {"values", "structure", "xml", "zip"}


def test_its_own_reader_agrees_with_what_was_typed():
    shown = fuzz.shown_in(fuzz.base())
    assert float(shown["Coupons", "p02c-1", "force.z_strength"]) == 258.1
    assert shown["Prints", "p04e", "outcome"] == "lost"
    assert fuzz.judged(fuzz.base()) == "as before"


@pytest.mark.parametrize("change", [{("coupons", "P02C-1", "force.z_strength"): 258.2}, {("prints", "P02C", "note"): "x"}])
def test_a_changed_value_would_be_noticed(monkeypatch, change):
    honest = fuzz.untouched()[0]
    monkeypatch.setattr(fuzz, "collected", lambda content: {**honest, **change})
    assert fuzz.judged(fuzz.base()).startswith("FAULT: silently changed")


def test_a_lost_value_and_a_traceback_would_be_noticed(monkeypatch):
    honest = fuzz.untouched()[0]
    monkeypatch.setattr(fuzz, "collected", lambda content: {key: honest[key] for key in list(honest)[:-1]})
    assert fuzz.judged(fuzz.base()).startswith("FAULT: silently changed")

    def stumbles(content):
        raise ValueError("no")

    monkeypatch.setattr(fuzz, "collected", stumbles)
    assert fuzz.judged(fuzz.base()) == "FAULT: ValueError: no"


def test_a_refusal_is_no_fault(monkeypatch):
    def refuses(content):
        raise InputRefused([])

    monkeypatch.setattr(fuzz, "collected", refuses)
    assert fuzz.judged(fuzz.base()).startswith("FAULT: a problem without")
    monkeypatch.undo()
    assert fuzz.judged(b"no workbook") == "refused"
