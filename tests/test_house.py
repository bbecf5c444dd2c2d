"""What holds for every module and every document of the project: purpose, names, sizes, and that what is named exists."""

import ast
import re
from collections import Counter
from functools import cache
from pathlib import Path
from statistics import median

import pytest

ROOT = Path(__file__).parents[1]
MODULES = sorted((ROOT / "doe").rglob("*.py"))
DOCUMENTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "templates/help").glob("*.md"))]
ROOTS = ("", "doe/", "tests/", "templates/")
LONGEST_MODULE, LONGEST_FUNCTION, USUAL_FUNCTION, MOST_ARGUMENTS = 400, 40, 10, 6
PROGRAMS = sorted(path for kind in ("studies", "benchmarks") for path in (ROOT / "tests" / kind).glob("*.py"))


@cache
def text_of(path):
    return path.read_text(encoding="utf-8")


@cache
def tree_of(path):
    return ast.parse(text_of(path))


def named(path):
    return str(path.relative_to(ROOT))


def purpose(path):
    """The first sentence of a module's docstring."""
    return re.split(r"(?<=[.?!])\s", ast.get_docstring(tree_of(path)) or "", maxsplit=1)[0]


def defined(path):
    """Names that a module defines for others: functions, classes and values without a leading underscore."""
    for node in tree_of(path).body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            yield node.name
        elif isinstance(node, ast.Assign):
            yield from (target.id for target in node.targets if isinstance(target, ast.Name))
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            yield node.target.id


@cache
def words():
    """How often each name stands in the package."""
    return Counter(word for path in MODULES for word in re.findall(r"\w+", text_of(path)))


def uses(name):
    """Times that a name stands anywhere in the package, its definition not counted."""
    return words()[name] - 1


def functions(path):
    return [node for node in ast.walk(tree_of(path)) if isinstance(node, ast.FunctionDef)]


def lines_of(function):
    """Lines of a function without its docstring."""
    length = function.end_lineno - function.lineno + 1
    if ast.get_docstring(function) is None:
        return length
    return length - (function.body[0].end_lineno - function.body[0].lineno + 1)


def arguments_of(function):
    given = [one.arg for one in (*function.args.posonlyargs, *function.args.args, *function.args.kwonlyargs)]
    return [one for one in given if one not in {"self", "cls"}]


def test_a_module_says_its_one_purpose():
    said = {named(path): purpose(path) for path in MODULES}
    assert {path: text for path, text in said.items() if not text.endswith((".", "?", "!")) or " and " in text} == {}


def test_what_a_module_defines_is_used():
    defines = {named(path): [name for name in defined(path) if not name.startswith("__")] for path in MODULES}
    unused = {path: [name for name in names if uses(name) < 1] for path, names in defines.items()}
    assert {path: names for path, names in unused.items() if names} == {}


def test_a_module_is_not_too_long():
    lengths = {named(path): len(text_of(path).splitlines()) for path in MODULES}
    assert {path: length for path, length in lengths.items() if length > LONGEST_MODULE} == {}


def test_functions_are_short():
    sizes = [lines_of(one) for path in MODULES for one in functions(path)]
    assert median(sizes) <= USUAL_FUNCTION
    assert sum(size > LONGEST_FUNCTION for size in sizes) <= 0.05 * len(sizes)


def test_functions_take_few_arguments():
    made = [(path, one) for path in MODULES if path.parent.name != "cli" for one in functions(path)]
    assert [f"{named(path)}: {one.name}" for path, one in made if len(arguments_of(one)) > MOST_ARGUMENTS] == []


def public(nodes):
    """Functions of a module, and methods of its classes, that others may call."""
    for node in nodes:
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
            yield node
        elif isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            yield from public(node.body)


def arrays_of(function):
    """Arguments that are arrays by their annotation."""
    given = (*function.args.posonlyargs, *function.args.args, *function.args.kwonlyargs)
    return [one.arg for one in given if one.annotation and re.search(r"ndarray|Array", ast.unparse(one.annotation))]


def raises(function):
    return any(isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call) for node in ast.walk(function))


def unsaid(function):
    """What the docstring of a function leaves out: the shape of an array that it takes, what it raises."""
    text = ast.get_docstring(function) or ""
    if arrays_of(function) and not re.search(r"\bshapes?\b", text):
        yield "shape of " + ", ".join(arrays_of(function))
    if raises(function) and not re.search(r"\b[Rr]aise|\b[Rr]efus", text):
        yield "what it raises"


def test_public_docstrings_give_shapes_and_errors():
    # A command may refuse at every step, with InputRefused as all do: that is said once, in cli/app.py.
    made = [(path, one) for path in MODULES if path.parent.name != "cli" for one in public(tree_of(path).body)]
    assert [f"{named(path)}: {one.name}: {what}" for path, one in made for what in unsaid(one)] == []


def paths_in(document):
    """Files and folders of the project that a document names in code spans and links."""
    text = text_of(document)
    return sorted({*re.findall(r"`((?:[\w.-]+/)+[\w.*-]*)`", text), *re.findall(r"\]\(([^)#:]+)\)", text)})


@pytest.mark.parametrize("document", DOCUMENTS, ids=named)
def test_what_a_document_names_exists(document):
    parts = [part.name for part in (ROOT / "doe").iterdir() if part.is_dir()]
    places = (*ROOTS, *(f"doe/{part}/" for part in parts))
    of_a_study = ("sheets/", "evidence/", "record/", "demo-study/")
    spans = [span for span in paths_in(document) if span.endswith(".py") or not span.startswith(of_a_study)]
    missing = [span for span in spans if not any(list(ROOT.glob(f"{place}{span}".rstrip("/"))) for place in places)]
    assert missing == []


@pytest.mark.parametrize("path", [one for one in PROGRAMS if 'if __name__ == "__main__"' in text_of(one)], ids=named)
def test_every_study_and_benchmark_has_its_command(path):
    module = named(path).removesuffix(".py").replace("/", ".")
    assert re.search(rf"\b{module}(?![\w.])", text_of(ROOT / "DEVELOPERS.md"))


def test_every_command_of_a_study_exists():
    for module in re.findall(r"\b(tests\.(?:studies|benchmarks)\.\w+)", "\n".join(map(text_of, DOCUMENTS))):
        assert (ROOT / f"{module.replace('.', '/')}.py").is_file(), module
