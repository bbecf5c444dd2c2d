import re

import pytest

from doe.errors import InputRefused
from doe.study.materials import families, new_study_text, template
from doe.study.read import parse_study

SAID = ("verified source", "from memory", "common practice, no source", "computed", "placeholder")


@pytest.fixture(params=families())
def family(request):
    return request.param


def test_the_families_end_with_the_general_one():
    assert families() == [
        "ABS", "ASA", "PA-CF", "PA-GF", "PA12", "PA6", "PC", "PEEK", "PETG", "PLA", "PP", "PPS", "TPU", "other",
    ]  # fmt: skip


def test_a_new_study_is_read_without_edits(family):
    study = parse_study(new_study_text(family, "clip-1", ["A", "B", "C"], "A clip", "as on the spool"))
    assert (study.header.id, study.header.title, study.header.material, study.header.family) == (
        "clip-1",
        "A clip",
        "as on the spool",
        family,
    )
    assert [printer.name for printer in study.printers] == ["A", "B", "C"]
    assert study.model.terms == "quadratic"
    assert {response.name for response in study.responses} >= {"z_strength", "bed_grade"}
    assert study.budget.prints is not None


def test_title_and_material_have_a_line_to_replace(family):
    assert template(family).description in parse_study(new_study_text(family, "clip-1")).header.title


def test_a_study_may_name_no_printer(family):
    assert parse_study(new_study_text(family, "clip-1", [])).printers == ()


def test_centres_lie_on_the_increments(family):
    for factor in parse_study(new_study_text(family, "clip-1")).factors:
        steps = factor.half_range / factor.increment
        assert steps == pytest.approx(round(steps), abs=1e-9)


def test_every_number_says_where_it_comes_from(family):
    lines = new_study_text(family, "clip-1").splitlines()
    for number, line in enumerate(lines):
        if re.match(r"\w+ = [-\[\d]", line):
            above = lines[number - 1] + lines[number - 2]
            assert any(word in line or word in above for word in SAID), line


def test_every_key_is_explained(family):
    text = new_study_text(family, "clip-1")
    words = " ".join(line for line in text.splitlines() if line.startswith("#"))
    for key in set(re.findall(r"^(\w+) = ", text.split("[conditions]")[0], re.MULTILINE)) - {
        "title",
        "material",
        "terms",
        "grades",
    }:
        assert key in words, key


def test_lines_fit_a_screen(family):
    assert max(len(line) for line in new_study_text(family, "clip-1").splitlines()) <= 120


def test_load_factors_have_loads(family):
    study = parse_study(new_study_text(family, "clip-1"))
    assert not study.load_factors or (study.budget.loads or 0) > 2


def test_the_last_caution_says_what_prevails(family):
    cautions = template(family).cautions
    assert re.search("SDS.*local codes.*qualified people prevail", cautions[-1])
    assert sum("prevail" in caution for caution in cautions) == 1


@pytest.mark.parametrize(
    "words",
    [
        "burns",
        "PTFE liner stays at or below 240 °C",
        "never goes above 260 °C",
        "Drying oven: never used for food",
        "ultrafine particles",
        "no source of ignition",
        "licensed people",
        "guard closed",
        "Moving axes",
    ],
)
def test_general_cautions_reach_every_family(family, words):
    text = new_study_text(family, "clip-1")
    comments = " ".join(line.removeprefix("#").strip() for line in text.splitlines() if line.startswith("#"))
    assert any(words in caution for caution in template(family).cautions)
    assert words in comments


@pytest.mark.parametrize(
    ("family_name", "words", "applies"),
    [
        ("PA-CF", "Fibre dust", True),
        ("PA-CF", "caprolactam when molten (from memory)", True),
        ("PA-CF", "styrene", False),
        ("ABS", "styrene when molten (from memory)", True),
        ("ABS", "ibre", False),
        ("other", "holds fibres", True),
    ],
)
def test_cautions_follow_the_family(family_name, words, applies):
    assert any(words in caution for caution in template(family_name).cautions) == applies


def test_sources_are_listed(family):
    assert all(any(word in source for word in SAID) for source in template(family).sources)
    assert set(template(family).factors[0].sources) >= {"low", "high", "increment"}


def test_an_unknown_family_is_refused():
    with pytest.raises(InputRefused, match="'PLA', 'PP', 'PPS', 'TPU', 'other'; did you mean 'PA-CF'"):
        template("pa cf")


def test_text_with_quotes_stays_text():
    title = 'The 5" clip \\ and # a\x7fb'.replace("\x7f", "")
    assert parse_study(new_study_text("ABS", "clip-1", title=title)).header.title == title


@pytest.mark.parametrize(
    ("arguments", "where"),
    [
        ({"study_id": "my clip"}, r"\[study\], key 'id'"),
        ({"study_id": "clip", "printers": ["A", "A"]}, r"printers\[2\] 'A', key 'name'"),
        ({"study_id": "clip", "printers": ["no 1"]}, r"printers\[1\] 'no 1', key 'name'"),
        ({"study_id": "clip", "title": "two\nlines"}, r"\[study\], key 'title'"),
        ({"study_id": "clip", "title": "a\x7fb"}, r"\[study\], key 'title'"),
    ],
)
def test_what_cannot_stand_in_a_study_is_refused(arguments, where):
    with pytest.raises(InputRefused, match=f"the new study, {where}"):
        new_study_text("PA-CF", **arguments)


def test_a_family_without_drying_has_it_as_a_comment_that_can_be_used():
    text = new_study_text("other", "clip-1")
    assert "drying_time" not in {one.name for one in parse_study(text).factors}
    before, block, after = text.partition('# [[factors]]\n# name = "drying_time"\n')
    asked, rest = after.split("\n\n", 1)
    used = "\n".join(line.removeprefix("# ") for line in (block + asked).splitlines())
    factor = parse_study(f"{before}{used}\n\n{rest}").factors[-1]
    assert (factor.name, factor.unit, factor.change) == ("drying_time", "h", "load")
    assert "# Does it take up water" in before
    assert "# Does it take up water" not in new_study_text("PA12", "clip-1")


@pytest.mark.parametrize("family", families())
def test_every_family_offers_a_dimension(family):
    study = parse_study(new_study_text(family, "clip-1", responses=["z_strength", "dimension"]))
    one = study.responses[1]
    assert (one.unit, one.kind, one.per) == ("mm", "measured", "coupon")
    assert one.at_least < one.at_most
