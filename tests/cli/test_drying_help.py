"""``doe help drying``: its figures are those of the program, and what it shows of study.toml is read as it stands."""

import math
import re

import pytest

from doe.cli import help_topics
from doe.study.dryer import SPOOL, STRAND, Asked, dryer
from doe.study.filament import Based
from doe.study.materials import new_study_text
from doe.study.nonlinear_scales import verdicts
from doe.study.read import parse_study

TEXT = help_topics.topics()["drying"].text
SAID = " ".join(TEXT.split())
NAMED = '\nname = "drying_time"\n'


def block():
    """Return the lines of study.toml that the topic shows."""
    return "\n".join(line[4:] for line in TEXT.splitlines() if line.startswith("    ") and not line.startswith("    doe "))


def study(scale):
    text = new_study_text("PA-GF", "clip").replace(NAMED, f'{NAMED}scale = "{scale}"\n')
    return parse_study(text.replace("\n# Factors: what", f"\n{block()}\n\n# Factors: what"))


def test_the_air_of_an_oven():
    made = dryer(Asked())  # 23 degC, 50 %, 80 degC, 2.7 %
    assert f"still has {made.humidity:.1f} % humidity" in SAID
    assert f"keeps about {made.floor:.2f} % in it" in SAID
    assert dryer(Asked(dew_point=-40)).floor < 0.01


def test_the_thickness_the_spool_and_the_fibres():
    hours = [dryer(Asked(diameter=size, target=0.3)).hours_to_target(STRAND) for size in (1.75, 2.85)]
    assert f"2.85 mm takes {hours[1] / hours[0]:.2f} times as long as 1.75 mm" in SAID
    made = dryer(Asked())
    assert f"{made.hours_to_target(SPOOL) / made.hours_to_target(STRAND):.0f} times, if you say nothing" in SAID
    assert f"{0.7 * 2.7:.1f} % instead of 2.7 %" in SAID


def test_the_time_in_the_open():
    # trade sheet, §4: 0.05 to 0.2 % in 0.27 h
    from doe.numerics import drying

    made = dryer(Asked())
    air = drying.Course(drying.rate(float(made.forms[STRAND].at(23)), 1.75), 0.05, made.room_floor)
    assert float(drying.hours_until(air, 0.2)) == pytest.approx(0.25, abs=0.03)
    assert "from 0.05 to 0.2 % in about a quarter of an hour" in SAID


def test_what_it_shows_of_a_study_is_read_and_has_every_basis():
    data = study("linear").material.drying
    assert set(data.basis) == set(Based.__args__)
    assert data.dew_point is None


def test_the_middle_on_the_scale_of_moisture():
    factor = next(one for one in study("moisture").factors if one.name == "drying_time")
    assert (factor.low, factor.high, factor.centre) == (4, 12, 8)
    assert f"between 4 and 12 h the middle is then about {factor.middle:.1f} h for the values above, not 8" in SAID
    assert "`scale = \"log\"` counts equal ratios alike" in SAID
    ratio = next(one for one in study("log").factors if one.name == "drying_time")
    assert ratio.middle == pytest.approx(math.sqrt(4 * 12))


def test_illustrative_values_under_the_scale_are_named():
    (verdict,) = verdicts(study("moisture"))
    assert verdict.name == "illustrative drying values" and "activation energy" in verdict.cause


def test_the_command_takes_a_file_as_it_says(doe, tmp_path):
    file = tmp_path / "spool.csv"
    file.write_text("hours,mass\n0,1012.4\n1,1008.9\n2,1007.3\n4,1004.9\n8,1002.7\n24,1000.9\n")
    line = re.search(r"^    doe drying (.*)$", TEXT, flags=re.MULTILINE)[1]
    status, out, err = doe("drying", *line.replace("spool.csv", str(file)).split())
    assert (status, err) == (0, "")
    assert "Fitted to the weighings of a wound spool" in out and "loss until equilibrium" in out
