import matplotlib
import pytest
import typst
from matplotlib.ft2font import FT2Font

from doe.report import tables
from doe.report.tables import Table

SMALL = Table(
    "Recommended setting", ("Factor", "Unit", "Setting"),
    (("nozzle temperature", "°C", "−277.5"), ("bed surface", "", "glass")), "llr", "Actual values.",
)


def test_plain_text_aligns_text_left_and_numbers_right():
    assert tables.plain_text(SMALL) == (
        "Recommended setting\n"
        "Factor              Unit  Setting\n"
        "------------------  ----  -------\n"
        "nozzle temperature  °C     −277.5\n"
        "bed surface                 glass\n"
        "Actual values.\n"
    )


def test_cells_wrap_between_words_and_numbers_stay_whole():
    table = Table("T", ("Cause", "Interval"), (("a load variance that cannot be told from zero " * 3, "26.4 to 27.9"),), "lr")
    text = tables.plain_text(table, 50)
    assert max(map(len, text.splitlines())) <= 50
    assert "26.4 to 27.9" in text
    assert set(text.split()) >= set(table.rows[0][0].split())


def test_a_table_with_too_many_columns_is_shown_row_after_row():
    columns = tuple(f"factor number {i}" for i in range(12))
    table = Table("Run table", columns, (tuple(f"{i}.25 (1{i}.75)" for i in range(12)),) * 2, "r" * 12)
    text = tables.plain_text(table, 80)
    assert "  factor number 11: 11.25 (111.75)\n" in text
    assert max(map(len, text.splitlines())) <= 80


def test_no_rows_are_said_to_be_none():
    assert tables.plain_text(Table("Amendments", ("When",), (), "l")) == "Amendments\nnone\n"


def test_wide_letters_take_two_places():
    text = tables.plain_text(Table("T", ("Level", "n"), (("日本語の表面", "1"), ("glass", "10")), "lr"), 40)
    assert text.splitlines()[3:] == ["日本語の表面   1", "glass         10"]


def test_text_cannot_steer_the_terminal_or_turn_its_direction():
    assert tables.clean("a\x1b[31mb\u202ec\nd\te\u200b") == "a\ufffd[31mbc d e"
    assert "\x1b" not in tables.plain_text(Table("\x1b[2J", ("\x1b",), (("\x1b]0;x\x07",),), "l", "\x1b"))


@pytest.mark.parametrize(
    ("label", "shown"),
    [
        ("nozzle_temperature * drying_time", "nozzle temperature × drying time"),
        ("drying_time^2", "drying time²"),
        ("z_offset -0.06 mm, drying_time 4 h", "z offset −0.06 mm, drying time 4 h"),
        ("bed_surface [sheet -1], a-1", "bed surface [sheet -1], a-1"),
        ("bed_surface [sheet_1 * 2] * z_offset", "bed surface [sheet_1 * 2] × z offset"),
    ],
)
def test_words(label, shown):
    assert tables.words(label) == shown


def test_what_the_fonts_do_not_hold_shows_as_its_code_point():
    assert tables.in_fonts("Złącze 日 µ\u0301") == "Złącze [U+65E5] µ[U+0301]"


def _known():
    return [chr(code) for first, last in tables._IN_FONTS for code in range(first, last + 1)]


def test_the_report_can_set_every_letter_that_counts_as_known():
    source = (
        '#set document(title: "t")\n'
        '#set text(lang: "en", font: ("Libertinus Serif", "New Computer Modern", "DejaVu Sans Mono"))\n'
        "#for letter in sys.inputs.all.codepoints() [#letter #h(1pt)]"
    )
    made = typst.compile(
        source.encode(), format="pdf", pdf_standards=["a-3a"], ignore_system_fonts=True, timestamp=0,
        sys_inputs={"all": "".join(_known())},
    )
    assert made.startswith(b"%PDF")


def test_the_figures_can_draw_every_letter_that_counts_as_known():
    folder = f"{matplotlib.get_data_path()}/fonts/ttf/"
    held = set(FT2Font(folder + "STIXGeneral.ttf").get_charmap()) | set(FT2Font(folder + "DejaVuSans.ttf").get_charmap())
    assert [letter for letter in _known() if ord(letter) not in held] == []
