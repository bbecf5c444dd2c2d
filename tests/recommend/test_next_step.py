"""The names that decide the next step: each is said by some module, and none has two meanings."""

import ast
from collections import Counter
from functools import cache
from pathlib import Path

import pytest

from doe.recommend import next_step
from doe.verdicts import Verdict

HERE = Path(next_step.__file__)
OTHERS = [path for path in HERE.parents[1].rglob("*.py") if path != HERE]


def tree_of(path):
    return ast.parse(path.read_text(encoding="utf-8"))


def assigned(tree):
    """Yield every name that is given a value at the top of the module, with the value."""
    for node in tree.body:
        if isinstance(node, ast.Assign):
            target, value = node.targets[0], node.value
            pairs = zip(target.elts, value.elts, strict=True) if isinstance(target, ast.Tuple) else [(target, value)]
            yield from ((name.id, given) for name, given in pairs)


def texts(node, known, seen=()):
    """Yield the texts that a verdict's name may be or begin with; names are looked up, those of this module as well."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    elif isinstance(node, ast.JoinedStr):
        yield from texts(node.values[0], known, seen)
    elif isinstance(node, ast.FormattedValue):
        yield from texts(node.value, known, seen)
    elif isinstance(node, ast.IfExp):
        yield from (*texts(node.body, known, seen), *texts(node.orelse, known, seen))
    elif isinstance(node, ast.Attribute) and ast.unparse(node.value) == "next_step":
        yield getattr(next_step, node.attr)
    elif isinstance(node, ast.Name) and node.id not in seen:
        for value in known.get(node.id, ()):
            yield from texts(value, known, (*seen, node.id))


def first_parts(tree):
    """Yield the name of every verdict: made at once, or handed on as a tuple that becomes one (``diagnosed.py``)."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and ast.unparse(node.func).split(".")[-1] == "Verdict" and node.args:
            yield node.args[0]
        elif isinstance(node, ast.Yield) and isinstance(node.value, ast.Tuple):
            yield node.value.elts[0]


@cache
def said():
    """Every name of a verdict that some module of the package makes."""
    found = set()
    for path in OTHERS:
        if "Verdict" not in path.read_text(encoding="utf-8"):
            continue
        tree, known = tree_of(path), {}
        for node in ast.walk(tree):
            if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
                known.setdefault(node.targets[0].id, []).append(node.value)
        for part in first_parts(tree):
            found.update(texts(part, known))
    return found


def test_no_name_is_given_twice_and_no_text_has_two_names():
    names = [name for name, _ in assigned(tree_of(HERE))]
    assert [name for name, count in Counter(names).items() if count > 1] == []
    values = [value.value for _, value in assigned(tree_of(HERE)) if isinstance(value, ast.Constant)]
    assert [value for value, count in Counter(values).items() if count > 1] == []


def test_no_step_stands_twice():
    assert [name for name, count in Counter(name for name, *_ in next_step._STEPS).items() if count > 1] == []


@pytest.mark.parametrize("name", sorted({*(name for name, *_ in next_step._STEPS), *next_step.OF_THE_FIT}))
def test_every_name_is_one_that_is_said(name):
    assert name in said()


def test_a_study_in_which_nothing_is_worth_anything_stops():
    verdict = Verdict(next_step.WORTHLESS, "strength is predicted at 20 MPa", "look for another material")
    edge = Verdict(next_step.ON_THE_EDGE, "nozzle at 285", "print higher values", "nozzle")
    assert next_step.next_step([edge, verdict]) == "stop: no setting is worth anything; look for another material"


def test_requirements_that_are_met_whatever_is_set_are_confirmed_unless_something_stands_against_it():
    met = Verdict(next_step.MET_ANYWAY, "the bound reaches it", "keep the recommended one", "strength")
    off = Verdict(next_step.COUPON_OFF, "coupon 3", "look at it", "strength")
    assert next_step.next_step([met]).startswith("confirm: doe confirm, since strength: every requirement is met though")
    assert next_step.next_step([met, off]).startswith("check the record")


def test_a_model_that_predicts_nothing_stops():
    verdict = Verdict(next_step.PREDICTS_NOTHING, "the mean does as well", "print wider ranges", "strength")
    assert next_step.next_step([verdict]) == "stop: strength: model predicts nothing; print wider ranges"
