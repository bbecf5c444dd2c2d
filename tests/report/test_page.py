import base64
import hashlib
import json
import re
from html.parser import HTMLParser

import pytest

from doe.report import page as pages
from doe.report.page import as_json, page, page_templates, write_page
from doe.report.sections import document
from tests.report import explored, samples

MARKUP = '</script><script>alert(1)</script><!-- <img src=x onerror="alert(2)"> & &lt; #read("/etc/passwd") =1+1 @@report@@'
BREAK = "\u200b"  # where a long word may break


class _Seen(HTMLParser):
    """Every tag with its attributes, and the text inside script and style."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.tags, self.inside = [], []
        self._open = False
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self._open = tag in ("script", "style")
        if self._open:
            self.inside.append((tag, dict(attrs), ""))

    def handle_endtag(self, tag):
        self._open = False

    def handle_data(self, data):
        if self._open:
            tag, attributes, text = self.inside[-1]
            self.inside[-1] = (tag, attributes, text + data)

    def data(self, name):
        return json.loads(next(text for _, attributes, text in self.inside if attributes.get("id") == name))


@pytest.fixture(scope="module")
def made():
    return document(explored.inputs()[0])


@pytest.fixture(scope="module")
def content(made):
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(pages, "document", lambda inputs: made)  # the figures are drawn once
        return write_page(explored.inputs()[0]).decode()


@pytest.fixture(scope="module")
def seen(content):
    return _Seen(content)


def test_the_same_inputs_give_the_same_bytes():
    inputs = samples.inputs(samples.study(samples.FACTORS[:1], samples.RESPONSES[:1]))
    assert write_page(inputs) == write_page(inputs)


def test_it_says_what_the_report_says(seen, made):
    shown = seen.data("report")
    assert shown == json.loads(json.dumps({key: made[key] for key in shown}))
    assert set(made) - set(shown) == {"attachments", "description", "date", "draft", "keywords"}


def test_every_section_and_figure_of_the_report_is_there(seen):
    shown = seen.data("report")
    figures = [block for one in shown["sections"] for block in one["blocks"] if block["kind"] == "figure"]
    assert [one["title"] for one in shown["sections"]][-3:] == ["Terms", "Provenance", "Appendix: every value"]
    assert any("let them cool" in str(one["blocks"]) for one in shown["sections"])
    assert figures
    assert all(one["alt"] and one["svg"].lstrip().startswith("<?xml") for one in figures)


def test_it_is_one_file_that_asks_for_nothing(seen, content):
    every = [pair for _, attributes in seen.tags for pair in attributes.items()]
    links = [value for key, value in every if key in ("src", "href", "action", "srcset")]
    assert sorted(links) == ["#content", "data:,"]
    styles = page_templates()["page.css"]
    assert "url(" not in styles
    assert "@import" not in styles
    assert not re.search(r"\b(fetch|XMLHttpRequest|WebSocket|EventSource|sendBeacon|import)\b\s*\(", _program(seen))
    assert len(content) < 3_000_000


def test_its_policy_lets_its_own_program_run_and_nothing_be_fetched(seen):
    policy = next(attributes["content"] for tag, attributes in seen.tags if attributes.get("http-equiv"))
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    style = next(text for tag, _, text in seen.inside if tag == "style")
    assert rules == {
        "default-src": "'none'", "script-src": f"'{_digest(_program(seen))}'", "style-src": f"'{_digest(style)}'",
        "img-src": "data:", "base-uri": "'none'", "form-action": "'none'",
    }


def _program(seen):
    return next(text for tag, attributes, text in seen.inside if tag == "script" and "type" not in attributes)


def _digest(text):
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def test_texts_are_set_as_text_and_no_tag_carries_a_program(seen):
    assert not re.search(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\b|new Function", _program(seen))
    assert not [key for _, attributes in seen.tags for key in attributes if key.startswith("on") or key == "style"]


@pytest.mark.usefixtures("undrawn")
def test_markup_in_a_study_stays_text():
    hostile = _Seen(write_page(samples.inputs(samples.study(title=MARKUP, material=MARKUP))).decode())
    shown = hostile.data("report")
    assert shown["title"].replace(BREAK, "") == MARKUP
    assert f"prints of {MARKUP} meet" in shown["sections"][0]["blocks"][0]["text"].replace(BREAK, "")
    assert [tag for tag, _ in hostile.tags].count("script") == 3
    assert "img" not in [tag for tag, _ in hostile.tags]


def test_no_letter_of_the_data_begins_a_tag_or_an_entity():
    text = as_json({"<!--": "</script>&amp;", "b": ["<", 1.5, None]})
    assert not set("<>&") & set(text)
    assert json.loads(text) == {"<!--": "</script>&amp;", "b": ["<", 1.5, None]}


def test_marks_in_the_data_are_not_filled_in():
    made = _Seen(page({"title": "@@program@@"}, None).decode())
    assert made.data("report") == {"title": "@@program@@"}
    assert made.data("explorer") is None


@pytest.mark.usefixtures("undrawn")
def test_simulated_data_are_named():
    shown = _Seen(write_page(samples.inputs(samples.study(simulated=True))).decode()).data("report")
    assert shown["simulated"] is True
    assert shown["loud"][0].startswith("SIMULATED DATA")
