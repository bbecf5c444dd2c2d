"""Every verdict that is raised anywhere has its place in the one order, and the order puts what is gravest first."""

import ast
import tomllib
from importlib import import_module
from pathlib import Path

import pytest

from doe.recommend import printers
from doe.verdicts import Verdict, grave, ordered, rank

ROOT = Path(__file__).parents[1]
SPOKEN = tomllib.loads((ROOT / "templates/operators/en.toml").read_text(encoding="utf-8"))["verdicts"]


def constant(module, node):
    """The value of a name or attribute that a module imports or defines; None where it is a variable of a function."""
    if not isinstance(node, ast.Name | ast.Attribute):
        return None
    try:
        found = eval(ast.unparse(node), vars(module))
    except NameError:
        return None
    return found if isinstance(found, str) else None


def names_in(module, function, node):
    """Every name that an expression may be; what is only known when it runs stands as ``x``."""
    if isinstance(node, ast.Constant):
        return [node.value]
    if isinstance(node, ast.JoinedStr):
        made = [""]
        for part in node.values:
            inner = part.value if isinstance(part, ast.FormattedValue) else part
            given = [constant(module, inner)] if isinstance(inner, ast.Attribute) else [None]
            given = names_in(module, function, inner) if isinstance(inner, ast.Constant | ast.IfExp) else given
            made = [text + (one or "x") for text in made for one in given]
        return made
    if isinstance(node, ast.IfExp):
        return [*names_in(module, function, node.body), *names_in(module, function, node.orelse)]
    if (known := constant(module, node)) is not None:
        return [known]
    assigned = [
        one.value for one in ast.walk(function)
        if isinstance(one, ast.Assign) and ast.unparse(one.targets[0]) == ast.unparse(node)
    ]
    return [name for value in assigned for name in names_in(module, function, value)]


def raised():
    """Every module with the names of the verdicts that it raises; an empty list stands for one that was not found."""
    for path in sorted((ROOT / "doe").rglob("*.py")):
        where = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
        if "Verdict(" not in path.read_text(encoding="utf-8"):
            continue
        module, tree = import_module(where), ast.parse(path.read_text(encoding="utf-8"))
        for function in (one for one in ast.walk(tree) if isinstance(one, ast.FunctionDef)):
            said = "Said" in ast.unparse(function.returns or ast.Constant(""))
            for node in ast.walk(function):
                if isinstance(node, ast.Call) and ast.unparse(node.func) == "Verdict" and node.args:  # others are read back
                    yield where, ast.unparse(node.args[0]), names_in(module, function, node.args[0])
                elif said and isinstance(node, ast.Yield | ast.Return) and isinstance(node.value, ast.Tuple):
                    yield where, ast.unparse(node.value.elts[0]), names_in(module, function, node.value.elts[0])


ELSEWHERE = {
    ("doe.design.timetable", f"say('verdicts.{key}.name')"): [one["name"]] for key, one in SPOKEN.items()
} | {
    ("doe.recommend.printers", "name"): [name for name, *_ in printers._PARTS.values()],
    ("doe.model.diagnosed", "f'{what}s scatter unequally'"): ["printers scatter unequally", "loads scatter unequally"],
    ("doe.model.diagnosed", "*verdict"): [],  # the functions that return them are looked at one by one
}
"""Names that no expression in the function gives."""


def test_each_name_that_is_raised_anywhere_has_a_rank():
    found = list(raised())
    unread, unknown = [], []
    for where, written, names in found:
        names = ELSEWHERE.get((where, written), names)
        unread += [] if names or (where, written) in ELSEWHERE else [(where, written)]
        for name in names:
            try:
                rank(name)
            except KeyError:
                unknown.append((where, name))
    assert len(found) > 110 and unread == [] and unknown == []


def test_a_name_that_nothing_raises_has_no_rank():
    with pytest.raises(KeyError, match="weather too fine"):
        rank("weather too fine")


def test_wrong_values_come_before_a_poor_model_what_is_not_shown_and_remarks():
    names = ("unequal coupon counts", "conformance not shown with 6 loads", "load variance not resolvable", "lack of fit",
             "failed prints", "values in doubt cannot be left out", "coupon out of line")  # fmt: skip
    assert [one.name for one in ordered(Verdict(name, "", "") for name in names)] == [
        "values in doubt cannot be left out", "coupon out of line", "lack of fit", "conformance not shown with 6 loads",
        "failed prints", "unequal coupon counts", "load variance not resolvable",
    ]  # fmt: skip


def test_the_grave_ones_are_those_of_values_and_conclusions():
    names = ("unequal coupon counts", "lack of fit", "failed prints", "print out of line")
    assert [one.name for one in grave(Verdict(name, "", "") for name in names)] == ["print out of line", "lack of fit"]


def test_a_name_of_an_earlier_version_is_not_hidden():
    assert ordered([Verdict("lack of fit", "", ""), Verdict("an old name", "", "")])[0].name == "an old name"
