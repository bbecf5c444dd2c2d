import contextlib
import functools
import io
import zipfile

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.errors import InputRefused
from doe.record import read
from doe.record.read import read_workbook
from tests.sheet.books import NAME, filled_book, make_book


@functools.cache
def blank_book():
    return make_book()


def packed(members, compression=zipfile.ZIP_DEFLATED):
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", compression) as archive:
        for name, text in members.items():
            archive.writestr(name, text)
    return content.getvalue()


def repacked(content, changes):
    """Return a workbook with parts of it replaced or added."""
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        return packed({**{name: archive.read(name) for name in archive.namelist()}, **changes})


def part(content, name):
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        return archive.read(name)


def with_cells(cells):
    book = openpyxl.Workbook()
    for address, value in cells.items():
        book.active[address] = value
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()


def encrypted():
    """Return a workbook whose parts are marked as encrypted, as archivers with a password do."""
    content = bytearray(blank_book())
    for signature, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        place = content.find(signature)
        while place >= 0:
            content[place + offset] |= 1
            place = content.find(signature, place + 4)
    return bytes(content)


def with_entities(encoding):
    head = f'<?xml version="1.0" encoding="{encoding}"?>'
    return repacked(blank_book(), {
        "xl/workbook.xml": (head + '<!DOCTYPE x [<!ENTITY a "aaaa">]><x>&a;</x>').encode(encoding)
    })


def with_lying_size():
    sheet = part(blank_book(), "xl/worksheets/sheet2.xml").replace(b'<row r="5"', b'<row r="999999999"')
    return repacked(blank_book(), {"xl/worksheets/sheet2.xml": sheet})


REFUSED = {
    "empty file": (lambda: b"", "the file is empty"),
    "text": (lambda: b"print,outcome\nP01A,completed\n", "it is not a workbook, or it is damaged"),
    "web page": (lambda: b"<html><table></table></html>", "it is not a workbook, or it is damaged"),
    "old xls or password": (lambda: read.OLE + bytes(600), "protected by a password, or in the old .xls"),
    "encrypted parts": (encrypted, "protected by a password"),
    "cut short": (lambda: filled_book()[:-200], "it is not a workbook, or it is damaged"),
    "another packed file": (lambda: packed({"readme.txt": "hello"}), "a packed file, but not a workbook"),
    "OpenDocument": (
        lambda: packed({"mimetype": "application/vnd.oasis.opendocument.spreadsheet", "content.xml": "<x/>"}),
        "an OpenDocument file",
    ),
    "parts missing": (lambda: packed({"[Content_Types].xml": "<Types/>"}), "it is damaged and cannot be read"),
    "swells in unpacking": (
        lambda: repacked(blank_book(), {"xl/media/nothing.bin": bytes(30_000_000)}), "it unpacks to 30"
    ),
    "too many parts": (
        lambda: packed({f"part{number}": "x" for number in range(read.MOST_MEMBERS + 1)}), "in 2001 parts"
    ),
    "entities": (lambda: with_entities("utf-8"), "declares XML entities"),
    "entities in UTF-16": (lambda: with_entities("utf-16"), "declares XML entities"),
    "too many rows": (lambda: with_cells({"A1": "x", "A20001": 1}), "something in row 20001, column 1"),
    "too many columns": (lambda: with_cells({"GS1": "x"}), "something in row 1, column 201"),
    "a row that cannot be": (with_lying_size, "a row beyond the last one"),
}


@pytest.mark.parametrize(("make", "found"), REFUSED.values(), ids=REFUSED)
def test_what_is_no_harmless_workbook_is_refused(make, found):
    with pytest.raises(InputRefused, match=found) as refused:
        read_workbook(make(), NAME)
    (problem,) = refused.value.problems
    assert problem.where == NAME
    assert problem.allowed
    assert problem.remedy


def test_more_than_the_limit_is_refused_even_if_it_is_packed_little(monkeypatch):
    monkeypatch.setattr(read, "MOST_BYTES", 10_000)
    with pytest.raises(InputRefused, match="far more than a filled workbook holds"):
        read_workbook(blank_book(), NAME)


def test_cells_are_read_as_they_stand():
    cells = read_workbook(with_cells({"A1": "x", "B2": 1.5, "C20000": 7, "GR1": "last"}), NAME)
    assert cells.sheets == {"Sheet": {(1, 1): "x", (2, 2): 1.5, (20000, 3): 7, (1, 200): "last"}}
    assert cells.where == NAME


def test_formulas_without_a_value_are_listed():
    cells = read_workbook(with_cells({"A1": "=1+1", "A2": 3}), NAME)
    assert cells.uncomputed == {"Sheet": frozenset({(1, 1)})}
    assert (1, 1) not in cells.sheets["Sheet"]


def test_a_filled_workbook_is_read_without_a_warning(recwarn):
    read_workbook(filled_book(), NAME)
    assert not recwarn.list


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 10**9), st.integers(0, 255)), min_size=1, max_size=6))
def test_damage_is_refused_and_never_crashes(bites):
    content = bytearray(blank_book())
    for place, byte in bites:
        content[place % len(content)] = byte
    with contextlib.suppress(InputRefused):
        read_workbook(bytes(content), NAME)
