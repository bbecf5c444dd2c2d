"""Read a filled workbook into plain cells, and refuse what is not a workbook, or not a harmless one."""

import datetime
import io
import warnings
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass

import openpyxl
from openpyxl.worksheet.worksheet import Worksheet
from openpyxl.xml import DEFUSEDXML

from doe.errors import InputRefused, InternalFault, Problem

MOST_BYTES = 200_000_000
"""Most that a workbook may hold once it is unpacked."""
MOST_RATIO = 100
"""Most by which it may grow in unpacking, from ``RATIO_COUNTS_FROM`` bytes on."""
RATIO_COUNTS_FROM = 5_000_000
MOST_MEMBERS = 2_000
MOST_ROWS = 20_000
MOST_COLUMNS = 200
_ROWS_OF_A_SHEET = 1_048_576
OLE = bytes.fromhex("d0cf11e0a1b11ae1")
_WANTED = "an .xlsx workbook is needed"
_SAVE = "save it as .xlsx without a password, and hand that in"
_FRESH = "copy the values into a fresh workbook"
_OPEN_DOCUMENT = "application/vnd.oasis.opendocument"

Raw = str | float | int | bool | datetime.datetime | datetime.date | datetime.time | datetime.timedelta
Place = tuple[int, int]
"""Row and column, counted from 1."""


@dataclass(frozen=True)
class Cells:
    """What stands in a workbook: its name as it is spoken of, and the cells of each sheet that are not empty."""

    where: str
    sheets: Mapping[str, Mapping[Place, Raw]]
    uncomputed: Mapping[str, frozenset[Place]]
    """Per sheet, the cells that hold a formula without the value it had when the workbook was saved."""


def read_workbook(content: bytes, where: str) -> Cells:
    """
    Read every cell of a workbook.

    Parameters
    ----------
    content : bytes
        The file as it was handed back.
    where : str
        Its name, for problems.

    Returns
    -------
    Cells

    Raises
    ------
    InputRefused
        What is not an .xlsx file, is protected by a password, unpacks to more than a filled workbook can hold, or
        declares XML entities.
    """
    if not DEFUSEDXML:
        raise InternalFault("openpyxl does not use defusedxml here, so workbooks cannot be read safely")
    _require_workbook(content, where)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # what openpyxl cannot keep (colours, extensions) is nothing to the record
            values = _values(content)
            formulas = _formulas(content, values)
    except _TooLargeError as large:
        allowed = f"at most {MOST_ROWS} rows and {MOST_COLUMNS} columns are read"
        raise _refused(where, str(large), allowed, f"clear what does not belong there, or {_FRESH}") from None
    except Exception as error:  # the library meets damage with errors of every kind
        raise _refused(
            where, f"it is damaged and cannot be read ({type(error).__name__})", _WANTED,
            "open it in a spreadsheet program, save it again as .xlsx, and hand that in",
        ) from None
    return Cells(where, values, formulas)


class _TooLargeError(Exception):
    """A sheet holds more than a filled workbook can."""


def _refused(where: str, found: str, allowed: str, remedy: str) -> InputRefused:
    return InputRefused(Problem(where, found, allowed, remedy))


def _require_workbook(content: bytes, where: str) -> None:
    if not content:
        raise _refused(where, "the file is empty", _WANTED, "look for the filled one, and hand that in")
    if content.startswith(OLE):
        raise _refused(where, "it is protected by a password, or in the old .xls format", _WANTED, _SAVE)
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            _require_sound(archive, len(content), where)
    except InputRefused:
        raise
    except Exception:  # damage shows as errors of many kinds, of the unpacker's and of the compression's
        raise _refused(where, "it is not a workbook, or it is damaged", _WANTED, _SAVE) from None


def _require_sound(archive: zipfile.ZipFile, packed: int, where: str) -> None:
    members = archive.infolist()
    names = [member.filename for member in members]
    unpacked = sum(member.file_size for member in members)
    if any(member.flag_bits & 1 for member in members):
        raise _refused(where, "it is protected by a password", _WANTED, _SAVE)
    swollen = unpacked > RATIO_COUNTS_FROM and unpacked > MOST_RATIO * packed
    if len(members) > MOST_MEMBERS or unpacked > MOST_BYTES or swollen:
        raise _refused(
            where, f"it unpacks to {unpacked} bytes in {len(members)} parts, far more than a filled workbook holds",
            f"at most {MOST_BYTES} bytes, {MOST_MEMBERS} parts and {MOST_RATIO} times the file's size are read", _FRESH,
        )
    if "mimetype" in names and archive.read("mimetype").decode("ascii", "replace").startswith(_OPEN_DOCUMENT):
        raise _refused(where, "it is an OpenDocument file", _WANTED, _SAVE)
    if "[Content_Types].xml" not in names:
        raise _refused(where, "it is a packed file, but not a workbook", _WANTED, "hand in the workbook itself")
    for member in members:
        if member.filename.endswith((".xml", ".rels", ".vml")):
            # Without the zero bytes, text in UTF-16 reads as ASCII does.
            text = archive.read(member).replace(b"\0", b"")
            if b"<!DOCTYPE" in text or b"<!ENTITY" in text:
                found = f"its part {member.filename} declares XML entities, which no workbook needs"
                raise _refused(where, found, "a workbook as spreadsheet programs save it is needed", _FRESH)


def _values(content: bytes) -> dict[str, dict[Place, Raw]]:
    book = openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=True)
    try:
        return {sheet.title: _cells(sheet) for sheet in book.worksheets}
    finally:
        book.close()


def _cells(sheet: Worksheet) -> dict[Place, Raw]:
    sheet.reset_dimensions()  # what the file says about its size is not to be relied on
    found: dict[Place, Raw] = {}
    for row, cells in enumerate(sheet.iter_rows(values_only=True), 1):
        if row > _ROWS_OF_A_SHEET:
            raise _TooLargeError(f"sheet {sheet.title} has a row beyond the last one that a spreadsheet has")
        for column, value in enumerate(cells, 1):
            if value is None or value == "":
                continue
            if row > MOST_ROWS or column > MOST_COLUMNS:
                raise _TooLargeError(f"sheet {sheet.title} has something in row {row}, column {column}")
            found[row, column] = value
    return found


def _formulas(content: bytes, values: Mapping[str, Mapping[Place, Raw]]) -> dict[str, frozenset[Place]]:
    book = openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=False)
    try:
        found = {}
        for sheet in book.worksheets:
            sheet.reset_dimensions()
            known = values[sheet.title]
            found[sheet.title] = frozenset(
                (cell.row, cell.column) for cells in sheet.iter_rows() for cell in cells
                if cell.data_type == "f" and (cell.row, cell.column) not in known
            )
        return found
    finally:
        book.close()
