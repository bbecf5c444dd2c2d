"""Reports in which something was changed by hand: a file that they carry, or a digit on a page."""

import re
import tempfile
from pathlib import Path

from pypdf import PdfReader, PdfWriter
from pypdf.generic import DecodedStreamObject, NameObject

from doe.cli import verifying
from doe.files import Folder, digest
from doe.report.verify import carried

_SHOWN = re.compile(rb"/(f\d+) [\d.]+ Tf|\(((?:[^()\\]|\\.)*)\)", re.DOTALL)
_ESCAPED = re.compile(rb"\\([0-7]{3}|.)", re.DOTALL)
_PLAIN = {b"n": b"\n", b"r": b"\r", b"t": b"\t", b"b": b"\b", b"f": b"\f"}


def files_of(report):
    return carried(report.read_bytes(), report.name)


def with_file(report, tmp_path, name, change):
    """Return a copy of a report in which one carried file was changed."""
    writer = PdfWriter(clone_from=PdfReader(report))
    names = writer._root_object["/Names"]["/EmbeddedFiles"]["/Names"]
    for called, entry in zip(names[::2], names[1::2], strict=True):
        stream = entry.get_object()["/EF"]["/F"].get_object()
        if called == name:
            stream.set_data(change(stream.get_data()))
    return _written(writer, tmp_path)


def with_digit_on_page(report, tmp_path, number):
    """Return a copy of a report in which one digit of the text of a page, counted from 0, is another digit."""
    writer = PdfWriter(clone_from=PdfReader(report))
    page = writer.pages[number]
    content, fonts, font = page.get_contents().get_data(), page["/Resources"]["/Font"], ""
    for found in _SHOWN.finditer(content):
        if found[1]:
            font = found[1].decode()
            continue
        shown = _ESCAPED.sub(_plain, found[2])
        codes = [shown[at : at + 2] for at in range(0, len(shown), 2)]
        other = _other_digit(codes, fonts[f"/{font}"].get_object()["/ToUnicode"].get_object().get_data())
        if other is not None:
            text = b"".join(b"\\%03o" % byte for byte in other)
            stream = DecodedStreamObject()
            stream.set_data(content[: found.start(2)] + text + content[found.end(2) :])
            page[NameObject("/Contents")] = writer._add_object(stream)
            return _written(writer, tmp_path)
    raise AssertionError(f"page {number} has no digit")


def _plain(found):
    return bytes([int(found[1], 8)]) if found[1].isdigit() else _PLAIN.get(found[1], found[1])


def _other_digit(codes, table):
    """Return codes of glyphs of which one that shows a digit shows another one; None where no digit is among them."""
    shown = {bytes.fromhex(code.decode()): text for code, text in re.findall(rb"<(\w{4})> <00(3\d)>\n", table)}
    places = [place for place, code in enumerate(codes) if code in shown]
    if not places or len(shown) < 2:
        return None
    other = next(code for code in shown if code != codes[places[0]])
    return b"".join((*codes[: places[0]], other, *codes[places[0] + 1 :]))


def _written(writer, tmp_path):
    out = tmp_path / "changed.pdf"
    writer.write(out)
    return out


def file_problems(untouched, changed):
    """Return what is wrong with a report's files by themselves; its pages have the digests of those that were not touched."""
    files = {**untouched, **changed}
    with tempfile.TemporaryDirectory() as place:
        folder = Folder(Path(place))
        for name, content in files.items():
            target = folder.locate(name)
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(content)
        return verifying.file_problems(folder, files, {digest(content) for content in untouched.values()})


def with_digit(content, place):
    """Return some bytes with another digit at a place, which is counted among their digits."""
    at = [found.start() for found in re.finditer(rb"\d", content)][place]
    return content[:at] + b"%d" % ((content[at] - ord("0") + 1) % 10) + content[at + 1 :]
