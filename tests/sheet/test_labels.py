"""Labels: what they say, that they fit the paper, and that the code says the identifier (read here by ISO/IEC 18004)."""

import io

import numpy as np
import pytest
from PIL import Image

from doe.design.plan import Design
from doe.sheet.labels import layout
from doe.sheet.labels.layout import code, labels
from tests.sheet.books import make_book, make_design, make_study, opened, rows_of_round

ALPHANUMERIC = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:"


def modules(png):
    """Return the modules of a version 1 symbol, dark as 1, without the quiet zone."""
    image = np.array(Image.open(io.BytesIO(png)).convert("L")) < 128
    scale = image.shape[0] // 29
    return image[scale // 2 :: scale, scale // 2 :: scale][4:25, 4:25].astype(int)


def data_bits(grid):
    """Return the bits in reading order, mask 000 taken off: pairs of columns from the right, up and down by turns."""
    reserved = np.zeros((21, 21), dtype=bool)
    reserved[:9, :9] = reserved[:9, 13:] = reserved[13:, :9] = True
    reserved[6, :] = reserved[:, 6] = True
    bits, upward = [], True
    for right in (20, 18, 16, 14, 12, 10, 8, 5, 3, 1):
        for row in range(20, -1, -1) if upward else range(21):
            bits += [
                int(grid[row, column]) ^ int((row + column) % 2 == 0)
                for column in (right, right - 1) if not reserved[row, column]
            ]
        upward = not upward
    return bits


def read_code(png):
    bits = "".join(map(str, data_bits(modules(png))))
    mode, length = bits[:4], int(bits[4:13], 2)
    assert mode == "0010"  # alphanumeric
    text, at = "", 13
    for _ in range(length // 2):
        first, second = divmod(int(bits[at : at + 11], 2), 45)
        text, at = text + ALPHANUMERIC[first] + ALPHANUMERIC[second], at + 11
    return text + (ALPHANUMERIC[int(bits[at : at + 6], 2)] if length % 2 else "")


@pytest.mark.parametrize("identifier", ["P01A", "P123C", "P01A-2", "P2000XY"])
def test_the_code_says_the_identifier(identifier):
    assert read_code(code(identifier)) == identifier


def test_a_label_says_load_printer_and_position():
    first, *_, last = labels(make_study(), make_design(), 1)
    assert first.identifier == "P01A"
    bag = "Coupons P01A-1 to P01A-3: z strength 1–3; first layer peel 1–2"
    assert first.lines == ("Load L01X, printer A", "Print 1 of 6", bag, "clip, round 1")
    assert last.lines[1] == "Print 6 of 6"
    assert read_code(last.code) == "P06H"


def test_tests_are_on_the_label_only_where_they_tell_coupons_apart_and_can_be_read():
    strength = {"name": "z_strength", "unit": "MPa", "coupons": 3, "at_least": 25}
    many = [{"name": f"first_layer_peel_{n}", "unit": "N/mm", "coupons": 2, "at_least": 1} for n in range(5)]
    for responses in ([strength], [strength, *many]):
        (label, *_) = labels(make_study(responses=responses), make_design(), 1)
        assert label.lines[2] == "Coupons P01A-1 to P01A-3"


def test_labels_without_loads_printers_or_coupons():
    responses = [{"name": "warp", "unit": "mm", "per": "print", "at_most": 0.8}]
    study = make_study(responses=responses, printers=[])
    (label, *_) = labels(study, Design(runs=rows_of_round(1).assign(load="", printer="")), 1)
    assert label.lines == ("", "Print 1 of 6", "Whole print", "clip, round 1")


def test_thousands_of_prints_have_labels_without_codes(monkeypatch):
    monkeypatch.setattr(layout, "MOST_CODES", 5)
    assert {label.code for label in labels(make_study(), make_design(), 1)} == {b""}


def test_three_by_eight_of_70_by_36_mm_fit_on_a4():
    page = opened(make_book())["Labels"]
    widths = [page.column_dimensions[letter].width * 6 / 96 * 25.4 for letter in "ABCDEF"]  # 6 pixels a character of 8 points
    assert widths[0] + widths[1] == pytest.approx(70, rel=0.01)
    assert 200 < sum(widths) <= 210
    heights = [page.row_dimensions[row].height / 72 * 25.4 for row in range(1, 6)]
    assert sum(heights) == pytest.approx(36, rel=0.01)
    assert 8 * sum(heights) + page.page_margins.top * 25.4 <= 297
    assert int(page.page_setup.scale) == 100 and page.page_setup.orientation == "portrait"
    assert page["A1"].value == "P01A" and page["C1"].value == "P02C" and page["A6"].value == "P04E"
    assert len(page._images) == 6


def test_where_coupons_were_is_printed_large_enough_to_be_read_and_within_its_row():
    positions = ["front left", "front right", "centre", "rear left", "rear right"]
    study = make_study(plate={"positions": positions, "orientation": "ZX"})
    page = opened(make_book(study))["Labels"]
    cell = page["A4"]
    assert cell.value == "All ZX: -1 front left; -2 front right; -3 centre"
    assert cell.alignment.wrap_text and not cell.alignment.shrink_to_fit
    assert cell.font.size >= 6
    assert cell.font.size * 1.2 <= page.row_dimensions[4].height
