"""Tables and figure of a drying: what stands in them, and that illustrative values say so wherever they are."""

import io
import math
import re

import pytest
from pypdf import PdfReader

from doe.numerics.weighings import DryingFit, Estimate
from doe.report import drying as shown
from doe.report.draw_drying import drying_figure
from doe.report.tables import plain_text
from doe.study.dryer import ILLUSTRATIVE, RANGES, SPOOL, STRAND, Asked, dryer
from doe.study.spool_mass import Masses, spool_mass

MADE = dryer(Asked(equilibrium_moisture=0, equilibrium_humidity=50))
KNOWN = dryer(Asked(**dict.fromkeys(RANGES, 1.0) | {
    "start_moisture": 2.0, "temperature": 80.0, "equilibrium_humidity": 50.0, "dew_point": -40.0, "diffusivity": 1e-11,
}))  # fmt: skip


def rows(table):
    return {row[0]: row[1:] for row in table.rows}


def test_course_of_the_trade_sheet():
    # trade sheet, §4: 0.2525, 0.0929 and 0.0341 % at 4, 6 and 8 h; 4.47 h to 0.2 %
    found = rows(shown.course_table(MADE))
    assert (found["4"][0], found["6"][0], found["8"][0]) == ("0.253", "0.093", "0.034")
    assert rows(shown.answer_table(MADE))["time to the target of 0.2 %"] == ("4.47 h", "13.4 h")


def test_the_mark_is_on_every_table_and_on_the_figure():
    tables = [*shown.drying_tables(MADE), shown.mass_table(spool_mass(Masses(1250, 1240, 250), 2.7, 0.2), MADE)]
    assert all(ILLUSTRATIVE in table.title for table in tables)
    assert not any(ILLUSTRATIVE in plain_text(table) for table in shown.drying_tables(KNOWN))
    assert shown.drying_view(MADE).illustrative and not shown.drying_view(KNOWN).illustrative
    drawn = [drying_figure(shown.drying_view(made), "pdf") for made in (MADE, KNOWN)]
    assert [ILLUSTRATIVE in PdfReader(io.BytesIO(one)).pages[0].extract_text() for one in drawn] == [True, False]
    assert any("no measurement of your material" in line for line in shown.note_lines(MADE, {}, None))


@pytest.mark.parametrize(("form", "begins"), [("svg", b"<?xml"), ("pdf", b"%PDF")])
def test_figure_is_the_same_each_time(form, begins):
    first, second = (drying_figure(shown.drying_view(MADE), form) for _ in range(2))
    assert first == second and first.startswith(begins)


def test_hours_are_round_and_reach_beyond_the_targets():
    for asked in (Asked(), Asked(temperature=30), Asked(diameter=0.4, temperature=120, dew_point=-40), Asked(hours=10_000)):
        made = dryer(asked)
        hours = shown.course_hours(made)
        assert hours[0] == 0 and 3 <= len(hours) <= 14
        assert hours[-1] >= made.values["hours"]


@pytest.mark.parametrize(
    ("hours", "text"), [(math.inf, "never"), (0.0, ""), (0.27, "16 min"), (4.4661, "4.47 h"), (142.4, "142 h (5.9 days)")]
)
def test_duration(hours, text):
    assert shown.duration(hours) == text


@pytest.mark.parametrize(("moisture", "text"), [(2.7, "2.70"), (0.25249, "0.252"), (0.0341, "0.034"), (0.0, "0.000")])
def test_percent(moisture, text):
    assert shown.percent(moisture) == text


def test_target_below_what_the_air_keeps_is_said():
    made = dryer(Asked(target=0.1))
    assert rows(shown.answer_table(made))["time to the target of 0.1 %"] == ("never", "never")
    assert re.search(r"keeps 0.158 % in the filament. Air with a dew point of −\d+ °C", shown.never_lines(made)[0])
    assert shown.never_lines(MADE) == ()


def test_too_wet_to_stay_out():
    wet = dryer(Asked(hours=1, ceiling=0.3))
    assert rows(shown.answer_table(wet))["time out in the room until 0.3 %"] == ("none, too wet",) * 2


def test_fit_with_an_open_limit():
    fit = DryingFit(Estimate(1e-11, 5e-12, math.inf), 70.0, Estimate(5e4, 4e4, 6e4), (Estimate(20, 19, 21),), 0.05, 4, 0.95)
    found = rows(shown.fit_table(STRAND, fit))
    assert found["diffusivity at 70.0 °C"] == ("1.00 × 10⁻¹¹", "5.00 × 10⁻¹² to open", "m²/s")
    assert found["activation energy"] == ("50.0", "40.0 to 60.0", "kJ/mol")
    assert any("do not tell how fast" in line for line in shown.note_lines(MADE, {STRAND: fit}, None))


def test_how_a_fitted_spool_goes_into_a_study():
    """The course that [material.drying] gives with these values is that of the spool as fitted: spool_factor divides nothing."""
    of_spool = DryingFit(Estimate(2e-12, 1e-12, 3e-12), 82.0, None, (Estimate(20, 19, 21),), 0.05, 4, 0.95)
    made = dryer(Asked(temperature=82), None, of_spool)
    (line,) = [one for one in shown.note_lines(made, {SPOOL: of_spool}, None) if "[material.drying]" in one]
    assert "diffusivity = 2e-12, diffusivity_temperature = 82, strand_diameter = 1.75 and spool_factor = 1:" in line
    assert "strand's" not in line  # its diffusivity is illustrative here
    again = dryer(Asked(temperature=82, diffusivity=2e-12, diffusivity_temperature=82, spool_factor=1))
    assert again.hours_to_target(SPOOL) == pytest.approx(made.hours_to_target(SPOOL))
    known = dryer(Asked(temperature=82, diffusivity=6e-12, diffusivity_temperature=82), None, of_spool)
    (line,) = [one for one in shown.note_lines(known, {SPOOL: of_spool}, None) if "[material.drying]" in one]
    assert line.endswith("Or keep diffusivity as the strand's, with spool_factor = 3.")
    assert not any("[material.drying]" in one for one in shown.note_lines(MADE, {}, None))


def test_more_water_lost_than_there_was():
    lost = spool_mass(Masses(1250, 1200, 250), 2.7, 0.2)
    assert any("More mass was lost" in line for line in shown.note_lines(MADE, {}, lost))
    usual = spool_mass(Masses(1250, 1240, 250), 2.7, 0.2)
    assert not any("More mass was lost" in line for line in shown.note_lines(MADE, {}, usual))
