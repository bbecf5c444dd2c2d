"""A study in which every text is markup of some kind: it is shown as it stands everywhere, and means nothing anywhere."""

import csv
import html.parser
import io
import json
import re
import tomllib

import numpy as np
import pytest
from openpyxl import load_workbook

from doe.cli import planning, steps
from doe.files import Folder
from doe.report.verify import page_words
from tests.cli.conftest import snapshot

MARKS = {
    "typst": r"#set page(width: 1pt) $x^2$ *b* _i_ @ref <label> #import `raw` \u{41}",
    "html": "<script>run()</script> &amp; <img src=x onerror=run()>",
    "terminal": r"[red]r[/red] [link=http://x.invalid]l[/link] \x1b[31m",
}
MARK = " ".join(MARKS.values())
STARTS = ('=HYPERLINK("http://x.invalid")', "+1", "@SUM(A1)", "-2", "=1+1")
STEERING = "\x7f\x9b\u202e\u2066"


def text(tag, place):
    """Return a text of a field: one that a spreadsheet would compute, the field's tag, then markup."""
    return f"{STARTS[place % len(STARTS)]} {tag} {MARK}"


TITLE, MATERIAL, METHOD, CONDITION = text("Title", 0), text("Material", 1), text("Method", 2), text("Condition", 3)
SHORT = "<b>$x^2$ *b* #x @r &amp; [red]"
LEVELS = (f"=1+1 Smooth {SHORT}", f"+1 Rough {SHORT}")
UNIT = "=1+1 <b>MPa</b> [red]#x"
KIND = text("Kind", 1)
NOTE, OPERATOR, REASON = text("Note", 2), "@AB <b>", text("Reason", 3)
STUDY = f"""
[study]
id = "clip"
title = '''{TITLE}'''
material = '''{MATERIAL}'''
family = "PA-CF"

[[factors]]
name = "nozzle_temperature"
unit = "degC"
low = 255
high = 285
increment = 1

[[factors]]
name = "surface"
levels = ['''{LEVELS[0]}''', '''{LEVELS[1]}''']

[[responses]]
name = "strength"
unit = '''{UNIT}'''
kind = "measured"
per = "print"
at_least = 20.0
method = '''{METHOD}'''

[[instruments]]
id = "UTM-1"
kind = '''{KIND}'''

[conditions]
air = '''{CONDITION}'''

[model]
terms = "interactions"
"""
ROWS = [(nozzle, level) for nozzle in (255, 285) for level in LEVELS] * 4


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A study that went the whole way, with its plan adopted from a file."""
    path = tmp_path_factory.mktemp("markup") / "clip"
    path.mkdir()
    (path / "study.toml").write_text(STUDY, encoding="utf-8")
    plan = io.StringIO()
    csv.writer(plan).writerows([("nozzle_temperature", "surface"), *ROWS])
    (path.parent / "plan.csv").write_text(plan.getvalue(), encoding="utf-8")
    made = Folder(path)
    planning.adopt(made, path.parent / "plan.csv")
    _typed_in(made)
    steps.collect(made, [], "")
    steps.fit(made, None)
    steps.recommend(made)
    (path / "study.toml").write_text(STUDY.replace("at_least = 20.0", "at_least = 19.0"), encoding="utf-8")
    steps.amend(made, REASON)
    steps.fit(made, None)
    steps.recommend(made)
    steps.report(made, page=True)
    return made


def _typed_in(made):
    written = steps.sheet(made).data
    target, place = made.path / written["file"], written["sheets"]["Prints"]
    book = load_workbook(target)
    page, column, generator = book[place["sheet"]], place["columns"], np.random.default_rng(5)
    for number, (nozzle, _) in enumerate(ROWS):
        row = place["first_row"] + number
        strength = 26 + (nozzle - 270) / 10 + generator.normal()
        cells = {"outcome": "completed", "operator": OPERATOR, "strength": round(strength, 2)}
        if number == 3:
            cells |= {"deviation": "suspect", "note": NOTE}
        for key, value in cells.items():
            cell = page[f"{column[key]}{row}"]
            cell.value = value
            if isinstance(value, str):
                cell.data_type = "s"  # as a program for spreadsheets stores what was typed into a cell of text
    book.save(target)


def squeezed(shown):
    """Return text without spaces and places to break, which differ from one output to the next."""
    return re.sub(r"[\s\u200b]+", "", shown)


SHOWN = {
    "title": TITLE, "material": MATERIAL, "method": METHOD, "condition": CONDITION, "level": LEVELS[0], "other level": LEVELS[1],
    "unit": UNIT, "kind of instrument": KIND, "note": NOTE, "reason": REASON,
}  # fmt: skip


@pytest.fixture(scope="module")
def pdf(folder):
    return squeezed(" ".join(word for page in page_words(folder.read("report.pdf"), "report.pdf") for word in page))


@pytest.mark.slow
@pytest.mark.parametrize("field", SHOWN)
def test_the_pdf_shows_it_as_it_stands(pdf, field):
    assert squeezed(SHOWN[field]) in pdf


class _Page(html.parser.HTMLParser):
    def __init__(self, content):
        super().__init__(convert_charrefs=True)
        self.tags, self.data, self._of = [], {}, None
        self.feed(content)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self._of = dict(attrs).get("id") if tag == "script" else None

    def handle_endtag(self, tag):
        self._of = None

    def handle_data(self, data):
        if self._of:
            self.data[self._of] = self.data.get(self._of, "") + data


@pytest.fixture(scope="module")
def page(folder):
    return _Page(folder.read("report.html").decode())


@pytest.mark.slow
@pytest.mark.parametrize("field", SHOWN)
def test_the_page_holds_it_as_data(page, field):
    shown = json.loads(page.data["report"])
    assert squeezed(SHOWN[field]) in squeezed(" ".join(_texts(shown)))


def _texts(value):
    if isinstance(value, str):
        yield value
    for one in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        yield from _texts(one)


@pytest.mark.slow
def test_no_element_of_the_page_comes_from_a_text(page):
    assert [tag for tag, _ in page.tags].count("script") == 3
    assert not {"img", "b", "label"} & {tag for tag, _ in page.tags}
    assert not [name for _, attributes in page.tags for name in attributes if name.startswith("on")]


@pytest.mark.slow
def test_a_figure_of_the_page_has_no_element_from_a_text(page):
    drawn = [one for one in _texts(json.loads(page.data["report"])) if "<svg" in one]
    assert drawn
    assert not [one for one in drawn if re.search(r"<(?:script|img|label|b)\b|\son\w+\s*=", one)]


@pytest.mark.slow
def test_every_cell_of_the_workbook_with_such_a_text_is_text(folder):
    book = load_workbook(folder.path / "sheets" / "round-1.xlsx")
    cells = [cell for sheet in book for row in sheet for cell in row if isinstance(cell.value, str)]
    hostile = [squeezed(one) for one in (*SHOWN.values(), OPERATOR)]
    given = [cell for cell in cells if any(one in squeezed(cell.value) for one in hostile)]
    assert all(any(tag in cell.value for cell in given) for tag in ("Title", "Smooth", "Rough", "Condition", "MPa", "Note"))
    assert {cell.data_type for cell in given} == {"s"}
    computed = [cell.value for cell in cells if cell.data_type == "f"]
    assert not [formula for formula in computed if re.search("HYPERLINK|run\\(\\)|SUM\\(A1\\)", formula)]
    links = [cell.hyperlink.target for sheet in book for row in sheet for cell in row if cell.hyperlink]
    assert not [target for target in links if "x.invalid" in str(target)]


COMMANDS = [
    ("status",), ("fit",), ("fit", "--details"), ("recommend",), ("check",), ("report", "--draft"), ("sheet", "--replace"),
]


@pytest.mark.slow
@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_the_terminal_is_not_steered_and_markup_stays(doe, folder, command):
    status, out, err = doe(*command, "--study", folder.path)
    assert "Traceback" not in err
    said = out + err
    assert said
    assert not [letter for letter in said if (ord(letter) < 32 and letter != "\n") or letter in STEERING]
    if command[0] in ("fit", "recommend") and status == 0:
        assert squeezed(SHORT) in squeezed(said)


@pytest.mark.slow
def test_json_is_json(doe, folder):
    status, out, _ = doe("recommend", "--json", "--study", folder.path)
    assert status == 0
    assert json.loads(out)["settings"]["surface"]["value"] in LEVELS


@pytest.mark.slow
def test_the_files_of_the_study_hold_what_was_typed(folder):
    assert tomllib.loads(folder.read("study.toml").decode())["study"]["title"] == TITLE
    planned = list(csv.DictReader(io.StringIO(folder.read("plan.csv").decode())))
    assert {row["target.surface"] for row in planned} == set(LEVELS)
    prints = list(csv.DictReader(io.StringIO(folder.read("record/prints.csv").decode())))
    assert [row["note"] for row in prints if row["note"]] == [NOTE]
    assert {row["operator"] for row in prints} == {OPERATOR}


@pytest.mark.parametrize(
    "letter", ["\\u001b[31m", "\\u009b31m", "\\u202e", "\\u2066", "\\u2028", "\\u007f", "\\u0000"],
    ids=["escape", "control sequence", "override", "isolate", "line separator", "delete", "nul"],
)
@pytest.mark.parametrize("key", ["title", "material", "unit", "method"])
def test_what_steers_a_terminal_or_turns_a_text_is_refused(doe, tmp_path, key, letter):
    changed = re.sub(rf"(?m)^{key} = '''.*'''$", lambda _: f'{key} = "a{letter}b"', STUDY)
    (tmp_path / "study.toml").write_text(changed, encoding="utf-8")
    before = snapshot(tmp_path)
    status, out, err = doe("plan", "--study", tmp_path)
    assert (status, out) == (3, "")
    assert key in err
    assert "control character" in err or "cannot be understood" in err
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u2028\u202e\u2066]", err)
    assert snapshot(tmp_path) == before


@pytest.mark.parametrize("name", ["A<b>", "=A", "@A", "A[red]", "A\\u202e"])
def test_names_hold_no_markup(doe, tmp_path, name):
    (tmp_path / "study.toml").write_text(STUDY + f'\n[[printers]]\nname = "{name}"\n', encoding="utf-8")
    status, _, err = doe("plan", "--study", tmp_path)
    assert status == 3
    assert "printers" in err
    assert "\u202e" not in err
