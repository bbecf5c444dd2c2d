"""Several responses of a print together, and the requirement on the scale of the model."""

from dataclasses import replace

import numpy as np
import pytest

from doe.errors import InputRefused
from doe.model.fit import fit_model
from doe.recommend import outlook
from tests.recommend.test_choose import NINE, PLAIN, STRENGTH, make_design, make_record, make_study

TWO = [{**STRENGTH, "at_least": 25.5}, {**STRENGTH, "name": "peel", "at_least": 25.5}]
CENTRE = np.zeros((1, 2))


def views(same, loads=NINE[1]):
    """Return the data of two responses, of the same values or of independent ones."""
    study = make_study(responses=TWO, model={"terms": "main"})
    design = make_design(study, NINE[0], loads)
    flat = {one["name"]: lambda at: np.full(len(at["nozzle"]), 26.0) for one in TWO}
    record = make_record(study, design, flat, sd=(0.2, 0.6, 0.01), seed=3)
    if same:
        record = replace(record, coupons=record.coupons.assign(peel=record.coupons["strength"]))
    return study, [one.data for one in fit_model(study, design, record, PLAIN)[1]]


@pytest.mark.parametrize("loads", [NINE[1], [None] * 18])
def test_two_responses_of_the_same_values_fail_together(loads):
    study, both = views(same=True, loads=loads)
    view = outlook.outlook(study, both, ())
    correlation, shares = view.correlation(CENTRE)
    alone = view.by_response(CENTRE)
    assert correlation[0, 1] > 0.6  # the median of draws: 18 prints leave room for less than one
    together, apart = np.median(shares), np.median(view.shares(CENTRE))
    assert apart + 0.01 < together < np.median(alone["strength"]) + 0.02


def test_independent_responses_fail_independently():
    study, both = views(same=False)
    view = outlook.outlook(study, both, ())
    correlation, shares = view.correlation(CENTRE)
    assert abs(correlation[0, 1]) < 0.7
    alone = np.prod([np.median(one) for one in view.by_response(CENTRE).values()])
    assert np.median(view.shares(CENTRE)) == pytest.approx(alone, abs=0.03)
    assert shares.shape == (400,)


def test_nothing_is_said_of_responses_that_no_print_has_both_of():
    study, (one, other) = views(same=True)
    apart = replace(other, names=tuple(f"X{name}" for name in other.names))
    assert outlook.outlook(study, [one, apart], ()).correlation(CENTRE) is None
    few = replace(other, names=(*other.names[:3], *(f"X{name}" for name in other.names[3:])))
    assert outlook.outlook(study, [one, few], ()).correlation(CENTRE) is None  # three prints leave nothing to compare
    assert outlook.outlook(study, [one], ()).correlation(CENTRE) is None


def test_print_means_that_do_not_vary_are_refused():
    study, (one, _) = views(same=True)
    flat = replace(one, values=np.full(len(one.values), 26.0))
    with pytest.raises(InputRefused, match="response strength: "):
        outlook.outlook(study, [flat], ())


def test_a_requirement_of_a_logarithm_is_on_its_scale():
    (response,) = make_study(responses=[{**STRENGTH, "at_least": 20.0, "transform": "log"}]).responses
    assert outlook.limits(response) == (pytest.approx(np.log(20)), None)
