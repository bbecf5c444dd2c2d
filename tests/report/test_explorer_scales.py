"""The page's own arithmetic where a factor is on a logarithmic or a moisture scale: beside the package's, in node where it is."""

import json
import shutil
import subprocess

import numpy as np
import pytest

from doe.files import templates_path
from doe.report import explorer
from doe.study.filament import DryingData, Material
from tests import records
from tests.report import explored, samples

NODE = shutil.which("node")
MATERIAL = Material(drying=DryingData(
    diffusivity=5e-13, diffusivity_temperature=23, activation_energy=55, strand_diameter=1.75, spool_factor=3, start_moisture=2.7,
    equilibrium_moisture=2.7, equilibrium_humidity=50, dew_point=-20, basis={},
))  # fmt: skip
ASK = """
const found = places.map((place) => { const x = codedSetting(data, place);
  return { means: predictionsAt(data, x).map((one) => one.mean), share: conformanceAt(data, x), x }; });
console.log(JSON.stringify(found));
"""


@pytest.fixture(scope="module", params=["log", "moisture"])
def made(request):
    drying = samples.FACTORS[2].model_copy(update={"scale": request.param, "setpoint_sd": 0.25})
    plain = samples.study((*samples.FACTORS[:2], drying), (explored.STRENGTH,))
    study = type(plain)(**{name: getattr(plain, name) for name in type(plain).model_fields} | {"material": MATERIAL})
    design = samples.design(study, 40, 8)
    record = records.simulated(study, design, mean=lambda x: 31.0 + x[0] - x[1] ** 2 + 0.8 * x[2] - 0.6 * x[2] ** 2)
    inputs, fitted = explored._reported(study, design, record)
    return inputs, fitted, explorer.explorer(inputs, fitted, {})


def _coded(study, data, place):
    values = [one["values"][at] for one, at in zip(data["factors"], place, strict=True)]
    return np.array([[float(one.coding.coded(value)) for one, value in zip(study.factors, values, strict=True)]])


def test_the_page_is_told_where_the_hours_are_on_their_scale(made):
    inputs, _, data = made
    drying, factor = data["factors"][2], inputs.study.factors[2]
    assert drying["coded"] == pytest.approx(factor.coding.coded(drying["values"]).tolist(), abs=1e-12)
    assert drying["coded"][4] != pytest.approx(-0.5, abs=0.05)  # a quarter of the hours is more than that of the scale
    for row in np.array(drying["scattered"]).T:  # one row a node
        hours = factor.coding.natural(row)
        assert np.abs(hours - drying["values"]) == pytest.approx(np.full(len(hours), 0.25), abs=1e-9)
    assert "coded" not in data["factors"][0]


def test_exported_coefficients_give_the_means_of_the_package(made):
    inputs, fitted, data = made
    told, place = data["responses"][0], [10, 2, 3]
    x = [data["factors"][2]["coded"][3] if i == 2 else _coded(inputs.study, data, place)[0, i] for i in range(3)]
    row = [np.prod([x[factor] for factor in term]) for term in told["columns"]["terms"]]
    mean = np.array(row) @ np.array(told["estimates"])[: len(row)]
    rows = fitted[0].data.rows(_coded(inputs.study, data, place))
    assert mean == pytest.approx(float((rows @ fitted[0].estimates)[0]), rel=1e-12)


@pytest.mark.skipif(NODE is None, reason="needs node, to run what the page runs")
def test_the_page_computes_what_the_package_computes(made, tmp_path):
    inputs, fitted, data = made
    places = [data["start"], [0, 0, 0], *explored.settings(data, 8)]
    code = "".join((templates_path() / "report" / f"{name}.js").read_text(encoding="utf-8") for name in ("numbers", "explorer"))
    (tmp_path / "ask.js").write_text(f"{code}\nconst data = {json.dumps(data)}, places = {json.dumps(places)};\n{ASK}")
    done = subprocess.run([NODE, tmp_path / "ask.js"], capture_output=True, text=True, check=False)
    assert done.stderr == ""
    view = inputs.chosen.view
    for place, found in zip(places, json.loads(done.stdout), strict=True):
        coded = _coded(inputs.study, data, place)
        assert found["x"] == pytest.approx(coded[0].tolist(), abs=1e-12)
        assert found["means"][0] == pytest.approx(float((fitted[0].data.rows(coded) @ fitted[0].estimates)[0]), rel=1e-9)
        assert found["share"]["estimate"] == pytest.approx(float(np.median(view.shares(coded)[0])), abs=5e-6)
