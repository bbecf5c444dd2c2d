"""One cell of the workbook: what a user wrote is never computed."""

import copy
from typing import Any

from doe.sheet.columns import Value

_STARTS = ("=", "+", "-", "@")


def put(cell: Any, value: Value) -> Any:  # noqa: ANN401 - a cell of a library without types
    """
    Set a cell's value and return the cell; text stays text, even where it begins as a formula does.

    Parameters
    ----------
    cell : Cell
        Of openpyxl.
    value : str, float or int
    """
    cell.value = value
    if isinstance(value, str):
        cell.data_type = "s"
        if value.startswith(_STARTS):
            cell._style = copy.copy(cell._style)  # it may be shared with other cells
            cell.quotePrefix = True
    return cell
