"""Further rounds that cannot be had: axes, boxes and lines on which nothing can be set, prints that have no mirror image."""

import itertools

import numpy as np
import pandas as pd
import pytest

from doe.design import around, ascent, axial, foldover, plan
from doe.design.extend import ExtendRequest, extend
from doe.errors import InputRefused
from tests.conftest import make_study, numeric
from tests.design.plans import few_starts

NOZZLE, BED = numeric("nozzle_temperature", 255, 285, 5), numeric("bed_temperature", 60, 80, 5)
SURFACE = {"name": "bed_surface", "levels": ["glass", "steel", "sheet"]}


def study_of(*factors, reaching=(), **changes):
    """Return a study with a printer for each pair of limits of the nozzle."""
    printers = [{"name": f"P{place}", "limits": {"nozzle_temperature": list(ends)}} for place, ends in enumerate(reaching)]
    return make_study(factors=list(factors), printers=printers, budget={}, model={"terms": "main"}, **changes)


@pytest.mark.parametrize(
    ("study", "names", "distance", "said"),
    [
        (study_of(NOZZLE, SURFACE), ["bed_surface"], 1.0, "bed_surface has named levels"),
        (study_of(SURFACE), [], 1.0, "the study has no numeric factor"),
        (study_of(NOZZLE), [], 0.0, "--distance: 0; a distance from the centre"),
        (study_of(NOZZLE, reaching=[(0, 271)]), [], 1.0, "'nozzle_temperature': nothing above its centre is allowed"),
        (study_of(NOZZLE, reaching=[(269, 300)]), [], 1.0, "'nozzle_temperature': nothing below its centre is allowed"),
    ],
    ids=["a factor with levels", "levels only", "no distance", "limit at the middle", "limit from the middle on"],
)
def test_axes_on_which_no_point_can_stand(study, names, distance, said):
    with pytest.raises(InputRefused, match=said):
        axial.points(study, names, distance)


def test_prints_without_a_mirror_image():
    three = study_of(NOZZLE, SURFACE)
    with pytest.raises(InputRefused, match="bed_surface has more than two levels"):
        foldover.fold(three, np.array([[-1.0, 0.0], [1.0, 2.0]]), [0])
    with pytest.raises(InputRefused, match="the first round has no two-level prints"):
        foldover.fold(study_of(NOZZLE), np.zeros((0, 1)), [0])


def test_a_factor_that_stood_still_has_no_two_level_prints():
    coded = np.array([[-1.0, 0.0], [1.0, 0.0]])
    assert foldover.two_level(study_of(NOZZLE, BED), coded).tolist() == [False, False]


def test_boxes_of_which_nothing_can_be_set():
    with pytest.raises(InputRefused, match="no value of its range can be set on every printer"):
        around.whole(study_of(NOZZLE, reaching=[(0, 260), (280, 300)]))
    with pytest.raises(InputRefused, match="'nozzle_temperature': nothing of it can be set; from 255 to 265 °C every printer"):
        around.around(study_of(NOZZLE, reaching=[(0, 265)]), np.array([0.9]), 0.2)


def test_a_box_keeps_all_levels_of_a_factor_that_has_names():
    study = study_of(NOZZLE, SURFACE)
    box = around.around(study, np.array([0.0, 1.0]), 0.5)
    assert box.bounds.tolist() == [[-0.5, 0.5], [0, 2]]
    assert around.in_words(study, box) == {"nozzle_temperature": [262.5, 277.5], "bed_surface": ["glass", "steel", "sheet"]}
    settings = [(ends, level) for ends in (255.0, 285.0) for level in SURFACE["levels"]]
    targets = pd.DataFrame(settings, columns=["nozzle_temperature", "bed_surface"])
    none = np.full(len(settings), -1)
    runs = plan.assemble(study, targets, none, none, ["edge"] * len(settings), plan.Provenance("adopted", 1))
    first = plan.checked(study, runs, {"kind": "adopted"})
    with few_starts():
        new = extend(study, first, ExtendRequest(prints=6, seed=1), box).of_round(2)
    assert set(new["target.bed_surface"]) == set(SURFACE["levels"])
    assert new["target.nozzle_temperature"].between(262.5, 277.5).all()


def test_a_step_of_a_factor_that_stays_or_goes_nowhere():
    with pytest.raises(ValueError, match="its coefficient is 0"):
        ascent.natural_steps(np.array([0.0, 1.0]), np.ones(2), 0, 5.0)
    with pytest.raises(ValueError, match="must be above 0, and it is -5"):
        ascent.natural_steps(np.array([1.0, 1.0]), np.ones(2), 0, -5.0)


def test_a_full_fold_over_of_a_full_factorial_separates_nothing():
    # Montgomery, Design and Analysis of Experiments, ch. 8: with all signs reversed its runs are the same runs again.
    study = study_of(NOZZLE, BED)
    corners = np.array(list(itertools.product((-1.0, 1.0), repeat=2)))
    found = foldover.fold(study, corners, [0, 1])
    assert (found.facts["separated"], found.facts["resolution"]) == ([], None)
    assert sorted(map(tuple, found.coded.tolist())) == sorted(map(tuple, corners.tolist()))
