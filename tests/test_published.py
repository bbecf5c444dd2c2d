"""Published experiments through the whole path: plan, workbook, record, fit, against the figures that were published."""

import numpy as np
import pytest

from tests.path import fill, fitted, start
from tests.reference_data import expected_of, rows_of

HEADER = """
[study]
id = "published"
title = "A published experiment"
material = "as published"
family = "other"
"""


def factor(name, low, high, increment, unit="1"):
    return f'[[factors]]\nname = "{name}"\nunit = "{unit}"\nlow = {low}\nhigh = {high}\nincrement = {increment}\n'


def response(name, unit="1"):
    return f'[[responses]]\nname = "{name}"\nunit = "{unit}"\nper = "print"\nat_least = 0\n'


def estimates(fit, name):
    one = next(item for item in fit["responses"] if item["response"] == name)
    return one, {item["label"]: item for item in one["coefficients"]}


def test_ceramic_factorial_agrees_with_the_handbook(tmp_path):
    # NIST/SEMATECH e-Handbook of Statistical Methods, section 5.4.7.1: ceramic strength, unreplicated 2^5, run in the
    # order of the column run_order; F ratios of the reduced model to the four decimals printed there.
    data = sorted(rows_of("B_ceramic_2p5"), key=lambda row: int(row["run_order"]))
    names = ["speed", "rate", "grit", "direction", "batch"]
    published = expected_of("B_ceramic_2p5")["published"]
    terms = ", ".join('"' + " * ".join(term.split("*")) + '"' for term in published["F_reduced_model"])
    study = (
        HEADER
        + "".join(factor(name, -1, 1, 2) for name in names)
        + response("strength", "MPa")
        + f"[model]\nterms = [{terms}]\n"
    )
    folder = start(tmp_path / "study", study, [{name: row[name] for name in names} for row in data])
    fill(folder, [{"strength": float(row["strength"])} for row in data])
    one, by_label = estimates(fitted(folder), "strength")
    assert one["method"] == "least squares"
    for term, f_ratio in published["F_reduced_model"].items():
        item = by_label[" * ".join(term.split("*"))]
        assert (item["estimate"] / item["se"]) ** 2 == pytest.approx(f_ratio, abs=5.1e-5)
        assert item["dof"] == pytest.approx(19)
    assert one["components"][-1]["variance"] == pytest.approx(published["ms_error_reduced"], abs=0.5)


def test_central_composite_agrees_with_montgomery(tmp_path):
    # Montgomery, Design and Analysis of Experiments, Table 11.6 and Example 11.2 (published values from memory, flagged so
    # in the reference file; they agree with a recomputation from the data in multiprecision).
    data = rows_of("C_chemical_process_ccd")
    expected = expected_of("C_chemical_process_ccd")
    study = (
        HEADER
        + factor("time", 80, 90, 0.01, "min")
        + factor("temperature", 170, 180, 0.01, "degC")
        + response("yield_", "percent")
        + response("viscosity", "mPa s")
        + response("mol_weight", "g/mol")
        + '[model]\nterms = "quadratic"\n'
    )
    plan = [{"time": 85 + 5 * float(row["x1"]), "temperature": 175 + 5 * float(row["x2"])} for row in data]
    folder = start(tmp_path / "study", study, plan)
    fill(
        folder,
        [
            {"yield_": float(r["yield"]), "viscosity": float(r["viscosity"]), "mol_weight": float(r["mol_weight"])}
            for r in data
        ],
    )
    fit = fitted(folder)
    words = {
        "1": "intercept",
        "x1": "time",
        "x2": "temperature",
        "x1*x2": "time * temperature",
        "x1^2": "time^2",
        "x2^2": "temperature^2",
    }
    for name in ("yield_", "viscosity"):
        one, by_label = estimates(fit, name)
        exact = expected["recomputed"][name]
        for key, label in words.items():
            assert by_label[label]["estimate"] == pytest.approx(exact["coef"][key], rel=1e-9, abs=1e-9)
            assert by_label[label]["se"] == pytest.approx(exact["se"][key], rel=1e-9)
            assert by_label[label]["dof"] == pytest.approx(7)
        assert one["stationary"]["coded"] == pytest.approx(exact["stationary_point"], rel=1e-9)
        assert one["stationary"]["value"] == pytest.approx(exact["y_at_stationary"], rel=1e-10)
        assert sorted(one["stationary"]["eigenvalues"]) == pytest.approx(sorted(exact["eigenvalues"]), rel=1e-9)
        for key in ("ss_lof", "ss_pe", "df_lof", "df_pe"):
            assert one["lack_of_fit"][key] == pytest.approx(exact["lack_of_fit"][key], rel=1e-8)
        assert one["lack_of_fit"]["p"] == pytest.approx(exact["lack_of_fit"]["p"], rel=1e-8)
    published = expected["published"]["yield_"]
    one, by_label = estimates(fit, "yield_")
    for key, label in words.items():
        assert by_label[label]["estimate"] == pytest.approx(published["coef"][key], abs=5.1e-4)
    assert one["stationary"]["coded"] == pytest.approx(published["stationary_point"], abs=5.1e-4)


def test_box_behnken_agrees_with_the_published_optimum(tmp_path):
    # Zhang, Yan, Li, Lin and Wen (2021), Scientific Reports 11, 1167: optimum 52 mL/g, 27 min, 435 W. The refit gives
    # 435.9 W, which the authors set to 435.
    data = rows_of("C_bbd_cherry_oil")
    expected = expected_of("C_bbd_cherry_oil")
    names = {"ratio": "ratio_mL_per_g", "time": "time_min", "power": "power_W"}
    study = (
        HEADER
        + factor("ratio", 40, 60, 1, "mL/g")
        + factor("time", 20, 30, 1, "min")
        + factor("power", 300, 500, 10, "W")
        + response("oil_yield", "percent")
        + '[model]\nterms = "quadratic"\n'
    )
    folder = start(tmp_path / "study", study, [{name: row[column] for name, column in names.items()} for row in data])
    fill(folder, [{"oil_yield": float(row["yield_percent"])} for row in data])
    one, by_label = estimates(fitted(folder), "oil_yield")
    exact = expected["recomputed"]
    for key, label in (
        ("1", "intercept"),
        ("x1", "ratio"),
        ("x3", "power"),
        ("x1*x2", "ratio * time"),
        ("x2^2", "time^2"),
    ):
        assert by_label[label]["estimate"] == pytest.approx(exact["coef"][key], rel=1e-9)
        assert by_label[label]["se"] == pytest.approx(exact["se"][key], rel=1e-9)
    point = one["stationary"]["point"]
    assert [point["ratio"], point["time"], point["power"]] == pytest.approx(exact["stationary_natural"], rel=1e-9)
    assert (round(point["ratio"]), round(point["time"])) == (52, 27)
    assert point["power"] == pytest.approx(435, abs=1)
    assert one["lack_of_fit"]["f"] == pytest.approx(exact["lack_of_fit"]["F"], rel=1e-8)


@pytest.mark.parametrize(
    ("phase", "temperature", "time", "difference"),
    [(1, (170, 230), (150, 250), 1.9295), (2, (159.5, 219.5), (300, 400), 12.303)],
)
def test_curvature_agrees_with_the_handbook(tmp_path, phase, temperature, time, difference):
    # NIST/SEMATECH e-Handbook, section 5.5.3.1: factorials with centre runs on the way up; the tests of curvature
    # recomputed from its data, with pure error from the centre (the model with its interaction leaves nothing else).
    data = [row for row in rows_of("C_nist_steepest_ascent") if int(row["phase"]) == phase]
    study = (
        HEADER + factor("temperature", *temperature, 0.5, "degC") + factor("time", *time, 1, "min")
        + response("yield_", "percent") + '[model]\nterms = "interactions"\n'
    )  # fmt: skip
    folder = start(tmp_path / "study", study, [{"temperature": row["temp"], "time": row["time"]} for row in data])
    fill(folder, [{"yield_": float(row["yield"])} for row in data])
    one, _ = estimates(fitted(folder), "yield_")
    wanted = expected_of("C_nist_steepest_ascent")["recomputed"][f"phase{phase}"]
    assert one["curvature"]["estimate"] == pytest.approx(difference, abs=1e-9)
    assert (one["curvature"]["estimate"] / one["curvature"]["se"]) ** 2 == pytest.approx(
        wanted["F_curvature"], rel=1e-8
    )
    assert one["curvature"]["p"] == pytest.approx(wanted["p"], rel=1e-8)
    assert one["curvature"]["dof"] == pytest.approx(4, rel=1e-8)


def test_split_plot_agrees_with_box_hunter_hunter(tmp_path):
    # Box, Hunter and Hunter, Statistics for Experimenters, 2nd ed. (2005), Tables 9.1 and 9.2: corrosion resistance, six
    # furnace heats, four coated bars in each. Kenward-Roger figures in 34-digit arithmetic.
    data = rows_of("E_corrosion_box")
    expected = expected_of("E_corrosion_box")
    study = (
        HEADER
        + '[[factors]]\nname = "temperature"\nlevels = ["360", "370", "380"]\nchange = "load"\n'
        + '[[factors]]\nname = "coating"\nlevels = ["C1", "C2", "C3", "C4"]\n'
        + response("resistance")
        + '[model]\nterms = "interactions"\n'
    )
    plan = [{"temperature": row["temperature"], "coating": row["coating"], "load": row["heat"]} for row in data]
    folder = start(tmp_path / "study", study, plan)
    fill(folder, [{"resistance": float(row["resistance"])} for row in data])
    one, by_label = estimates(fitted(folder), "resistance")
    exact = expected["reference_multiprecision"]
    assert one["method"] == "REML, Kenward-Roger"
    components = {item["name"]: item["variance"] for item in one["components"]}
    assert components["load"] == pytest.approx(exact["varcomp"]["heat"], rel=1e-8)
    assert components["residual"] == pytest.approx(exact["varcomp"]["Residual"], rel=1e-8)
    for key, value in exact["coef"].items():
        item = by_label[_split_plot_label(key)]
        assert item["estimate"] == pytest.approx(value, rel=1e-8)
        assert item["se"] == pytest.approx(exact["se_KR"][key], rel=1e-8)
        assert item["dof"] == pytest.approx(exact["df_KR"][key], rel=1e-8)
        assert item["p_value"] == pytest.approx(exact["p_KR"][key], rel=1e-6)
    published = expected["published"]
    assert np.sqrt(components["load"]) == pytest.approx(published["sd_whole"], abs=0.051)
    assert np.sqrt(components["residual"]) == pytest.approx(published["sd_sub"], abs=0.1)  # 11.16, printed as 11.1
    assert [item["dof"] for item in one["components"]] == [
        published["df"]["whole_plot_error"],
        published["df"]["subplot_error"],
    ]


def _split_plot_label(key):
    """``temperature1:coating2`` of sum-to-zero contrasts -> our label for the same column."""
    if key == "(Intercept)":
        return "intercept"
    levels = {"temperature": ["360", "370", "380"], "coating": ["C1", "C2", "C3", "C4"]}
    parts = [(part[:-1], levels[part[:-1]][int(part[-1]) - 1]) for part in key.split(":")]
    return " * ".join(f"{name} [{level}]" for name, level in parts)
