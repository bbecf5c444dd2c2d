"""All prints together: those of a confirmation count as the average of the rounds before it."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from doe.design.plan import CONFIRMATION, Design
from doe.model.fit import fit_model
from doe.recommend.confirm import ConfirmRequest, plan_confirmation
from doe.recommend.updated import updated
from doe.study import scale
from tests.recommend.test_choose import NINE, STRENGTH, make_design, make_record, make_study

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
    _, fitted = fit_model(study, design, record)
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
    _, again = fit_model(study, both, joined)
    assert again[0].estimates == pytest.approx(fitted[0].estimates)
