"""A published study of aims through every command: from its file to the recommended setting."""

import json

import pytest
from openpyxl import load_workbook

from tests.reference_data import expected_of, rows_of

# Derringer and Suich (1980): silica, silane and sulfur in a tyre tread compound; x1 = (silica - 1.2) / 0.5, x2 = (silane - 50)
# / 10, x3 = (sulfur - 2.3) / 0.5. The ranges reach to the axial prints at 1.633.
CENTRES = {"silica": (1.2, 0.5), "silane": (50.0, 10.0), "sulfur": (2.3, 0.5)}
TYRE = """
[study]
id = "tyre"
title = "Tyre tread compound"
material = "rubber with silica"
family = "other"

[[factors]]
name = "silica"
unit = "phr"
low = 0.3835
high = 2.0165
increment = 0.0115

[[factors]]
name = "silane"
unit = "phr"
low = 33.67
high = 66.33
increment = 0.23

[[factors]]
name = "sulfur"
unit = "phr"
low = 1.4835
high = 3.1165
increment = 0.0115

[[responses]]
name = "abrasion"
unit = "1"
per = "print"
aim = "maximise"
worthless_below = 120
perfect_at = 170

[[responses]]
name = "modulus"
unit = "psi"
per = "print"
aim = "maximise"
worthless_below = 1000
perfect_at = 1300

[[responses]]
name = "elongation"
unit = "%"
per = "print"
aim = "target"
worthless_below = 400
perfect_at = 500
worthless_above = 600

[[responses]]
name = "hardness"
unit = "1"
per = "print"
aim = "target"
worthless_below = 60
perfect_at = 67.5
worthless_above = 75
"""
RESPONSES = ("abrasion", "modulus", "elongation", "hardness")


def table_of(rows):
    """Return the published settings in natural units as a plan."""
    lines = [",".join(CENTRES)]
    for row in rows:
        values = (centre + half * float(row[f"x{place}"]) for place, (centre, half) in enumerate(CENTRES.values(), 1))
        lines.append(",".join(f"{value:.10g}" for value in values))
    return "\n".join(lines) + "\n"


def fill(path, place, results):
    """Type results by print into the workbook's sheet of prints, in the order of the plan."""
    book = load_workbook(path)
    page = book[place["sheet"]]
    for row in range(place["first_row"], place["last_row"] + 1):
        for column, value in results[page[f"{place['columns']['print']}{row}"].value].items():
            page[f"{place['columns'][column]}{row}"] = value
    book.save(path)


@pytest.fixture(scope="module")
def tyre(tmp_path_factory):
    """Return a study's folder with the published plan and values typed into its workbook."""
    folder, rows = tmp_path_factory.mktemp("aims") / "tyre", rows_of("D_tyre_tread")
    folder.mkdir()
    (folder / "study.toml").write_text(TYRE, encoding="utf-8")
    (folder.parent / "published.csv").write_text(table_of(rows), encoding="utf-8")
    return folder, rows


def test_published_optimum_is_recommended(tyre, doe):
    folder, rows = tyre
    status, _, error = doe("plan", "--from", folder.parent / "published.csv", "--study", folder)
    assert status == 0, error
    status, out, _ = doe("sheet", "--json", "--study", folder)
    assert status == 0
    sheet = json.loads(out)
    prints = (folder / "plan.csv").read_text(encoding="utf-8").splitlines()
    name = prints[0].split(",").index("print")
    results = {
        line.split(",")[name]: {"outcome": "completed"} | {response: float(row[response]) for response in RESPONSES}
        for line, row in zip(prints[1:], rows, strict=True)
    }
    fill(folder / sheet["file"], sheet["sheets"]["Prints"], results)
    assert doe("collect", "--study", folder)[0] == 0
    assert doe("fit", "--study", folder)[0] == 0
    status, out, error = doe("recommend", "--json", "--study", folder)
    assert status == 0, error
    found = json.loads(out)
    recomputed = expected_of("D_tyre_tread")["recomputed"]["optimum_from_refit"]
    published = expected_of("D_tyre_tread")["published"]
    desirable = found["desirable"]
    assert desirable["overall"] == pytest.approx(recomputed["D"], abs=0.002)
    assert desirable["overall"] == pytest.approx(published["overall_D"], abs=0.002)
    for wish, own, mean in zip(desirable["wishes"], published["individual_d"], published["predicted"], strict=True):
        assert wish["mean"] == pytest.approx(mean, rel=0.01)
        assert wish["desirability"] == pytest.approx(own, abs=0.02)
    for (centre, half), name, at in zip(CENTRES.values(), CENTRES, published["optimum_x"], strict=True):
        assert (found["settings"][name]["value"] - centre) / half == pytest.approx(at, abs=0.05)
    assert found["conformance"] is None
    assert all(one["meets"] == "" and one["tolerance"] is None for one in found["responses"].values())
    status, out, error = doe("recommend", "--study", folder)
    assert status == 0, error
    assert "flatters the setting" in " ".join(out.split())
    assert "Conformance" not in out


def test_report_of_aims_is_written(tyre, doe):
    folder, _ = tyre
    status, _, error = doe("report", "--study", folder)
    assert status == 0, error
    assert (folder / "report.pdf").stat().st_size > 10_000
