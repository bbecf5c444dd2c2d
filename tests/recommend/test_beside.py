"""What stands beside the conformance: the same chances as the fit has at a setting that was printed."""

from dataclasses import replace

import numpy as np
import pytest

from doe.model.fit import fit_model
from doe.recommend.beside import COMPLETION, beside
from doe.study import scale
from tests.recommend.test_choose import NINE, PLAIN, STRENGTH, make_design, make_record, make_study

GRADED = {"name": "bed", "kind": "graded", "grades": [1, 2, 3, 4, 5, 6], "per": "print", "at_least": 4}
FITS = {"name": "lid", "kind": "pass_fail", "per": "print"}


def test_chances_are_those_of_the_fit():
    study = make_study(responses=[STRENGTH, GRADED, FITS], model={"terms": "main"})
    design = make_design(study, *NINE)
    record = make_record(study, design, {"strength": lambda at: 26 + 0.0 * at["nozzle"]}, sd=(0.2, 0.3, 0.3))
    hot = (design.runs["target.nozzle"].to_numpy(dtype=float) - 255) / 15
    outcome = np.where(design.runs["print"].isin(["P00", "P10"]), "detached", "completed")
    prints = record.prints.assign(outcome=outcome, printer="", load=design.runs["load"])
    prints = prints.assign(bed=3.0 + hot, lid=np.where(hot + np.arange(18) % 2 > 1, "pass", "fail"))
    prints.loc[outcome == "detached", ["bed", "lid"]] = [np.nan, ""]
    record = replace(record, prints=prints)
    fit, _ = fit_model(study, design, record, PLAIN)
    at = scale.coded(study, {"nozzle": [270.0], "drying": [8.0]})
    found = {one.what: one for one in beside(study, design, record, at)}
    assert set(found) == {COMPLETION, "bed", "lid"}
    place = next(row for row, one in enumerate(NINE[0]) if one == (270, 8))
    cell = int(design.runs["cell"].iloc[place])
    for judged in fit.judged:
        (there,) = (one for one in judged.settings if one.cell == cell)
        mine = found[judged.response]
        assert (mine.chance, mine.low, mine.high) == pytest.approx((there.chance, there.low, there.high), rel=1e-6)
        assert mine.lower is None
    (there,) = (one for one in fit.printed.settings if one.cell == cell)
    assert found[COMPLETION].lower == pytest.approx(there.lower)
    assert "has it at least 4" in found["bed"].of.replace("grade ", "")


def test_a_response_without_a_model_is_left_out():
    study = make_study(responses=[STRENGTH, FITS], model={"terms": "main"})
    design = make_design(study, *NINE)
    record = make_record(study, design, {"strength": lambda at: 26 + 0.0 * at["nozzle"]})
    record = replace(record, prints=record.prints.assign(lid=""))
    at = scale.coded(study, {"nozzle": [270.0], "drying": [8.0]})
    assert [one.what for one in beside(study, design, record, at)] == [COMPLETION]
