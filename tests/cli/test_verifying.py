"""``doe verify``: a report that was not touched comes out again; a changed digit is named, in a file or on a page."""

import io
import json
import re
import shutil

import pytest
from pypdf import PdfReader, PdfWriter
from pypdf.generic import DecodedStreamObject, NameObject

from doe.cli import steps, verifying
from doe.errors import InputRefused, NotReproduced
from doe.report.verify import carried, page_differences
from tests.cli.conftest import collected


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    folder = collected(tmp_path_factory.mktemp("whole"), "interactions", replicates=2)
    steps.fit(folder, None)
    steps.recommend(folder)
    steps.report(folder)
    return folder.path / "report.pdf"


def attached(root):
    """Yield the stream of each file that a PDF carries, by name."""
    names = root["/Names"]["/EmbeddedFiles"]["/Names"]
    for name, entry in zip(names[::2], names[1::2], strict=True):
        yield str(name), entry.get_object()["/EF"]["/F"].get_object()


def with_file(report, tmp_path, name, change):
    """Return a copy of the report in which one carried file was changed."""
    writer = PdfWriter(clone_from=PdfReader(report))
    for called, stream in attached(writer._root_object):
        if called == name:
            stream.set_data(change(stream.get_data()))
    out = tmp_path / "changed.pdf"
    writer.write(out)
    return out


def problems(report):
    with pytest.raises(NotReproduced, match="; ") as found:
        verifying.verified(report)
    return found.value.problems


def test_a_report_needs_nothing_but_itself(report, tmp_path):
    alone = shutil.copy(report, tmp_path / "alone.pdf")
    done = verifying.verified(alone)
    assert done.data["identical"]
    assert done.data["versions"] == []
    assert {"study.toml", "plan.csv", "record/coupons.csv", "fit.json", "log.jsonl"} <= set(done.data["files"])
    assert done.data["words"] > 500


def test_a_copy_that_was_saved_again_still_comes_out(report, tmp_path):
    done = verifying.verified(with_file(report, tmp_path, "none", None))
    assert not done.data["identical"]


def test_a_changed_value_in_the_data_is_named_with_the_numbers_that_it_moves(report, tmp_path):
    def change(content):
        return re.sub(rb"(\d)(\.\d+)(?=[,\n])", lambda found: b"%d" % (9 - int(found[1])) + found[2], content, count=1)

    found = problems(with_file(report, tmp_path, "record/coupons.csv", change))
    assert any(one.where == "record/coupons.csv" and "altered" in one.found for one in found)
    assert any(one.where == "fit.json" and "estimate" in one.found for one in found)


def test_a_changed_digit_in_the_fit_is_named(report, tmp_path):
    stored = json.loads(carried(report.read_bytes(), "report.pdf")["fit.json"])
    value = repr(stored["responses"][0]["coefficients"][0]["estimate"])
    changed = value[:-4] + str((int(value[-4]) + 1) % 10) + value[-3:]

    found = problems(with_file(report, tmp_path, "fit.json", lambda text: text.replace(value.encode(), changed.encode())))
    (said,) = [one for one in found if one.where == "fit.json" and "estimate" in one.found]
    assert "responses [z_strength], coefficients" in said.found
    assert changed in said.found
    assert value in said.found


@pytest.mark.parametrize("name", ["study.toml", "plan.csv", "recommendation.json"])
def test_a_changed_digit_in_any_file_is_found(report, tmp_path, name):
    def change(content):
        place = [found.start() for found in re.finditer(rb"\d", content)][-1]
        return content[:place] + b"%d" % (9 - int(content[place : place + 1])) + content[place + 1 :]

    assert any(one.where.startswith(name) for one in problems(with_file(report, tmp_path, name, change)))


def test_a_changed_number_on_a_page_is_named(report, tmp_path):
    """Two glyphs of a word change places, as the page's own text."""
    writer = PdfWriter(clone_from=PdfReader(report))
    page = writer.pages[0]
    before = page.extract_text()
    content = page.get_contents().get_data()
    for found in re.finditer(rb"<([0-9a-fA-F]{4,})>|\(((?:[^()\\]|\\.)+)\)", content):
        text = found.group(0)
        if len(text) < 30:
            continue
        other = content[: found.start()] + text[:1] + text[3:5] + text[1:3] + text[5:] + content[found.end() :]
        stream = DecodedStreamObject()
        stream.set_data(other)
        page[NameObject("/Contents")] = writer._add_object(stream)
        if page.extract_text() != before:
            break
    out = tmp_path / "page.pdf"
    writer.write(out)
    found = problems(out)
    assert all(one.where == "page 1" for one in found)
    assert "printed" in found[0].found


def test_a_number_that_differs_is_named_with_both_values():
    found = page_differences([["at", "least", "27.4"]], [["at", "least", "27.5"]])
    assert list(found) == ["page 1: '27.4' printed, '27.5' made anew"]


def test_what_is_no_report_is_refused(tmp_path):
    empty = PdfWriter()
    empty.add_blank_page(100, 100)
    stream = io.BytesIO()
    empty.write(stream)
    damaged = "it cannot be read"
    for content, said in ((b"%PDF-1.7 nothing", damaged), (b"", damaged), (stream.getvalue(), "it carries no study")):
        file = tmp_path / "other.pdf"
        file.write_bytes(content)
        with pytest.raises(InputRefused, match=said):
            verifying.verified(file)


def test_names_that_leave_the_folder_are_refused(report, tmp_path):
    writer = PdfWriter(clone_from=PdfReader(report))
    writer.add_attachment("../../etc/evil.toml", b"x")
    out = tmp_path / "evil.pdf"
    writer.write(out)
    with pytest.raises(InputRefused, match="do not trust this file"):
        verifying.verified(out)


@pytest.mark.parametrize("content", [b"{", b"\xff", b"[]"])
def test_a_carried_file_that_is_not_what_it_is_called_is_refused(report, tmp_path, content):
    with pytest.raises(InputRefused, match=r"fit\.json: it cannot be read as what it is called"):
        verifying.verified(with_file(report, tmp_path, "fit.json", lambda text: content))
