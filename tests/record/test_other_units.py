"""A number that is typed with another unit than its column's: what to type instead is said in the column's unit."""

import pytest

from doe.record.cells import read_cell
from doe.sheet.columns import Column


@pytest.mark.parametrize(("typed", "unit", "remedy"), [
    ("0,312 kN", "N", "type the number alone, in N: 312"),
    ("0.312kN", "N", "type the number alone, in N: 312"),
    ("5012 µm", "mm", "type the number alone, in mm: 5.012"),
    ("1.5 cm", "mm", "type the number alone, in mm: 15"),
    ("3 GPa", "MPa", "type the number alone, in MPa: 3000"),
    ("250 mPa", "MPa", "type the number alone, in MPa: 2.5e-07"),
    ("1,312 kN", "N", "type the number alone, as it is in N, in digits and without a unit"),  # 1312 or 1 312 000
    ("31 kg", "N", "type the number alone, as it is in N, in digits and without a unit"),
    ("31 KN", "N", "type the number alone, as it is in N, in digits and without a unit"),
    ("3 kN", "1", "type the number alone, in digits and without a unit"),
])  # fmt: skip
def test_what_to_type_is_said_in_the_unit_of_the_column(typed, unit, remedy):
    assert read_cell(Column("y", f"y ({unit})", "number"), typed, "cell A1").remedy == remedy
