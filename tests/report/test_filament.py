from doe.report.filament import filament_rows
from doe.study.filament import DryingData, Material
from tests.report import samples

DRYING = DryingData(
    diffusivity=5e-13, diffusivity_temperature=80, activation_energy=50, strand_diameter=1.75, spool_factor=3, start_moisture=1.9,
    equilibrium_moisture=2.1, equilibrium_humidity=50, dew_point=-20,
    basis={
        "diffusivity": "fitted", "activation_energy": "illustrative", "strand_diameter": "given", "spool_factor": "illustrative",
        "start_moisture": "given", "equilibrium_moisture": "illustrative", "air": "given",
    },
)  # fmt: skip


def _study(**said):
    return samples.study().model_copy(update={"material": Material(**said)})


def test_each_value_stands_with_its_unit_and_where_it_comes_from():
    table = filament_rows(_study(
        glass_transition=55, glass_transition_source="data sheet", moisture_at_most=0.2, fibres="carbon", drying=DRYING,
    ))  # fmt: skip
    rows = {row[0]: row[1:] for row in table.rows}
    assert rows["glass transition, lower end"] == ("55 °C", "data sheet")
    assert rows["highest moisture to print with"] == ("0.2 % of the mass", "no source stated")
    assert rows["fibres"] == ("carbon", "the study")
    assert rows["diffusivity of water in the bare strand"] == ("5 × 10⁻¹³ m²/s", "fitted")
    assert rows["temperature at which that holds"] == ("80 °C", "fitted")
    assert rows["moisture taken up from air"] == ("2.1 % of the dry mass", "illustrative")
    assert rows["dew point of the oven's dried air"] == ("−20 °C", "given")
    assert "temperature of the air that the oven warms" not in rows
    assert "Illustrative: invented" in table.note


def test_a_study_that_says_nothing_of_its_filament_has_no_rows():
    assert filament_rows(_study()).rows == ()
