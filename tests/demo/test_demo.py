"""The whole path on the simulated bench: what it leaves, and that everything says it is simulated."""

import io
import json
import re

import numpy as np
import pandas as pd
import pytest
from openpyxl import load_workbook
from pypdf import PdfReader

from doe.cli import demo_run, paragraphs
from doe.cli.open_study import OpenStudy
from doe.demo import bench
from doe.demo.read import demo_study
from doe.design.plan import Design
from doe.files import Folder
from doe.study.read import parse_study


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    folder = Folder(tmp_path_factory.mktemp("demo") / "study")
    told = []
    return folder, demo_run.demo(folder, 20, told.append), told


def test_what_is_computed_is_typed_as_force_and_sizes():
    study = parse_study(demo_study().decode())
    responses = [one.model_copy(update={"formula": "peel"} if one.unit == "N/mm" else {}) for one in study.responses]
    runs = pd.DataFrame({"print": ["P1"], "load": ["L1"], "printer": ["A"]})
    design = Design(runs=runs.assign(**{f"set.{one.name}": one.centre for one in study.factors}))
    plain = bench.run(study, design, 1).coupons
    typed = bench.run(study.model_copy(update={"responses": tuple(responses)}), design, 1).coupons
    assert plain["P1-1", "force.z_strength"] == typed["P1-1", "force.z_strength"]
    # the first coupon that is peeled is the same; its force is read to 0.1 N, on a strip of about 5 mm
    force, width = (typed["P1-1", f"{part}.first_layer_peel"] for part in ("force", "width"))
    assert width == pytest.approx(5, abs=0.3)
    assert force / width == pytest.approx(plain["P1-1", "first_layer_peel"], abs=0.05 / width + 0.0005)


def test_every_step_leaves_its_file(finished):
    folder, _, _ = finished
    for name in (
        "study.toml", "plan.csv", "sheets/round-1.xlsx", "record/prints.csv", "record/coupons.csv", "record/loads.csv",
        "fit.json", "recommendation.json", "recommendation-1.json", "report.pdf", "log.jsonl",
    ):  # fmt: skip
        assert folder.has(name), name
    assert [line["command"] for line in folder.log()] == [
        "new",
        "plan",
        "sheet",
        "demo",
        "collect",
        "fit",
        "recommend",
        "report",
    ]


@pytest.mark.slow
def test_workbook_record_recommendation_and_report_say_simulated(finished):
    folder, _, _ = finished
    book = load_workbook(folder.path / "sheets" / "round-1.xlsx")
    for sheet in book:
        if sheet.sheet_state == "visible":
            texts = [str(cell.value) for row in sheet.iter_rows(max_row=12) for cell in row if cell.value]
            texts.append(
                str(sheet.oddHeader.center.text) + str(sheet.oddHeader.left.text) + str(sheet.oddHeader.right.text)
            )
            assert "SIMULATED" in " ".join(texts).upper(), sheet.title
    assert "simulated" in folder.read("record/prints.csv").decode()
    assert json.loads(folder.read("recommendation.json"))["simulated"] is True
    for page in PdfReader(folder.path / "report.pdf").pages:
        assert "SIMULATED DATA" in page.extract_text()


def test_it_tells_each_step_in_short(finished):
    _, done, told = finished
    assert [step.typed.split()[1] for step in told] == ["new", "plan", "sheet", "collect", "fit", "recommend", "report"]
    shown = [paragraphs.wrapped(line, 80) for number, step in enumerate(told, 1) for line in step.lines(number)]
    each = [sum(text.count("\n") + 1 for text in shown[start : start + 3]) for start in range(0, len(shown), 3)]
    assert max(each) <= 11  # the answer with what it does not count, in one sentence, is the longest
    assert sum(each) <= 50
    recommended = done.data["recommendation"]["settings"]["nozzle_temperature"]["value"]
    assert f"nozzle temperature {recommended:g} °C" in told[5].did


def test_the_fit_in_short_names_the_coefficients_whose_interval_leaves_out_zero(finished):
    folder, _, told = finished
    fit = json.loads(folder.read("fit.json"))
    for response in fit["responses"]:
        said = re.search(rf"{response['response'].replace('_', ' ')} changes with ([^;.]*)", told[4].did)[1]
        named = dict(re.findall(r"([a-z ]+) \((up|down)\)", said.replace(", ", "")))
        factors = ("nozzle_temperature", "bed_temperature", "z_offset", "drying_time")
        rows = {one["label"]: one for one in response["coefficients"] if one["label"] in factors}
        assert named == {
            name.replace("_", " "): "up" if one["low"] > 0 else "down"
            for name, one in rows.items()
            if one["low"] * one["high"] > 0
        }


def test_the_failed_prints_in_short_are_those_on_record(finished):
    folder, _, told = finished
    record = pd.read_csv(io.BytesIO(folder.read("record/prints.csv")))
    failed = int((record["outcome"] != "completed").sum())
    assert f"{len(record)} prints, {failed} of which" in told[2].did


def test_it_prints_the_setting_with_its_interval_beside_the_true_optimum(finished):
    _, done, _ = finished
    (table,) = [one for one in done.tables if "True optimum (simulated)" in one.columns]
    assert len(table.rows) == 4
    assert all(" to " in row[3] and row[4] for row in table.rows)


def test_the_recommended_setting_is_truly_near_the_best(finished):
    folder, done, _ = finished
    study = OpenStudy(folder).study()
    values = [done.data["recommendation"]["settings"][factor.name]["value"] for factor in study.factors]
    coded = np.array([[(v - f.centre) / f.half_range for v, f in zip(values, study.factors, strict=True)]])
    share = bench.true_conformance(study, coded)[0]
    assert share >= 0.95 * done.data["truth"]["conformance"]
    assert share >= done.data["recommendation"]["conformance"]["lower"]


def test_the_recommendation_has_the_promised_keys(finished):
    folder, _, _ = finished
    data = json.loads(folder.read("recommendation.json"))
    assert {"settings", "responses", "conformance", "printers", "verdicts", "next"} <= set(data)
    for setting in data["settings"].values():
        assert {"value", "unit", "interval"} <= set(setting)
    for response in data["responses"].values():
        assert {"mean", "mean_interval", "prediction_interval", "meets"} <= set(response)
    assert {"estimate", "lower", "level"} <= set(data["conformance"])
    assert all(set(verdict) >= {"name", "cause", "next_step"} for verdict in data["verdicts"])


@pytest.mark.slow
def test_a_second_report_has_the_same_bytes(finished):
    from doe.cli import steps

    folder, _, _ = finished
    first = folder.read("report.pdf")
    steps.report(folder)
    assert folder.read("report.pdf") == first


def test_a_second_collect_changes_nothing(finished):
    from doe.cli import steps

    folder, _, _ = finished
    before = {name: folder.read(name) for name in folder.names("record/*.csv")}
    lines = len(folder.log())
    assert "Nothing new" in " ".join(steps.collect(folder, [], "").lines)
    assert {name: folder.read(name) for name in folder.names("record/*.csv")} == before
    assert len(folder.log()) == lines
