"""The command ``drying``: answers, refusals, and that it changes no study."""

import json

import pytest

from doe.study.dryer import Asked
from doe.study.known_filament import known_problems
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
    (folder / "study.toml").write_text(STUDY.replace('change = "load"', "").replace("drying_time", "soak_time"))
    before = snapshot(folder)
    options = ("--diameter", "nan", "--hours", -1, "--diffusivity", 5e-13, "--mass-after", 3, "--figure", folder / "x.png",
               "--strand-weighings", folder / "none.csv", "--study", folder, "--wettest", 300)
    status, out, err = doe("drying", *options)
    assert (status, out, snapshot(folder)) == (3, "", before)
    wanted = ("--diameter: nan", "--hours: -1", "no --diffusivity-temperature", "--mass-after: there is no --mass-before",
              "'x.png'",
              "none.csv: it cannot be read", "no factor of the study is a drying time", "--wettest: 300",
              "--strand-weighings give it too")
    assert [words for words in wanted if words not in err] == []
    assert "Traceback" not in err


def test_a_figure_is_not_drawn_where_anything_is_refused(doe, tmp_path):
    status, _, _ = doe("drying", "--target", 3, "--figure", tmp_path / "x.svg")
    assert (status, snapshot(tmp_path)) == (3, {})


@pytest.mark.parametrize(("said", "where"), [(None, ["study.toml, oven.temperature"]), (120.0, [])])
def test_an_oven_of_a_study_beyond_what_is_known_of_air(said, where):
    found = known_problems(make_study(oven={"temperature": 160.0, "spool": "metal"}), Asked(temperature=said))
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


MATERIAL = """
[material]
moisture_at_most = 0.12
moisture_at_most_source = "our data sheet"

[material.drying]
diffusivity = 4e-13
diffusivity_temperature = 25
activation_energy = 50
strand_diameter = 2.85
spool_factor = 2.5
start_moisture = 1.4
equilibrium_moisture = 2.0
equilibrium_humidity = 50
dew_point = -30
basis = { diffusivity = "fitted", activation_energy = "fitted", strand_diameter = "given", spool_factor = "fitted", \
start_moisture = "given", equilibrium_moisture = "given", air = "given" }
"""


def inputs_of(doe, folder, *options):
    status, out, err = doe("drying", "--study", folder, "--json", *options)
    assert status == 0, err
    found = json.loads(out)
    return found, {name: (one["value"], one["source"]) for name, one in found["inputs"].items()}


def test_a_study_says_what_its_filament_is_and_where_each_value_is_from(doe, folder):
    (folder / "study.toml").write_text(STUDY + MATERIAL)
    found, inputs = inputs_of(doe, folder)
    given, fitted = "study.toml", "study.toml, fitted to weighings"
    assert inputs["diameter"] == (2.85, given)
    assert inputs["temperature"] == (70, given)
    assert inputs["start_moisture"] == (1.4, given)
    assert inputs["dew_point"] == (-30, given)
    assert inputs["diffusivity"] == (4e-13, fitted)
    assert inputs["diffusivity_temperature"] == (25, fitted)
    assert inputs["ceiling"] == (0.12, "study.toml, our data sheet")
    assert inputs["target"] == (0.06, "half of the highest moisture to print with, for want of a better")
    assert found["illustrative"] is False
    assert "illustrative" not in doe("drying", "--study", folder)[1]
    options = ("--diffusivity", 4e-13, "--diffusivity-temperature", 25, "--activation-energy", 50, "--diameter", 2.85,
               "--spool-factor", 2.5, "--start-moisture", 1.4, "--equilibrium-moisture", 2, "--equilibrium-humidity", 50,
               "--dew-point", -30, "--temperature", 70, "--ceiling", 0.12, "--target", 0.06)
    assert json.loads(doe("drying", "--json", *options)[1])["forms"] == found["forms"]  # the same said by options


def test_options_go_before_the_study(doe, folder):
    (folder / "study.toml").write_text(STUDY + MATERIAL)
    _, inputs = inputs_of(doe, folder, "--start-moisture", 1, "--target", 0.1, "--diameter", 1.75, "--temperature", 65)
    assert inputs["start_moisture"] == (1, "given")
    assert inputs["target"] == (0.1, "given")
    assert (inputs["diameter"], inputs["temperature"]) == ((1.75, "given"), (65, "given"))
    status, _, err = doe("drying", "--study", folder, "--target", 0.2)
    assert status == 3
    assert "study.toml, material.moisture_at_most: 0.12 %, and the target is 0.2 %" in err


def test_what_the_study_calls_illustrative_stays_so(doe, folder):
    (folder / "study.toml").write_text(STUDY + MATERIAL.replace('start_moisture = "given"', 'start_moisture = "illustrative"'))
    found, inputs = inputs_of(doe, folder)
    assert inputs["start_moisture"] == (1.4, "study.toml, illustrative, not your material")
    assert found["illustrative"] is True
    assert "illustrative, not your material" in doe("drying", "--study", folder)[1]


def test_a_value_of_the_study_beyond_what_can_be_computed_names_its_key(doe, folder):
    (folder / "study.toml").write_text(STUDY + MATERIAL.replace("strand_diameter = 2.85", "strand_diameter = 285"))
    status, _, err = doe("drying", "--study", folder)
    assert status == 3
    assert "study.toml, material.drying.strand_diameter: 285 mm" in err


def test_more_heat_than_the_studys_filament_stands_is_refused(doe, folder):
    limit = '\n[material]\ndrying_at_most = 50\ndrying_at_most_source = "our data sheet"\n'
    (folder / "study.toml").write_text(STUDY.replace("temperature = 70", "temperature = 50") + limit)
    status, _, err = doe("drying", "--study", folder, "--temperature", 90)
    assert status == 3
    assert "--temperature: 90 °C; this filament is dried at or below 50 °C (our data sheet)" in err


def without_a_drying_time(text):
    """Return a study whose loads all dry for the 6 hours that its oven says."""
    factor = text[text.index('[[factors]]\nname = "drying_time"') : text.index("[[responses]]")]
    return text.replace(factor, "").replace("temperature = 70", "temperature = 70\ndrying_time = 6")


def test_a_study_without_a_drying_time_factor_still_says_how_its_material_dries(doe, folder):
    (folder / "study.toml").write_text(without_a_drying_time(STUDY) + MATERIAL)
    before = snapshot(folder)
    found, inputs = inputs_of(doe, folder)
    assert found["levels"] is None
    assert inputs["hours"] == (6, "study.toml")
    assert inputs["diffusivity"] == (4e-13, "study.toml, fitted to weighings")
    (folder / "study.toml").write_text(STUDY + MATERIAL)
    timed, _ = inputs_of(doe, folder, "--hours", 6)
    assert found["forms"] == timed["forms"]  # the same drying, whether a factor varies it or not
    assert timed["levels"] is not None
    (folder / "study.toml").write_text(without_a_drying_time(STUDY) + MATERIAL)
    status, out, err = doe("drying", "--study", folder)
    assert (status, err, snapshot(folder)) == (0, "", before)
    assert "Levels of" not in out and "No levels are proposed" in out and "The study is unchanged" in out
    assert inputs_of(doe, folder, "--hours", 3)[1]["hours"] == (3, "given")


def test_the_wettest_level_of_a_study_without_a_drying_time_factor_is_refused(doe, folder):
    (folder / "study.toml").write_text(without_a_drying_time(STUDY))
    status, out, err = doe("drying", "--study", folder, "--wettest", 1)
    assert (status, out) == (3, "")
    assert "--wettest: no factor of the study is a drying time" in err
