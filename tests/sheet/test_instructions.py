"""Instructions: only what is true of the study at hand is said."""

import pytest

from doe.sheet import layout
from doe.sheet.instructions import instructions
from tests.sheet.books import STUDY, make_design, make_study

CHECKED = [
    {**STUDY["printers"][0], "checks": [{"factor": "nozzle_temperature", "set": [250, 290], "actual": [243, 283]}]},
    STUDY["printers"][1],
]


def steps(**changes):
    study = make_study(**changes)
    return [line.text for line in instructions(study, layout.sheets(study, make_design(), 1), ()) if line.style == "step"]


@pytest.mark.parametrize(
    ("language", "corrected", "plain"),
    [
        ("en", "already corrected where a reference probe has read it", "type them in as they stand"),
        ("de", "schon korrigiert, wo ein Referenzfühler ihn abgelesen hat", "so eingeben, wie sie dastehen"),
    ],
)
def test_setpoints_are_called_corrected_only_where_a_printer_was_checked(language, corrected, plain):
    header = {**STUDY["study"], "operator_language": language}
    checked, unchecked = (" ".join(steps(study=header, printers=one)) for one in (CHECKED, STUDY["printers"]))
    assert corrected in checked and plain not in checked
    assert plain in unchecked and corrected not in unchecked


def test_coupons_that_serve_several_tests_are_told_apart():
    (said,) = [text for text in steps() if text.startswith("Test the coupons.")]
    assert "pieces of one number share a row: z strength 1–3; first layer peel 1–2. Where the piece of one test ended" in said
    (alone,) = [text for text in steps(responses=STUDY["responses"][:1]) if text.startswith("Test the coupons.")]
    assert alone.endswith("each has its row on 'Coupons'.")


def test_how_hot_the_oven_is_stands_where_operators_dry():
    hot, unknown = (" ".join(steps(oven=oven)) for oven in ({"temperature": 82}, {}))
    assert "to 82 °C, and never hotter" in hot and "as the filament's data sheet says" not in hot
    assert "as the filament's data sheet says, and never hotter" in unknown
    assert "auf 82,5 °C" in " ".join(steps(study={**STUDY["study"], "operator_language": "de"}, oven={"temperature": 82.5}))
    factor = {"name": "oven_temperature", "unit": "degC", "low": 70, "high": 90, "increment": 5, "change": "load"}
    study, tables = make_study(factors=[*STUDY["factors"], factor]), layout.sheets(make_study(), make_design(), 1)
    planned = " ".join(line.text for line in instructions(study, tables, ()))
    assert "the temperature of the load, and never hotter" in planned and "data sheet" not in planned


@pytest.mark.parametrize(("limit", "worst", "best"), [("at_least", 0, 5), ("at_most", 5, 0)])
def test_the_better_end_of_the_grades_is_said(limit, worst, best):
    graded = {"name": "bed_grade", "kind": "graded", "grades": [0, 5], limit: 3}
    assert f"Bed grade: {worst} is the worst grade, {best} the best." in " ".join(steps(responses=[graded]))


def test_the_cautions_are_asked_for_first_and_a_wrong_printer_has_its_place():
    study = make_study()
    said = instructions(study, layout.sheets(study, make_design(), 1), ("Hot.",))
    first = next(line for line in said if line.style == "step")
    assert first.text == "Read the part 'Cautions' at the end of this sheet before anything else."
    assert any("another printer" in text and "'suspect'" in text for text in steps())


def test_which_spools_of_a_load_are_weighed_is_said():
    (said,) = [text for text in steps() if text.startswith("Dry each load")]
    assert "of all its spools together, the same ones before and after" in said
    hints = {column.key: column.hint for column in layout.sheets(make_study(), make_design(), 1)[2].columns}
    assert "of all spools of the load together" in hints["mass_before"] and "the same spools" in hints["mass_after"]
