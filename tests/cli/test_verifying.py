"""``doe verify``: a report that was not touched comes out again; a changed digit is named, in a file or on a page."""

import csv
import io
import json
import re
import shutil
from pathlib import Path

import pytest
from pypdf import PdfReader, PdfWriter

from doe.cli import steps, verifying
from doe.errors import InputRefused, NotReproduced
from doe.report.tables import Table
from doe.report.verify import carried, page_differences, page_words, value_differences
from tests.cli.altered import file_problems, files_of, with_digit, with_digit_on_page, with_file
from tests.cli.conftest import collected

pytestmark = pytest.mark.usefixtures("undrawn_throughout")

RUNS = Path(__file__).parents[2] / "example_runs"
EXAMPLES = sorted(path.parent.name for path in RUNS.glob("*/report.pdf"))
QUICK = "4-no-window"


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    folder = collected(tmp_path_factory.mktemp("whole"), "interactions", replicates=2)
    steps.fit(folder, None)
    steps.recommend(folder)
    steps.report(folder)
    return folder.path / "report.pdf"


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


@pytest.mark.slow
def test_a_copy_that_was_saved_again_still_comes_out_where_other_versions_made_it(report, tmp_path, monkeypatch):
    copy = with_file(report, tmp_path, "none", None)
    assert [one.where for one in problems(copy)] == ["changed.pdf"]
    monkeypatch.setattr(verifying, "_other_versions", lambda _: ["numpy 0.1, verified with 0.2"])
    assert not verifying.verified(copy).data["identical"]


@pytest.mark.slow
def test_the_cell_of_a_changed_value_is_named(report, tmp_path):
    """One value of one coupon in the record that the report carries: the pages still print the other."""
    rows = list(csv.DictReader(io.StringIO(carried(report.read_bytes(), "report.pdf")["record/coupons.csv"].decode())))
    row = rows[7]
    old = row["z_strength"]
    new = f"{float(old) + 3:.3f}"
    line = next(text for text in _lines(report) if text.startswith(row["coupon"] + ","))

    def change(content):
        return content.replace(line.encode(), line.replace(old, new).encode())

    found = problems(with_file(report, tmp_path, "record/coupons.csv", change))
    (said,) = [one for one in found if one.where == f"record/, print {row['print']}, Coupon {row['number']}"]
    assert f"{float(new):.2f} in the record, {float(old):.2f} printed" in said.found
    assert any(one.where == "record/coupons.csv" and "altered" in one.found for one in found)
    assert any(one.where == "fit.json" and "estimate" in one.found for one in found)
    assert {one.where for one in found if one.where.startswith("record/,")} <= {
        f"record/, print {row['print']}, {column}" for column in (f"Coupon {row['number']}", "Mean")
    }


def test_values_are_compared_within_their_own_table():
    values = (("P1", "L1", "A", "7.10", "7.10", ""), ("P2", "L1", "A", "5.1", "5.1", "suspect"))
    table = Table("Every value: z", ("Print", "Load", "Printer", "Coupon 1", "Mean", "Remarks"), values, "lllrrl")
    page = "Every value: z Print P1 L1 A 4.10 4.10 P2 L1 A 5.1 5.1 suspect"
    printed = [["P1", "L1", "A", "3"], page.split()]
    moved = "7.10 in the record, 4.10 printed"
    assert list(value_differences([table], printed)) == [("print P1, Coupon 1", moved), ("print P1, Mean", moved)]


def _lines(report):
    return files_of(report)["record/coupons.csv"].decode().splitlines()


def named_digits(files, name, places):
    """Yield, per changed digit of a carried file, where it stood and the problems that have its line or cell."""
    for place in places:
        found = file_problems(files, {name: with_digit(files[name], place)})
        assert found[0].where.startswith(name)
        yield [one for one in found if "has its digest again" in one.found]


def searched(files):
    """Return the carried files in which a single digit is looked for by digest; the long ones are computed anew."""
    return sorted(name for name, content in files.items() if len(content) < 30_000 and re.search(rb"\d", content))


def check_every_file_names_its_digit(files, shares, names=None):
    for name in names or searched(files):
        digits = len(re.findall(rb"\d", files[name]))
        for (said,) in named_digits(files, name, {int(share * (digits - 1)) for share in shares}):
            assert said.where.startswith(f"{name}, ")


def check_every_input_is_followed(files):
    """A force or a dimension with another digit, the strength beside it as it was, even where the log was made to fit."""
    rows = files["record/coupons.csv"].decode().splitlines()
    head = rows[0].split(",")
    inputs = [at for at, column in enumerate(head) if column.partition(".")[0] in ("force", "width", "thickness")]
    number = next(at for at, row in enumerate(rows) if at and all(row.split(",")[one] for one in inputs))
    for at in inputs:
        cells = rows[number].split(",")
        cells[at] = with_digit(cells[at].encode(), 1).decode()
        content = "\n".join((*rows[:number], ",".join(cells), *rows[number + 1 :])) + "\n"
        found = {one.where: one.found for one in file_problems(files, {"record/coupons.csv": content.encode()})}
        assert "was altered" in found["record/coupons.csv"]
        digit = found[f"record/coupons.csv, {cells[0]}, {head[at]}"]
        assert digit.startswith(f"{cells[at]} is carried; with {rows[number].split(',')[at]} ")
        assert f"{float(cells[at]):g}" in found[f"record/coupons.csv, {cells[0]}, {head[at].partition('.')[2]}"]


def test_a_changed_digit_in_any_carried_file_of_an_example_run_is_named():
    files = files_of(RUNS / QUICK / "report.pdf")
    assert file_problems(files, {}) == []
    one_of_each_kind = {"log.jsonl", "plan.csv", "study.toml", "recommendation.json", "record/coupons.csv"}
    assert one_of_each_kind < set(searched(files))  # all of them in the slow test below
    check_every_file_names_its_digit(files, (0.4,), sorted(one_of_each_kind))


def test_a_changed_force_or_width_is_named_by_its_cell():
    check_every_input_is_followed(files_of(RUNS / QUICK / "report.pdf"))


def test_a_digit_of_the_log_accuses_no_other_file():
    files = files_of(RUNS / QUICK / "report.pdf")
    lines = files["log.jsonl"].count(b"\n")
    for line in (0, lines // 2, lines - 1):
        text = files["log.jsonl"].splitlines(keepends=True)
        text[line] = with_digit(text[line], -1)
        found = file_problems(files, {"log.jsonl": b"".join(text)})
        assert {one.where.partition(",")[0] for one in found} == {"log.jsonl"}
        assert any(one.where.startswith(f"log.jsonl, line {line + 1}, ") for one in found)


@pytest.mark.slow
@pytest.mark.parametrize("name", EXAMPLES)
def test_each_example_run_names_its_digits(name):
    files = files_of(RUNS / name / "report.pdf")
    assert file_problems(files, {}) == []
    check_every_file_names_its_digit(files, (0, 0.15, 0.3, 0.45, 0.6, 0.75, 0.9, 1))
    check_every_input_is_followed(files)


@pytest.mark.slow
@pytest.mark.parametrize("name", EXAMPLES)
def test_a_changed_digit_on_each_page_of_an_example_run_is_named(name, tmp_path):
    report = RUNS / name / "report.pdf"
    before = page_words(report.read_bytes(), name)
    for number in range(len(before)):
        page = PdfReader(with_digit_on_page(report, tmp_path, number)).pages[number]
        (said,) = page_differences([page.extract_text().replace("\u200b", "").split()], before[number : number + 1])
        assert re.fullmatch(r"page 1: '.*\d.*' printed, '.*\d.*' made anew", said)


@pytest.mark.slow
@pytest.mark.parametrize("name", EXAMPLES)
def test_a_changed_digit_in_a_report_of_an_example_run_is_named(tmp_path, name):
    def change(content):
        pattern = r'("estimate": -?)(\d)'
        return re.sub(pattern, lambda found: f"{found[1]}{9 - int(found[2])}", content.decode(), count=1).encode()

    found = problems(with_file(RUNS / name / "report.pdf", tmp_path, "fit.json", change))
    assert any(one.where == "fit.json" and "altered" in one.found for one in found)
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


@pytest.mark.slow
def test_a_changed_digit_of_the_plan_is_named_by_the_command(report, tmp_path):
    found = problems(with_file(report, tmp_path, "plan.csv", lambda content: with_digit(content, -1)))
    (said,) = [one.where for one in found if "has its digest again" in one.found]
    last = files_of(report)["plan.csv"].decode().splitlines()[-1]
    assert re.fullmatch(r"plan\.csv, (P\d\d.), .*", said)[1] in last


def test_a_changed_number_on_a_page_is_named(report, tmp_path):
    """A digit of the page's own text."""
    (said,) = problems(with_digit_on_page(report, tmp_path, 0))
    assert said.where == "page 1"
    assert re.fullmatch(r"'.*\d.*' printed, '.*\d.*' made anew", said.found)


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
