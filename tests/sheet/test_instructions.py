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


def test_which_spools_of_a_load_are_weighed_is_said():
    (said,) = [text for text in steps() if text.startswith("Dry each load")]
    assert "of all its spools together, the same ones before and after" in said
    hints = {column.key: column.hint for column in layout.sheets(make_study(), make_design(), 1)[2].columns}
    assert "of all spools of the load together" in hints["mass_before"] and "the same spools" in hints["mass_after"]
