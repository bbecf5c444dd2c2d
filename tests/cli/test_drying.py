"""The command ``drying``: answers, refusals, and that it changes no study."""

import json

import pytest

from doe.cli import moisture
from doe.study.dryer import Asked
from tests.cli.conftest import TWO_FACTORS, snapshot
from tests.conftest import make_study
from tests.record.test_weighed import HOURS, masses

STUDY = TWO_FACTORS + """
[[factors]]
name = "drying_time"
unit = "h"
low = 4
high = 12
increment = 0.5
change = "load"

[[responses]]
name = "z_strength"
unit = "MPa"
at_least = 20.0

[model]
terms = "main"

[oven]
temperature = 70
"""
NO_FLOOR = ("--equilibrium-moisture", 0, "--equilibrium-humidity", 50)


@pytest.fixture
def folder(tmp_path):
    path = tmp_path / "clip"
    path.mkdir()
    (path / "study.toml").write_text(STUDY)
    return path


def weighed(path, name, slowdown):
    lines = (f"{at},{mass:.4f}" for at, mass in zip(HOURS, masses(80, slowdown), strict=True))
    file = path / name
    file.write_text("hours,mass\n" + "\n".join(lines) + "\n")
    return file


def test_worked_example(doe):
    # trade sheet, §4
    status, out, err = doe("drying", "--diffusivity", 5e-13, "--diffusivity-temperature", 23, *NO_FLOOR)
    assert (status, err) == (0, "")
    assert "4.47 h" in out and "0.253" in out
    assert "illustrative, not your material" in out  # the moisture at the start was not said
    assert "Before anybody heats anything" in out and "lower limits" in out


def test_data(doe):
    status, out, _ = doe("drying", *NO_FLOOR, "--hours", 6, "--target", 0.2, "--json")
    found = json.loads(out)
    assert status == 0
    strand = found["forms"]["bare strand"]
    assert strand["moisture_after"] == pytest.approx(0.0929, abs=5e-5)  # trade sheet, §4
    assert strand["hours_to_target"] == pytest.approx(4.47, abs=5e-3)
    assert strand["hours_out"] is None  # the room keeps nothing either
    assert found["inputs"]["hours"] == {"value": 6.0, "source": "given"}
    assert found["illustrative"] and found["levels"] is None


def test_weighings_say_diffusivity_and_factor(doe, tmp_path):
    strand, spool = weighed(tmp_path, "strand.csv", 1.0), weighed(tmp_path, "spool.csv", 3.0)
    status, out, _ = doe("drying", "--strand-weighings", strand, "--spool-weighings", spool, "--readability", 0.001, "--json")
    found = json.loads(out)
    assert status == 0
    assert found["spool_factor"]["value"] == pytest.approx(3.0, rel=1e-3)
    assert found["inputs"]["diffusivity"]["value"] == pytest.approx(1.8395e-11, rel=1e-3)
    low, high = (found["fits"]["wound spool"]["diffusivity"][end] for end in ("low", "high"))
    assert low < 1.8395e-11 / 3 < high


def test_masses(doe):
    # trade sheet, §4: loss of 10.38 g from 1000 g
    options = ("--start-moisture", 1.2, "--target", 0.15, "--mass-before", 1250, "--empty-spool", 250, "--mass-after", 1239.62)
    status, out, _ = doe("drying", *options, *NO_FLOOR)
    assert status == 0
    assert "10.38 g" in out and "1239.62 g" in out and "988.14 g" in out


def test_levels_of_a_study_change_nothing_in_it(doe, folder):
    before = snapshot(folder)
    status, out, _ = doe("drying", "--study", folder)
    assert status == 0 and snapshot(folder) == before
    assert "Levels of drying time" in out and "The study is unchanged" in out
    found = json.loads(doe("drying", "--study", folder, "--levels", 4, "--json")[1])
    assert found["inputs"]["temperature"] == {"value": 70.0, "source": "study.toml"}
    assert len(found["levels"]["proposed"]["times"]) == 4
    assert found["levels"]["within"]["times"][0] == 4.0


@pytest.mark.parametrize(("name", "begins"), [("course.svg", b"<?xml"), ("course.PDF", b"%PDF")])
def test_figure(doe, tmp_path, name, begins):
    status, out, _ = doe("drying", "--figure", tmp_path / name)
    assert status == 0 and name in out
    assert list(snapshot(tmp_path)) == [name]
    assert (tmp_path / name).read_bytes().startswith(begins)
    before = snapshot(tmp_path)
    status, _, err = doe("drying", "--figure", tmp_path / name)
    assert (status, snapshot(tmp_path)) == (3, before)
    assert "is already there" in err


def test_every_problem_at_once(doe, folder):
    (folder / "study.toml").write_text(STUDY.replace('change = "load"', ""))
    before = snapshot(folder)
    options = ("--diameter", "nan", "--hours", -1, "--diffusivity", 5e-13, "--mass-after", 3, "--figure", folder / "x.png",
               "--strand-weighings", folder / "none.csv", "--study", folder, "--wettest", 300)
    status, out, err = doe("drying", *options)
    assert (status, out, snapshot(folder)) == (3, "", before)
    wanted = ("--diameter: nan", "--hours: -1", "no --diffusivity-temperature", "--mass-after: there is no --mass-before",
              "'x.png'",
              "none.csv: it cannot be read", "no factor is a drying time", "--wettest: 300",
              "--strand-weighings give it too")
    assert [words for words in wanted if words not in err] == []
    assert "Traceback" not in err


def test_a_figure_is_not_drawn_where_anything_is_refused(doe, tmp_path):
    status, _, _ = doe("drying", "--target", 3, "--figure", tmp_path / "x.svg")
    assert (status, snapshot(tmp_path)) == (3, {})


@pytest.mark.parametrize(("said", "where"), [(None, ["study.toml, oven.temperature"]), (120.0, [])])
def test_an_oven_of_a_study_beyond_what_is_known_of_air(said, where):
    found = moisture._oven_problems(make_study(oven={"temperature": 160.0}), Asked(temperature=said))
    assert [one.where for one in found] == where


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--wettest", 1), "it belongs to --study"),
        (("--figure", "/no/such/folder/x.svg"), "there is no folder"),
        (("--study", "/no/such/folder"), "there is no study.toml"),
        (("--readability", "nan"), "--readability: nan"),
        (("--dew-point", 90), "warmer than its dew point"),
    ],
)
def test_refused(doe, options, words):
    status, out, err = doe("drying", *options)
    assert (status, out) == (3, "")
    assert words in err


def test_spool_factor_is_given_once(doe, tmp_path):
    file = weighed(tmp_path, "spool.csv", 3.0)
    assert "--spool-factor: --spool-weighings give it too" in doe("drying", "--spool-weighings", file, "--spool-factor", 2)[2]
