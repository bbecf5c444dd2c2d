"""The import order is the data flow: a stage imports only from itself and from stages before it."""

import ast
from functools import cache
from pathlib import Path

import pytest

SOURCE = Path(__file__).parents[1] / "doe"
FLOW = (
    "errors", "verdicts", "files", "numerics", "study", "design", "sheet",
    "record", "model", "recommend", "report", "demo", "cli",
)
PURE = {
    "__future__", "collections", "dataclasses", "functools", "itertools", "math", "numpy", "pyDOE3", "scipy",
    "statsmodels", "typing",
}
TOUCHES_FILES = {"openpyxl", "os", "pathlib", "shutil", "tempfile", "tomllib"}
MAY_TOUCH_FILES = ("read.py", "read_tables.py", "write.py", "verify.py", "files.py")
SEEDED = ("default_rng", "Generator", "SeedSequence")
MODULES = sorted(path for path in SOURCE.rglob("*.py") if path.parent != SOURCE or path.stem in FLOW)
ALL = sorted(SOURCE.rglob("*.py"))


@cache
def tree_of(path):
    return ast.parse(path.read_text(encoding="utf-8"))


def imported(tree):
    """Absolute dotted names imported anywhere in the module, lazy imports included."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative import"
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def called(tree):
    """Every call with the dotted name of what is called, as far as it is a dotted name."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            yield node, ast.unparse(node.func)


def stage(path):
    return path.relative_to(SOURCE).with_suffix("").parts[0]


def may_touch_files(path):
    return stage(path) == "cli" or path.name in MAY_TOUCH_FILES


def later_imports(names, own):
    """Imports of the package that come from a later stage, or from the package as a whole (but for its version)."""
    ours = [name.split(".") for name in names if name.split(".")[0] == "doe" and name != "doe.__version__"]
    return [".".join(parts) for parts in ours if len(parts) == 1 or FLOW.index(parts[1]) > FLOW.index(own)]


def foreign_to_numerics(names):
    return [
        name for name in names
        if name.split(".")[0] not in PURE and not name.startswith(("doe.numerics.", "doe.errors."))
    ]


def unseeded(tree):
    """Calls that draw random numbers from anything but a generator made from a seed or passed in."""
    for node, name in called(tree):
        last = name.rsplit(".", 1)[-1]
        no_seed = last == "default_rng" and not node.args and not node.keywords
        no_generator = last == "rvs" and not any(keyword.arg == "random_state" for keyword in node.keywords)
        global_state = name.startswith(("np.random.", "numpy.random.")) and last not in SEEDED
        if no_seed or no_generator or global_state:
            yield name


def relative(path):
    return str(path.relative_to(SOURCE))


def found_in(paths, look):
    """What a look at each module's tree finds, by module, where it finds something."""
    found = {relative(path): list(look(path, tree_of(path))) for path in paths}
    return {path: what for path, what in found.items() if what}


def test_imports_only_earlier_stages():
    assert found_in(MODULES, lambda path, tree: later_imports(imported(tree), stage(path))) == {}


def test_numerics_is_pure():
    numerics = [path for path in MODULES if stage(path) == "numerics"]
    assert found_in(numerics, lambda _, tree: foreign_to_numerics(imported(tree))) == {}


def test_only_readers_and_writers_touch_files():
    others = [path for path in MODULES if not may_touch_files(path)]
    assert found_in(others, lambda _, tree: [one for one in imported(tree) if one.split(".")[0] in TOUCHES_FILES]) == {}
    assert found_in(others, lambda _, tree: [name for _, name in called(tree) if name in ("open", "io.open")]) == {}


def test_only_the_command_line_prints():
    others = [path for path in ALL if stage(path) != "cli"]
    assert found_in(others, lambda _, tree: [name for _, name in called(tree) if name == "print"]) == {}


def test_no_hidden_state_of_plots_or_random_numbers():
    def hidden(_, tree):
        yield from (one for one in imported(tree) if one.startswith("matplotlib.pyplot") or one.split(".")[0] == "random")
        yield from unseeded(tree)

    assert found_in(ALL, hidden) == {}


def test_one_module_calls_the_library_of_designs():
    users = [relative(path) for path in ALL if any(name.split(".")[0] == "pyDOE3" for name in imported(tree_of(path)))]
    assert users == ["numerics/catalogue.py"]


@pytest.mark.parametrize(
    ("own", "source"),
    [("study", "from doe.design import plan"), ("numerics", "def f():\n    import doe.study.spec"), ("cli", "import doe")],
)
def test_the_check_sees_a_later_stage(own, source):
    assert later_imports(imported(ast.parse(source)), own)


def test_the_check_sees_a_relative_import():
    with pytest.raises(AssertionError, match="relative import"):
        list(imported(ast.parse("from . import plan")))


@pytest.mark.parametrize("source", ["import pandas", "from doe.study import spec", "from os import path"])
def test_the_check_sees_what_is_foreign_to_numerics(source):
    assert foreign_to_numerics(imported(ast.parse(source)))


@pytest.mark.parametrize(
    ("source", "found"),
    [
        ("np.random.default_rng()", True), ("np.random.normal(3)", True), ("stats.norm.rvs(3)", True),
        ("np.random.default_rng(seed)", False), ("stats.norm.rvs(3, random_state=rng)", False),
        ("rng.normal(3)", False),
    ],
)
def test_the_check_sees_unseeded_draws(source, found):
    assert bool(list(unseeded(ast.parse(source)))) is found
