"""What hot ends, filament and spools stand. The facts of the trade here are common practice, no source, unless named."""

import pytest

from doe.errors import InputRefused
from doe.study.heat import heat_warnings
from doe.study.materials import families, new_study_text
from doe.study.read import parse_study

OVEN = "[oven]\n"


def text_of(family, *changes, printers=("A",)):
    text = new_study_text(family, "clip", list(printers))
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    return text


def factor(study, name):
    return next(one for one in study.factors if one.name == name)


def names(study):
    return [one.name for one in heat_warnings(study)]


def stripped(text, key):
    """Return a study's text without the lines of a key."""
    return "\n".join(line for line in text.splitlines() if not line.startswith(f"{key} = "))


def lined(low, high, limit):
    """Return a PETG study on a lined hot end with a range and a limit of the nozzle."""
    return text_of(
        "PETG", ("low = 220", f"low = {low}"), ("high = 238", f"high = {high}"), ("= [0, 240]", f"= [0, {limit}]")
    )


# Hot ends


def test_265_degrees_on_a_lined_hot_end_are_refused_with_reason_and_source():
    with pytest.raises(InputRefused) as refused:
        parse_study(lined(225, 265, 300))
    text = str(refused.value)
    assert "'nozzle_temperature' goes up to 265 °C, and printer 'A' is lined" in text
    assert "stays below 250 °C" in text and "verified source: PTFE suppliers' pages" in text
    assert 'write hot_end = "all-metal"' in text
    assert "at or below 249 (240 is what a shop keeps to" in text
    assert {one.where.split(" (")[0] for one in refused.value.problems} == {
        "study.toml, factors[1] 'nozzle_temperature', key 'high'",
        "study.toml, printers[1] 'A', limits, key 'nozzle_temperature'",
    }


@pytest.mark.parametrize(("high", "limit", "passes"), [(248, 249, True), (250, 250, False), (248, 250, False)])
def test_a_lined_hot_end_ends_below_250_degrees(high, limit, passes):
    text = lined(220, high, limit)
    if passes:
        assert "lined hot end near its end" in names(parse_study(text))
    else:
        with pytest.raises(InputRefused, match="PTFE liner stays below 250 °C"):
            parse_study(text)


@pytest.mark.parametrize(("high", "warned"), [(238, False), (240, True)])
def test_a_lined_hot_end_is_warned_of_from_240_degrees(high, warned):
    assert ("lined hot end near its end" in names(parse_study(lined(220, high, 245)))) == warned


def test_an_all_metal_hot_end_goes_as_far_as_it_is_rated():
    study = parse_study(text_of("PEEK"))
    assert study.printers[0].rated == 450
    with pytest.raises(InputRefused, match="rates this hot end for 390 °C"):
        parse_study(text_of("PEEK", ("rated = 450 ", "rated = 390 ")))


def test_a_stated_hot_end_needs_a_limit_that_plans_keep_to():
    bare = text_of("PA-CF", ("nozzle_temperature = [0, 300], ", ""))
    with pytest.raises(InputRefused, match=r"key 'limits'.*add nozzle_temperature = \[0, 300\]"):
        parse_study(bare)


@pytest.mark.parametrize(
    ("highest", "why"), [(255, "a hot end with a PTFE liner stays below 250 °C"), (245, "this printer's limit is 240 °C")]
)
def test_readings_beyond_a_hot_end_are_refused_since_cards_go_as_far_as_readings(highest, why):
    read = f"set = [220, 235, {highest}]\nactual = [215, 230, 250]\n"
    check = f'\n[[printers.checks]]\nfactor = "nozzle_temperature"\n{read}\n# What is measured'
    with pytest.raises(InputRefused, match=f"read at {highest} °C; {why}"):
        parse_study(text_of("PETG", ("\n# What is measured with", check + " with")))


def test_a_hot_end_that_is_not_stated_is_asked_for():
    assert names(parse_study(stripped(text_of("PA-CF"), "hot_end"))) == ["hot end not stated"]
    assert names(parse_study(stripped(text_of("PLA"), "hot_end"))) == []


# Drying


def test_pla_at_90_degrees_is_refused_naming_glass_transition_limit_and_source():
    with pytest.raises(InputRefused) as refused:
        parse_study(text_of("PLA", ("temperature = 45 ", "temperature = 90 ")))
    text = str(refused.value)
    assert "found 90 °C" in text
    assert "dried below 55 °C, 5 below its glass transition of 60 °C" in text
    assert "verified source: compiled filament guide, 60 to 65" in text


@pytest.mark.parametrize(("temperature", "passes"), [(54, True), (55, False)])
def test_wound_filament_is_dried_five_degrees_below_its_glass_transition(temperature, passes):
    text = text_of("PLA", ("temperature = 45 ", f"temperature = {temperature} "))
    if passes:
        assert parse_study(text).oven.temperature == temperature
    else:
        with pytest.raises(InputRefused, match="glass transition of 60 °C"):
            parse_study(text)


def test_the_study_file_itself_holds_the_limit():
    loose = stripped(text_of("PLA", ("temperature = 45 ", "temperature = 60 ")), "glass_transition")
    assert parse_study(loose).oven.temperature == 60


def test_drying_above_the_limit_of_a_family_is_refused():
    with pytest.raises(InputRefused, match=r"dried at or below 90 °C \(verified source: drying overview article"):
        parse_study(text_of("PA6", ("temperature = 80 ", "temperature = 95 "), ('spool = "unknown"', 'spool = "metal"')))


@pytest.mark.parametrize(
    ("spool", "temperature", "passes"),
    [
        ('spool = "unknown"', 84, True),
        ('spool = "unknown"', 85, False),
        ('spool = "ABS"', 93, False),
        ('spool = "polycarbonate"', 93, True),
        ('spool = "cardboard"', 93, True),
        ('spool = "unknown"\nspool_softens_at = 110', 93, True),
        ('spool = "polycarbonate"\nspool_softens_at = 95', 93, False),
    ],
)
def test_spools_do_not_soften(spool, temperature, passes):
    unlike = text_of("PA-CF", ("temperature = 82\n", f"temperature = {temperature}\n"), ('spool = "unknown"', f"{spool}\n#"))
    if passes:
        assert parse_study(unlike).oven.temperature == temperature
    else:
        with pytest.raises(InputRefused, match=r"key 'temperature'.*below where they soften.*spool_softens_at under \[oven\]"):
            parse_study(unlike)


def test_a_drying_temperature_that_is_varied_has_the_same_limits():
    more = '[[factors]]\nname = "drying_temperature"\nunit = "degC"\nlow = 40\nhigh = 60\nincrement = 5\nchange = "load"\n\n'
    with pytest.raises(InputRefused, match=r"'drying_temperature' goes up to 60 °C; wound filament is dried below 55 °C"):
        parse_study(text_of("PLA", ("# Responses: what", more + "# Responses: what")))


# Nozzles and advice


def test_a_brass_nozzle_is_warned_of_where_there_are_fibres():
    brass = ('"hardened steel, 0.6 mm"', '"Brass, 0.4 mm"')
    for family in ("PA-CF", "PA-GF"):
        assert names(parse_study(text_of(family))) == []
        assert names(parse_study(text_of(family, brass))) == ["brass nozzle for fibres"]
    assert names(parse_study(text_of("PA6"))) == []  # brass, and no fibres


def test_a_printer_may_have_a_nozzle_of_its_own():
    own = ('z_closer = "negative"', 'nozzle = "brass, 0.6 mm"\nz_closer = "negative"')
    (warned,) = heat_warnings(parse_study(text_of("PA-CF", own)))
    assert "printer A has a brass nozzle" in warned.cause


def test_a_nozzle_above_what_is_advised_is_warned_of():
    assert "nozzle above what the material is advised for" in names(
        parse_study(text_of("PLA", ("high = 220 ", "high = 232 ")))
    )


# Facts of the trade in the templates


@pytest.mark.parametrize("family", families())
def test_a_new_study_keeps_what_the_trade_knows(family):
    study = parse_study(text_of(family))
    assert names(study) == []
    gap = factor(study, "z_offset")
    assert 0.01 <= gap.increment <= 0.05  # common practice, no source
    assert 0.04 <= gap.high <= 0.08  # common practice, no source: around a good gap
    steps = 0.05 / gap.increment  # common practice, no source: gap steps of 0.05 mm, which can be set and lie in the range
    assert steps == pytest.approx(round(steps), abs=1e-9)
    assert gap.low <= -0.05 < 0.05 <= gap.high
    nozzle, hot_end = factor(study, "nozzle_temperature"), study.printers[0].hot_end
    assert nozzle.high < 240 if hot_end == "lined" else True  # common practice, no source


@pytest.mark.parametrize("family", ["PA-CF", "PA-GF"])
def test_filled_polyamide_is_printed_and_dried_as_shops_do(family):
    study = parse_study(text_of(family))
    bed, dry = factor(study, "bed_temperature"), factor(study, "drying_time")
    assert (bed.low, bed.high, bed.centre) == (60, 80, 70)  # common practice, no source
    assert 82 <= study.oven.temperature <= 93  # common practice, no source: in a plain oven
    assert dry.low <= 6 < 8 <= dry.high  # common practice, no source: 6 to 8 h in a plain oven
    assert "hardened" in study.conditions["nozzle"]
