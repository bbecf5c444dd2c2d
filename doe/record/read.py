"""Read a filled workbook into plain cells, or refuse what is not a harmless workbook."""

import datetime
import io
import warnings
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import openpyxl
from openpyxl.worksheet.worksheet import Worksheet
from openpyxl.xml import DEFUSEDXML

from doe.errors import InputRefused, InternalFault, Problem
from doe.record.parts import DisorderError, EntitiesError, Place, TooLargeError, Traits, scan

MOST_PACKED = 200_000_000
"""Most bytes that a file which is handed in may have."""
MOST_BYTES = 200_000_000
"""Most that a workbook may hold once it is unpacked, pictures included."""
MOST_XML = 40_000_000
"""Most that its XML parts may hold together."""
MOST_VALUES = 400_000
"""Most cells of a workbook that are filled."""
MOST_RATIO = 100
"""Most by which it may grow in unpacking, from ``RATIO_COUNTS_FROM`` bytes on."""
RATIO_COUNTS_FROM = 5_000_000
MOST_MEMBERS = 2_000
MOST_ROWS = 20_000
MOST_COLUMNS = 200
OLE = bytes.fromhex("d0cf11e0a1b11ae1")
_WANTED = "an .xlsx workbook is needed"
_SAVE = "save it as .xlsx without a password, and hand that in"
_SAVE_AGAIN = "open it in a spreadsheet program, save it again as .xlsx, and hand that in"
_AS_SAVED = "a workbook as spreadsheet programs save it is needed"
_FRESH = "copy the values into a fresh workbook"
_XML = (".xml", ".rels", ".vml")
_OPEN_DOCUMENT = "application/vnd.oasis.opendocument"

Raw = str | float | int | bool | datetime.datetime | datetime.date | datetime.time | datetime.timedelta


@dataclass(frozen=True)
class Cells:
    """What stands in a workbook: its name as it is spoken of, and the cells of each sheet that are not empty."""

    where: str
    sheets: Mapping[str, Mapping[Place, Raw]]
    uncomputed: Mapping[str, frozenset[Place]]
    """Per sheet, the cells that hold a formula without the value it had when the workbook was saved."""
    traits: Mapping[str, Traits] = field(default_factory=dict)
    """Per sheet, what its cells are besides their values."""


def take(file: Path) -> bytes:
    """
    Read a file that the user named, wherever it is.

    Raises
    ------
    InputRefused
        What is no file, cannot be read, or is far larger than what is collected.
    """
    try:
        if file.exists() and not file.is_file():
            raise _refused(str(file), "it is a folder, or no ordinary file", "a file is needed", "name the file in it")
        if (size := file.stat().st_size) > MOST_PACKED:
            raise _refused(str(file), f"it has {size} bytes", f"at most {MOST_PACKED} bytes are read", "check the name")
        return file.read_bytes()
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else "the name is none"
        raise _refused(
            str(file), f"it cannot be read ({reason})", "a file that exists and may be read", "check the name and its rights"
        ) from None


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
            values, traits = _values(content, _scanned(content))
    except TooLargeError as large:
        allowed = f"at most {MOST_ROWS} rows, {MOST_COLUMNS} columns and {MOST_VALUES} filled cells are read"
        raise _refused(where, str(large), allowed, f"clear what does not belong there, or {_FRESH}") from None
    except EntitiesError:
        raise _refused(where, "it declares XML entities, which no workbook needs", _AS_SAVED, _FRESH) from None
    except DisorderError as disorder:
        raise _refused(where, f"it is damaged: {disorder}", _WANTED, _SAVE_AGAIN) from None
    except Exception as error:  # the library meets damage with errors of every kind
        found = f"it is damaged and cannot be read ({type(error).__name__})"
        raise _refused(where, found, _WANTED, _SAVE_AGAIN) from None
    uncomputed = {title: one.computed - values[title].keys() for title, one in traits.items()}
    return Cells(where, values, uncomputed, traits)


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
    xml = sum(member.file_size for member in members if member.filename.lower().endswith(_XML))
    if xml > MOST_XML:
        raise _refused(where, f"its sheets take {xml} bytes", f"at most {MOST_XML} bytes are read", _FRESH)
    if len({name.lower() for name in names}) < len(names):
        raise _refused(where, "two of its parts have one name", _AS_SAVED, _SAVE_AGAIN)
    if "mimetype" in names and archive.read("mimetype").decode("ascii", "replace").startswith(_OPEN_DOCUMENT):
        raise _refused(where, "it is an OpenDocument file", _WANTED, _SAVE)
    if "[Content_Types].xml" not in names:
        raise _refused(where, "it is a packed file, but not a workbook", _WANTED, "hand in the workbook itself")
    for member in members:
        if member.filename.lower().endswith(_XML):
            # Without the zero bytes, text in UTF-16 reads as ASCII does.
            text = archive.read(member).replace(b"\0", b"")
            if b"<!DOCTYPE" in text or b"<!ENTITY" in text:
                found = f"its part {member.filename} declares XML entities, which no workbook needs"
                raise _refused(where, found, _AS_SAVED, _FRESH)


def _scanned(content: bytes) -> dict[str, Traits]:
    """Go through all XML parts before a library makes objects of them; return the traits of those that are sheets."""
    found = {}
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        for name in archive.namelist():
            if name.lower().endswith((".xml", ".rels")):
                with archive.open(name) as source:
                    found[name] = scan(source)
    return found


def _values(content: bytes, scanned: Mapping[str, Traits]) -> tuple[dict[str, dict[Place, Raw]], dict[str, Traits]]:
    book = openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=True)
    try:
        values: dict[str, dict[Place, Raw]] = {}
        traits = {}
        for sheet in book.worksheets:
            room = MOST_VALUES - sum(len(cells) for cells in values.values())
            # The library offers no other way to a sheet's part; one that was not scanned is refused as damaged.
            values[sheet.title], traits[sheet.title] = _cells(sheet, room, scanned[sheet._worksheet_path])
        return values, traits
    finally:
        book.close()


def _cells(sheet: Worksheet, room: int, scanned: Traits) -> tuple[dict[Place, Raw], Traits]:
    """Return what stands in a sheet, and its traits with those that only the formats of its cells tell."""
    sheet.reset_dimensions()  # what the file says about its size is not to be relied on
    found: dict[Place, Raw] = {}
    percent: dict[Place, str] = {}
    struck: set[Place] = set()
    for row, cells in enumerate(sheet.iter_rows(), 1):
        for column, cell in enumerate(cells, 1):
            value = cell.value
            if value is None or value == "":
                continue
            if row > MOST_ROWS or column > MOST_COLUMNS:
                raise TooLargeError(f"sheet {sheet.title} has something in row {row}, column {column}")
            if len(found) >= room:
                raise TooLargeError(f"more than {MOST_VALUES} cells are filled")
            found[row, column] = value
            if isinstance(value, int | float) and "%" in (cell.number_format or ""):
                percent[row, column] = f"{100 * value:g} %"
            if cell.font is not None and cell.font.strike:
                struck.add((row, column))
    return found, replace(scanned, percent=percent, struck=frozenset(struck))
