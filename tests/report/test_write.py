import dataclasses
import io
import re

import pytest
from pypdf import PdfReader

from doe.errors import InternalFault
from doe.report import write
from doe.report.write import write_report
from tests.report import samples

FONTS = ("LibertinusSerif", "NewCM", "DejaVuSansMono")


def _text(content):
    pages = [page.extract_text() for page in PdfReader(io.BytesIO(content)).pages]
    return [re.sub(r"[\s\u200b]+", " ", page) for page in pages]


@pytest.fixture(scope="module")
def plain():
    return write_report(samples.inputs())


@pytest.fixture(scope="module")
def plain_pages(plain):
    return _text(plain)


@pytest.fixture(scope="module")
def odd_pages(odd):
    return _text(odd)


@pytest.fixture(scope="module")
def odd():
    """Simulated, twelve factors, texts that would be markup, letters of many scripts."""
    factors = tuple(
        samples.FACTORS[index % 3].model_copy(update={"name": f"factor_with_a_rather_long_name_{index}", "change": "print"})
        for index in range(11)
    )
    levels = ("#read(\"/etc/passwd\")", "*bold* $x^2$ <label> @ref", "Fläche – гладкая, λεία")
    study = samples.study(
        (*factors, samples.FACTORS[3].model_copy(update={"levels": levels})), simulated=True,
        title='#read("/etc/passwd") = Złącze 表面 #set page(width: 1pt)', material="https://example.org/" + "x" * 150,
    )
    return write_report(samples.inputs(study, recommendation=samples.recommendation(study, tuple("ABCDEFGH"))))


def test_the_same_inputs_give_the_same_bytes(plain):
    assert write_report(samples.inputs()) == plain


def test_it_claims_pdf_a_3a(plain):
    metadata = PdfReader(io.BytesIO(plain)).trailer["/Root"]["/Metadata"].get_data().decode()
    assert "<pdfaid:part>3</pdfaid:part>" in metadata
    assert "<pdfaid:conformance>A</pdfaid:conformance>" in metadata


def test_it_has_title_language_tags_and_the_date_of_the_study(plain):
    reader = PdfReader(io.BytesIO(plain))
    root = reader.trailer["/Root"]
    assert reader.metadata.title == "Clip in filled polyamide X"
    assert reader.metadata.creation_date.isoformat().startswith("2026-03-10")
    assert root["/Lang"] == "en-GB"
    assert root["/MarkInfo"]["/Marked"] == True  # noqa: E712 - a PDF boolean
    assert "/StructTreeRoot" in root


def _elements(node):
    for child in node if isinstance(node, list) else [node]:
        found = child.get_object()
        if isinstance(found, list):
            yield from _elements(found)
        elif isinstance(found, dict):
            yield found
            if "/K" in found:
                yield from _elements(found["/K"])


def test_every_figure_has_its_alternative_text_and_tables_have_headings(plain):
    found = list(_elements(PdfReader(io.BytesIO(plain)).trailer["/Root"]["/StructTreeRoot"]))
    alts = [one.get("/Alt") for one in found if one.get("/S") == "/Figure"]
    assert len(alts) == 7
    assert all(alt and alt.startswith(("Contour plot.", "Level plot.", "List of intervals.", "Rising line.")) for alt in alts)
    assert sum(one.get("/S") == "/TH" for one in found) > 50


def test_only_fonts_of_the_typesetter_are_embedded(plain, odd):
    for content in (plain, odd):
        for page in PdfReader(io.BytesIO(content)).pages:
            for font in page["/Resources"]["/Font"].get_object().values():
                assert any(name in font.get_object()["/BaseFont"] for name in FONTS)


def test_the_report_reads_in_the_promised_order(plain_pages):
    text = " ".join(plain_pages)
    places = [text.index(part) for part in (
        "Recommended setting", "Next step", "Approval", "Checked", "Approved", "log head", "1 Question and requirements",
        "2 Plan", "Run table", "3 Deviations", "Amendments", "4 Data", "5 Models", "Lack of fit", "Figure 3", "6 Graded",
        "7 Recommendation", "95 % prediction interval", "8 Confirmation", "9 Sensitivity", "10 Cautions",
        "safety data sheet", "11 Terms", "12 Provenance", "SHA-256", "Software", "The log", "13 Appendix",
        "Every value: z strength",
    )]
    assert places == sorted(places)


def test_the_answer_and_the_approvals_share_page_one(plain_pages):
    first = plain_pages[0]
    for part in ("Clip in filled polyamide X", "277.5", "94.1 %", "Open verdicts", "Approved", "Signature", "ab" * 32):
        assert part in first


def test_every_page_says_its_number_study_and_date(plain_pages):
    pages = plain_pages
    for number, page in enumerate(pages, 1):
        assert f"page {number} of {len(pages)}" in page
        assert "pa-x-clip, report of 2026-03-10" in page
        assert "SIMULATED" not in page


def test_simulated_data_are_named_on_every_page(odd_pages):
    pages = odd_pages
    assert all("SIMULATED DATA" in page for page in pages)
    assert "no print was made" in pages[0]


def test_text_is_data_and_never_markup(odd_pages):
    text = " ".join(odd_pages)
    assert '#read("/etc/passwd") = Złącze [U+8868][U+9762] #set page(width: 1pt)' in text
    assert "*bold* $x^2$ <label> @ref" in text
    assert "Fläche – гладкая, λεία" in text
    assert "root:" not in text


def test_a_table_over_several_pages_repeats_its_heading(plain_pages):
    with_values = [page for page in plain_pages if "Print Load Printer warp, mm bed grade" in page]
    assert len(with_values) >= 2


def test_wide_tables_lie_on_landscape_pages(odd):
    sizes = {(round(float(page.mediabox.width)), round(float(page.mediabox.height))) for page in PdfReader(io.BytesIO(odd)).pages}
    assert sizes == {(595, 842), (842, 595)}


def test_nothing_measured_and_nothing_recommended():
    study = samples.study((samples.FACTORS[0],), (samples.RESPONSES[3],))
    text = " ".join(_text(write_report(samples.inputs(study, recommendation=None, cautions=(), log=()))))
    assert "No setting is recommended" in text
    assert "No measured response was fitted" in text


def test_one_moved_digit_moves_the_bytes(plain):
    inputs = samples.inputs()
    assert write_report(dataclasses.replace(inputs, log_head="cd" * 32)) != plain


def test_a_fault_of_the_templates_is_a_fault_of_ours(monkeypatch):
    monkeypatch.setattr(write, "document", lambda _: {"title": "nothing else"})
    with pytest.raises(InternalFault, match="the report could not be set: dictionary does not contain key"):
        write_report(samples.inputs())
