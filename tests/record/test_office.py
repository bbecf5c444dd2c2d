"""A workbook that went through an office program, which writes every part of it anew, collects to the same record."""

import math
import shutil
import subprocess

import pandas as pd
import pytest

from doe.errors import InputRefused
from doe.record.read import read_workbook
from doe.record.schema import TABLES
from tests.record.typing_over import matched, place
from tests.sheet.books import NAME, filled_book, filled_cells, opened

OFFICE = shutil.which("soffice")
pytestmark = [pytest.mark.office, pytest.mark.skipif(OFFICE is None, reason="LibreOffice Calc is not installed")]


@pytest.fixture(scope="module")
def convert(tmp_path_factory):
    """Return a function that takes bytes through the office program from one format to another."""
    folder = tmp_path_factory.mktemp("office")
    profile = f"-env:UserInstallation={(folder / 'profile').as_uri()}"

    def through(content, ending, wanted):
        source, target = folder / f"book.{ending}", folder / "out" / f"book.{wanted}"
        source.write_bytes(content)
        target.unlink(missing_ok=True)
        command = [OFFICE, profile, "--headless", "--convert-to", wanted, "--outdir", str(target.parent), str(source)]
        subprocess.run(command, check=True, capture_output=True, timeout=120)
        return target.read_bytes()

    return through


@pytest.fixture(scope="module")
def resaved(convert):
    return convert(filled_book(), "xlsx", "xlsx")


def same(record, other):
    for table in TABLES:
        pd.testing.assert_frame_equal(getattr(record, table), getattr(other, table))


def test_saved_as_xlsx_by_another_program(resaved):
    record, remarks = matched(read_workbook(resaved, NAME))
    same(record, matched(filled_cells())[0])
    assert remarks == ()


def test_through_ods_and_back(convert):
    sheets = convert(filled_book(), "xlsx", "ods")
    with pytest.raises(InputRefused, match="it is an OpenDocument file"):
        read_workbook(sheets, NAME)
    same(matched(read_workbook(convert(sheets, "ods", "xlsx"), NAME))[0], matched(filled_cells())[0])


def test_the_stress_formula_computes_what_is_recorded(resaved):
    cells, recorded = read_workbook(resaved, NAME), matched(filled_cells())[0].coupons
    for coupon, value in zip(recorded["coupon"], recorded["z_strength"], strict=True):
        shown = cells.sheets["Coupons"].get(place(cells, "Coupons", coupon, "z_strength"))
        assert shown == (None if math.isnan(value) else pytest.approx(value, rel=1e-12))


def test_protection_and_validation_survive(resaved):
    book = opened(resaved)
    assert all(page.protection.sheet for page in book.worksheets)
    assert not book["Prints"]["O3"].protection.locked
    assert book["Prints"]["A3"].protection.locked
    assert {rule.type for rule in book["Prints"].data_validations.dataValidation} >= {"list", "decimal", "date"}


def test_an_old_xls_file_is_refused(convert):
    with pytest.raises(InputRefused, match=r"in the old \.xls format"):
        read_workbook(convert(filled_book(), "xlsx", "xls"), NAME)
