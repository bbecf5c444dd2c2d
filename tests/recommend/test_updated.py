"""All prints together: those of a confirmation count as the average of the rounds before it."""

import re
from dataclasses import asdict, replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doe.design.plan import CONFIRMATION, Design
from doe.model.fit import fit_model
from doe.recommend.choose import recommend_settings
from doe.recommend.confirm import ConfirmRequest, plan_confirmation
from doe.recommend.updated import updated
from doe.record.declared import with_confirmations
from doe.study import scale
from tests.recommend.test_choose import NINE, PLAIN, STRENGTH, hill, make_design, make_record, make_study

ADVICE = {
    "number": 1, "exploratory": False, "verdicts": [], "printers": [],
    "settings": {"nozzle": {"value": 275.0, "unit": "°C"}, "drying": {"value": 9.0, "unit": "h"}},
}  # fmt: skip


@pytest.mark.parametrize("rounds", [1, 2])
def test_the_mean_is_that_of_least_squares_without_a_round_of_its_own(rounds):
    study = make_study(responses=[{**STRENGTH, "per": "print", "coupons": 1}], model={"terms": "main"})
    design = make_design(study, NINE[0], [None] * 18)
    number = np.repeat([1, 2], 9) if rounds == 2 else np.ones(18, dtype=int)
    design = Design(design.runs.assign(round=number))
    truth = {"strength": lambda at: np.asarray(26 + (at["nozzle"] - 270) / 15 + 0 * at["drying"], dtype=float)}
    record = make_record(study, design, truth, sd=(0.0, 0.5, 0.0))
    _, fitted = fit_model(study, design, record, PLAIN)
    request = ConfirmRequest(1, ADVICE, "", {}, 3, loads=4)
    both, confirmation = plan_confirmation(study, design, record, fitted, request)
    new = both.of_round(rounds + 1)
    assert set(new["kind"]) == {CONFIRMATION}
    assert set(new["load"]) == {""}
    values = [27.0, 27.4, 26.1, 26.7]
    prints = pd.DataFrame({"print": new["print"], "outcome": "completed", "deviation": "", "strength": values})
    joined = replace(record, prints=pd.concat([record.prints, prints], ignore_index=True))
    found = updated(study, both, joined, confirmation, None)
    settings = {name: both.runs[f"target.{name}"] for name in ("nozzle", "drying")}
    X = np.column_stack([np.ones(22), scale.coded(study, settings)])
    if rounds == 2:
        X = np.column_stack([X, np.r_[np.repeat([1.0, -1.0], 9), np.zeros(4)]])
    beta = np.linalg.lstsq(X, np.r_[record.prints["strength"], values], rcond=None)[0]
    assert found.responses[0]["mean"] == pytest.approx(np.r_[X[-1]] @ beta)
    # The fit itself stays what it was: a confirmation judges it.
    _, again = fit_model(study, both, joined, PLAIN)
    assert again[0].estimates == pytest.approx(fitted[0].estimates)


BY_PRINT = {**STRENGTH, "per": "print", "coupons": 1}
AIM = {"name": "strength", "unit": "MPa", "per": "print", "aim": "maximise", "worthless_below": 20, "perfect_at": 30}
VALUES = (24.9, 25.2, 25.0, 24.8)


def tried(study, loads, printers=("",), values=VALUES, sd=(0.05, 0.1, 0.1)):
    """Return plan and record of a study with four confirmation prints at 272 degrees and 9.5 hours, and the confirmation."""
    design = make_design(study, NINE[0], loads, printers)
    record = make_record(study, design, hill(), sd=sd)
    _, fitted = fit_model(study, design, record, PLAIN)
    advice = {
        **ADVICE, "printers": [{"printer": one.name, "setpoints": {}} for one in study.printers],
        "settings": {"nozzle": {"value": 272.0, "unit": "°C"}, "drying": {"value": 9.5, "unit": "h"}},
    }
    both, confirmation = plan_confirmation(study, design, record, fitted, ConfirmRequest(1, advice, "", {}, 3, loads=4))
    names = list(both.of_round(2)["print"])
    prints = pd.DataFrame({"print": names, "outcome": "completed", "deviation": "", "strength": values})
    return both, replace(record, prints=pd.concat([record.prints, prints], ignore_index=True)), confirmation


@pytest.mark.parametrize("order", [("A", "B"), ("B", "A")])
def test_bound_and_limits_are_those_that_a_recommendation_by_all_prints_would_have(order):
    study = make_study(responses=[BY_PRINT], printers=[checked("A", 1.0), checked("B", 2.0)])
    both, record, confirmation = tried(study, NINE[1], order)
    found = updated(study, both, record, confirmation, None)
    whole = with_confirmations(both)
    advice = recommend_settings(study, whole, *fit_model(study, whole, record, PLAIN), 1, record)
    assert {one.factor: one.value for one in advice.settings} == {"nozzle": 272.0, "drying": 9.5}
    asked = asdict(advice.conformance)
    for key in ("estimate", "lower", "level", "required", "by_response", "by_printer"):
        assert found.conformance[key] == asked[key]
    assert set(found.conformance["by_printer"]) == {"A", "B"}
    assert found.responses[0]["tolerance"] == asdict(advice.responses[0].tolerance)


def checked(name, scatter):
    """Return a printer that reads true on the average, by readings that scatter so much; their line is the same."""
    actual = [240 + scatter, 270 - 2 * scatter, 300 + scatter]
    return {"name": name, "checks": [{"factor": "nozzle", "set": [240, 270, 300], "actual": actual}]}


def test_how_far_the_lines_may_be_off_is_in_the_bound():
    lower = []
    for scatter in (0.5, 3.0):
        study = make_study(responses=[{**BY_PRINT, "at_least": 24.0}], printers=[checked(name, scatter) for name in "AB"])
        both, record, confirmation = tried(study, NINE[1], ("A", "B"))
        found = updated(study, both, record, confirmation, None)
        lower.append(found.conformance["lower"])
        assert found.responses[0]["mean"] == pytest.approx(25, abs=0.15)  # the lines are the same, and so the fit
    assert lower[1] < lower[0] - 0.05


def test_tolerance_limit_is_that_of_the_noncentral_t():
    # One stratum: the limit of a share of normal values about a regression, with the noncentral t (Lieberman and Miller,
    # "Simultaneous tolerance intervals in regression", Biometrika 50 (1963), section 2, from memory).
    study = make_study(responses=[BY_PRINT], model={"terms": "quadratic"})
    both, record, confirmation = tried(study, [None] * 18, sd=(0.0, 0.3, 0.0))
    found = updated(study, both, record, confirmation, None)
    targets = {name: both.runs[f"target.{name}"] for name in ("nozzle", "drying")}
    at = scale.coded(study, targets)
    X = np.column_stack([np.ones(22), at, at[:, 0] * at[:, 1], at**2])
    y = record.prints["strength"].to_numpy(float)
    beta, (rss,) = np.linalg.lstsq(X, y, rcond=None)[:2]
    scatter, h = np.sqrt(rss / 16), X[-1] @ np.linalg.inv(X.T @ X) @ X[-1]
    quantile = float(re.search(r"posterior ([0-9.]+) % quantile", found.conformance["method"])[1]) / 100
    kept = found.responses[0]["tolerance"]
    z = stats.norm.ppf(kept["share"])
    reach = stats.nct.ppf(1 - quantile, 16, z / np.sqrt(h)) * np.sqrt(h) * scatter
    assert kept["lower"] == pytest.approx(X[-1] @ beta - reach, abs=0.05 * reach)  # 2000 draws
    assert kept["upper"] is None


def test_aims_give_the_desirability_of_the_means_of_all_prints():
    study = make_study(responses=[AIM], model={"terms": "quadratic"})
    both, record, confirmation = tried(study, [None] * 18, sd=(0.0, 0.3, 0.0))
    found = updated(study, both, record, confirmation, None)
    assert found.conformance is None
    (one,) = found.responses
    assert one["tolerance"] is None and one["meets"] == ""
    assert found.desirable["overall"] == pytest.approx((one["mean"] - 20) / 10)
    # One response and a straight way: the interval is that of the mean, by Student's t, without allowance for the choice.
    at = scale.coded(study, {name: both.runs[f"target.{name}"] for name in ("nozzle", "drying")})
    X = np.column_stack([np.ones(22), at, at[:, 0] * at[:, 1], at**2])
    beta, (rss,) = np.linalg.lstsq(X, record.prints["strength"].to_numpy(float), rcond=None)[:2]
    assert one["mean"] == pytest.approx(X[-1] @ beta)
    reach = stats.t.isf(0.025, 16) * np.sqrt(rss / 16 * (X[-1] @ np.linalg.inv(X.T @ X) @ X[-1]))
    width = found.desirable["high"] - found.desirable["low"]
    assert width == pytest.approx(2 * reach / 10, rel=0.1)


def test_aims_rest_on_the_estimates_in_which_a_confirmation_has_no_mean_of_its_own():
    study = make_study(responses=[AIM], model={"terms": "main"})
    design = make_design(study, NINE[0], [None] * 18)
    design = Design(design.runs.assign(round=np.repeat([1, 2], 9)))
    truth = {"strength": lambda at: np.asarray(26 + (at["nozzle"] - 270) / 15 + 0 * at["drying"], dtype=float)}
    record = make_record(study, design, truth, sd=(0.0, 0.5, 0.0))
    _, fitted = fit_model(study, design, record, PLAIN)
    both, confirmation = plan_confirmation(study, design, record, fitted, ConfirmRequest(1, ADVICE, "", {}, 3, loads=4))
    names = list(both.of_round(3)["print"])
    prints = pd.DataFrame({"print": names, "outcome": "completed", "deviation": "", "strength": VALUES})
    joined = replace(record, prints=pd.concat([record.prints, prints], ignore_index=True))
    found = updated(study, both, joined, confirmation, None)
    assert found.desirable["wishes"][0]["mean"] == pytest.approx(found.responses[0]["mean"])


def test_why_nothing_can_be_said_anew():
    study = make_study(responses=[BY_PRINT])
    both, record, confirmation = tried(study, [None] * 18)
    names = {one.print for one in confirmation.prints}
    failed = record.prints.assign(
        outcome=["lost" if name in names else "completed" for name in record.prints["print"]],
        strength=record.prints["strength"].mask(record.prints["print"].isin(names)),
    )
    assert updated(study, both, replace(record, prints=failed), confirmation, None) == "none of its prints gave a value"
    flat = record.prints.assign(strength=26.0)
    assert updated(study, both, replace(record, prints=flat), confirmation, None) == "strength has no intervals from all prints"
