"""The whole path on the simulated bench: the drying time on a logarithmic scale, and on a moisture scale."""

import io

import numpy as np
import pytest
from openpyxl import load_workbook

from doe.cli import planning, steps
from doe.cli.open_study import STUDY, OpenStudy
from doe.demo import bench, write
from doe.demo.read import demo_study
from doe.design.request import PlanRequest
from doe.files import Folder
from tests.study.test_nonlinear_scales import DRYING

pytestmark = pytest.mark.slow

@pytest.fixture(scope="module", params=["log", "moisture"])
def finished(request, tmp_path_factory):
    folder = Folder(tmp_path_factory.mktemp("scales") / request.param)
    steps.make_folder(folder)
    text = demo_study().decode().replace('name = "drying_time"\n', f'name = "drying_time"\nscale = "{request.param}"\n')
    OpenStudy(folder).commit("new", {STUDY: (text + (DRYING if request.param == "moisture" else "")).encode()})
    planned = planning.plan(folder, PlanRequest(one_round=True, seed=3))
    sheet = steps.sheet(folder)
    opened = OpenStudy(folder)
    study = opened.study()
    results = bench.run(study, opened.design(study), 3)
    name = sheet.data["file"]
    opened.commit("demo", {name: write.fill_workbook(folder.read(name), sheet.data["sheets"], results)}, simulated=True)
    steps.collect(folder, [], "simulated bench")
    fitted = steps.fit(folder, None)
    advised = steps.recommend(folder)
    steps.report(folder, page=True)
    return folder, study, {"plan": planned, "fit": fitted, "recommend": advised}


def _texts(done):
    return " ".join(" ".join([table.note or "", *(" ".join(map(str, row)) for row in table.rows)]) for table in done.tables)


def test_plan_sheet_and_card_have_hours_on_the_increments(finished):
    folder, study, done = finished
    plan = OpenStudy(folder).design(study).runs
    hours = plan["target.drying_time"].to_numpy(dtype=float)
    assert np.all(np.round(hours / 0.5) * 0.5 == hours)
    assert (hours.min(), hours.max()) == (4, 12)
    book = load_workbook(io.BytesIO(folder.read("sheets/round-1.xlsx")))
    cells = {cell.value for row in book["Loads"].iter_rows() for cell in row if isinstance(cell.value, int | float)}
    assert set(hours) <= cells
    wanted = done["recommend"].data["settings"]["drying_time"]["value"]
    assert 4 <= wanted <= 12
    assert wanted * 2 == round(wanted * 2)


def test_the_scale_and_what_it_rests_on_are_said(finished):
    folder, study, done = finished
    kind = next(one.scale for one in study.factors if one.has_nonlinear_scale)
    said = {"log": "modelled on a logarithmic scale", "moisture": "modelled by the moisture"}[kind]
    assert said in _texts(done["recommend"])
    assert said in folder.read("report.html").decode()
    if kind == "moisture":
        for step in done.values():
            assert "illustrative drying values" in [one["name"] for one in step.data["verdicts"]]
        assert "illustrative, not your material" in _texts(done["recommend"])


def test_the_recommendation_is_near_the_truth(finished):
    _, study, done = finished
    best, share = bench.true_optimum(study)
    found = np.array([[done["recommend"].data["settings"][one.name]["value"] for one in study.factors]])
    coded = np.column_stack([one.coding.coded(column) for one, column in zip(study.factors, found.T, strict=True)])
    assert 4 <= best["drying_time"] <= 12
    assert float(bench.true_conformance(study, coded)[0]) > share - 0.1
