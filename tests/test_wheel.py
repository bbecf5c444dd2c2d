"""The package as it is installed: built as a wheel, away from the checkout, with every template that a command needs."""

import importlib.util
import os
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
TEMPLATES = sorted(path.relative_to(ROOT).as_posix() for path in (ROOT / "templates").rglob("*") if path.is_file())
pytestmark = pytest.mark.slow


def ran(arguments, **options):
    """Run a program and return what it printed; where it fails, the test shows what it said."""
    done = subprocess.run(list(map(str, arguments)), capture_output=True, text=True, check=False, **options)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    """Build the wheel; where hatchling is installed nothing is fetched, otherwise pip takes it from its package index."""
    into = tmp_path_factory.mktemp("wheel")
    offline = ["--no-build-isolation"] if importlib.util.find_spec("hatchling") else []
    ran([sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", *offline, "--wheel-dir", into, ROOT])
    (made,) = into.glob("*.whl")
    return made


@pytest.fixture(scope="module")
def installed(wheel, tmp_path_factory):
    """Return a fresh environment with the wheel in it, and an environment of variables that hides the checkout."""
    place = tmp_path_factory.mktemp("venv")
    venv.create(place, with_pip=False)
    python = place / "bin" / "python"
    ran([sys.executable, "-m", "pip", "--python", python, "install", "--quiet", "--no-deps", "--no-index", wheel])
    own = Path(ran([python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"]).strip())
    # What doe depends on is taken from here; the path files there, such as an editable doe's, are not read again.
    (own / "dependencies.pth").write_text(sysconfig.get_path("purelib") + "\n")
    return place, {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}


def test_the_wheel_holds_every_template_and_no_test(wheel):
    names = zipfile.ZipFile(wheel).namelist()
    assert sorted(name.removeprefix("doe/") for name in names if name.startswith("doe/templates/")) == TEMPLATES
    assert not [name for name in names if name.split("/")[0] not in ("doe", wheel.name.split("-py3")[0] + ".dist-info")]


def test_the_installed_package_is_not_the_checkout(installed, tmp_path):
    place, environment = installed
    code = "import doe.files; print(doe.files.__file__); print(doe.files.templates_path())"
    found = ran([place / "bin" / "python", "-c", code], cwd=tmp_path, env=environment).split("\n")
    assert found[0].startswith(str(place))
    assert found[1] == str(Path(found[0]).parent / "templates")


@pytest.mark.parametrize(
    "arguments", [("help",), ("help", "walk-through"), ("new", "mine", "--family", "ABS"), ("new", "other", "--family", "other")]
)
def test_texts_are_found(installed, tmp_path, arguments):
    place, environment = installed
    assert ran([place / "bin" / "doe", *arguments], cwd=tmp_path, env=environment)


def test_the_demo_runs_to_its_report_and_page(installed, tmp_path):
    place, environment = installed
    said = ran([place / "bin" / "doe", "demo", "practice"], cwd=tmp_path, env=environment | {"COLUMNS": "80"})
    assert len(said.splitlines()) <= 75  # two screens and a half of a terminal of 80 columns and 30 lines
    assert (tmp_path / "practice" / "report.pdf").read_bytes().startswith(b"%PDF-")
    ran([place / "bin" / "doe", "report", "--html", "--study", "practice"], cwd=tmp_path, env=environment)
    assert "<script" in (tmp_path / "practice" / "report.html").read_text(encoding="utf-8")
