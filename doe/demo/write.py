"""Type the simulated results into the operators' workbook, cell by cell, as an operator would."""

import io
from typing import Any

from openpyxl import load_workbook

from doe.demo.bench import Results


def fill_workbook(content: bytes, places: dict[str, Any], results: Results) -> bytes:
    """
    Return the workbook with the results typed in.

    Parameters
    ----------
    content : bytes
        The workbook as ``doe sheet`` wrote it.
    places : dict
        Where everything is: of :func:`doe.sheet.layout.locations`.
    results : Results

    Returns
    -------
    bytes
    """
    book = load_workbook(io.BytesIO(content))
    for sheet, key, cells in (
        ("Prints", "print", results.prints),
        ("Coupons", "coupon", results.coupons),
        ("Loads", "load", results.loads),
    ):
        if not cells:  # a study without drying loads has no sheet for them
            continue
        place = places[sheet]
        page = book[place["sheet"]]
        rows = {
            page[f"{place['columns'][key]}{row}"].value: row for row in range(place["first_row"], place["last_row"] + 1)
        }
        for (identifier, column), value in cells.items():
            page[f"{place['columns'][column]}{rows[identifier]}"] = place["words"].get(column, {}).get(value, value)
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()
