"""The choice of a plan from purpose and budget: what is refused, what is proposed, and what is held back."""

import pytest

from doe.design import purpose
from doe.design.purpose import Size
from doe.design.request import PlanRequest
from doe.errors import InputRefused
from tests.conftest import make_study, numeric


def sized(prints, loads=None):
    return make_study(budget={"prints": prints, "loads": loads} if loads else {"prints": prints})


@pytest.mark.parametrize(
    ("terms", "kind", "found"),
    [("quadratic", "compound", "map"), ("main", "d-optimal", "screen"), ("interactions", "d-optimal", "screen")],
)
def test_the_declared_model_says_what_the_plan_is_for(terms, kind, found):
    choice = purpose.choose(make_study(model={"terms": terms}), PlanRequest())
    assert (choice.kind, choice.purpose) == (kind, found)


@pytest.mark.parametrize(
    ("terms", "asked", "said"),
    [("main", "map", "it has no squares.*quadratic"), ("quadratic", "screen", "it has squares.*interactions")],
)
def test_a_purpose_that_the_model_cannot_serve_is_refused_with_what_to_declare(terms, asked, said):
    with pytest.raises(InputRefused, match=said):
        purpose.choose(make_study(model={"terms": terms}), PlanRequest(purpose=asked))


def test_a_third_is_held_back_in_three_loads_where_the_first_round_can_still_judge_the_model():
    choice = purpose.choose(sized(36, 9), PlanRequest())
    assert (choice.size, choice.held_back) == (Size(24, 6), Size(12, 3))
    assert purpose.choose(sized(36, 9), PlanRequest(one_round=True)).held_back is None
    assert purpose.choose(sized(35, 9), PlanRequest()).held_back is None
    # 8 loads less 3 leave 5: three columns between loads and only 2 error degrees of freedom.
    assert purpose.choose(sized(48, 8), PlanRequest()).held_back is None


@pytest.mark.parametrize(
    ("study", "request_", "said"),
    [
        (sized(12, 6), PlanRequest(), "12 prints in 6 loads for the 16 coefficients.*at least 20"),
        (sized(30, 3), PlanRequest(), r"with 3 drying load\(s\) no error degree of freedom is left.*at least 4"),
        (sized(30, 1), PlanRequest(), r"with 1 drying load\(s\) no error"),
        (sized(20), PlanRequest(loads=25), "25 drying loads for 20 prints"),
        (sized(30, 6), PlanRequest(kind="box-behnken", prints=30), "has a number of prints of its own"),
        (make_study(budget={}), PlanRequest(), "prints is missing.*30 prints in 8 loads|lean: 24 prints in 6 loads"),
    ],
    ids=["too few prints", "too few loads", "one load", "more loads than prints", "family with prints", "no budget"],
)
def test_a_budget_that_is_too_small_is_refused_with_what_would_do(study, request_, said):
    with pytest.raises(InputRefused, match=said):
        purpose.choose(study, request_)


def test_without_a_budget_the_tested_sizes_are_proposed():
    assert purpose.proposals(make_study(budget={}), PlanRequest()) == (Size(24, 6), Size(30, 8))
    screen = make_study(budget={}, model={"terms": "main"})
    assert purpose.proposals(screen, PlanRequest()) == (Size(20, 6), Size(24, 8))


def test_other_studies_get_sizes_counted_from_their_degrees_of_freedom():
    study = make_study(
        budget={}, factors=[numeric("a", 0, 2, 1), numeric("b", 0, 2, 1)], model={"terms": "quadratic"}, printers=[]
    )
    lean, good = purpose.proposals(study, PlanRequest())
    assert (lean, good) == (Size(6 + 5, 0), Size(6 + 10, 0))


@pytest.mark.parametrize(("prints", "loads"), [(24, 6), (30, 8)])
def test_every_proposal_leaves_the_degrees_of_freedom_that_it_is_made_for(prints, loads):
    coefficients, between = purpose.coefficient_counts(make_study())
    assert (coefficients, between) == (16, 3)
    assert loads - between >= purpose.LOAD_DOF
    assert prints - coefficients - (loads - between) >= purpose.PRINT_DOF
