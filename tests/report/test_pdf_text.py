"""Every number of ``recommendation.json`` stands on a page of the PDF, in the row of its table, rounded as displayed."""

import json
import re
import shutil
import subprocess
from fnmatch import fnmatchcase
from pathlib import Path

import pytest

from doe.report.verify import page_words
from tests.report.shown_numbers import NOT_SHOWN, SAME, Shown, expected, leaves

ROOT = Path(__file__).parents[2] / "example_runs"
NAMES = sorted(path.parent.name for path in ROOT.glob("*/recommendation.json"))
HEADS = r"(?=Factor |Printer |Response |Fact |What |Model |New loads|Distance |Verdict |Figure )"


def text_of(report):
    """Return the text of a PDF as one line; a word that was broken at its hyphen is whole again."""
    found = " ".join(_words(report)).replace("\u200b", "")
    return re.sub(r"(?<=[a-z])- (?=[a-z])", "-", re.sub(r"(?<= )-(?=\d)", "−", found))


def _words(report):
    """Return the words in the order in which they are set: by pdftotext where it is, since pypdf takes many seconds."""
    program = shutil.which("pdftotext")
    if program is None:
        return [word for page in page_words(report.read_bytes(), report.name) for word in page]
    done = subprocess.run([program, "-raw", "-enc", "UTF-8", str(report), "-"], capture_output=True, check=True)
    return done.stdout.decode().split()


def parts_of(text, every):
    """Return the text of each table, to where the next one begins; all of the text for the empty title."""
    after = text[re.search(r"\d+ Recommendation The interval of the mean", text).start() :]
    titles = {one.table for one in every if one.table} | {"Verdicts"}
    found = (re.search(f"(?<!\\w){re.escape(title)} {HEADS}", after) for title in titles)
    places = sorted((one.start(), one.group().strip()) for one in found if one)
    ends = [start for start, _ in places[1:]] + [len(after)]
    return {"": text} | {title: after[start:end] for (start, title), end in zip(places, ends, strict=True)}


def missing(parts, every):
    """Return what is not in the text where it belongs."""
    return [one for one in every if one.row not in parts.get(one.table, "")]


def unaccounted(data, every):
    """Return the numbers of the file that are neither asked for on a page nor named as not shown."""
    asked = {one.place for one in every}
    found = dict(leaves(data))
    same = {place for place, other in SAME.items() if place in found and found[place] == found[other]}
    return [
        place for place in found
        if place not in asked | same and not any(fnmatchcase(place, pattern) for pattern in NOT_SHOWN)
    ]


def study(folder):
    data = json.loads((folder / "recommendation.json").read_text(encoding="utf-8"))
    every = expected(data)
    return data, every, parts_of(text_of(folder / "report.pdf"), every)


@pytest.fixture(scope="module", params=NAMES)
def run(request):
    return study(ROOT / request.param)


def test_every_number_is_asked_for_or_named_as_not_shown(run):
    data, every, _ = run
    assert unaccounted(data, every) == []
    assert len(every) > 60


def test_every_number_is_on_its_page(run):
    assert missing(run[2], run[1]) == []


def test_a_number_that_is_taken_off_its_page_is_missed(run):
    """Each row loses one of its figures; where shares are all in words, its last word."""
    _, every, parts = run
    for row, table in {(one.row, one.table) for one in every}:
        for figure in list(re.finditer(r"\d[\d.]*", row)) or list(re.finditer(r"\w+$", row)):
            shorter = parts[table].replace(row, row[: figure.start()] + row[figure.end() :])
            of_row = [one for one in every if (one.row, one.table) == (row, table)]
            assert missing({table: shorter}, of_row) == of_row


def test_a_number_that_is_new_in_the_file_is_noticed(run):
    data, every, _ = run
    assert unaccounted({**data, "conformance": {**data["conformance"], "upper": 0.5}}, every) == ["conformance.upper"]


def test_each_reason_is_needed():
    places = {place for name in NAMES for place, _ in leaves(json.loads((ROOT / name / "recommendation.json").read_text()))}
    assert [pattern for pattern in NOT_SHOWN if not any(fnmatchcase(place, pattern) for place in places)] == []


def test_a_row_of_another_table_does_not_count():
    text = "1 Recommendation The interval of the mean says. Conformance Fact Value estimate 1 % Verdicts Verdict estimate 2 %"
    every = [Shown("a", "Conformance", "estimate 1 %"), Shown("b", "Conformance", "estimate 2 %")]
    assert [one.place for one in missing(parts_of(text, every), every)] == ["b"]


@pytest.mark.slow
def test_every_number_of_the_demo_is_on_its_page(tmp_path):
    from typer.testing import CliRunner

    from doe.cli.app import app

    assert CliRunner().invoke(app, ["demo", str(tmp_path / "demo")]).exit_code == 0
    data, every, parts = study(tmp_path / "demo")
    assert unaccounted(data, every) == []
    assert missing(parts, every) == []
