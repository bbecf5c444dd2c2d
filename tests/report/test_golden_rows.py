"""
The rows of the example runs, beside what is kept of them in ``tests/golden``.

They say what a change of the program changes in its tables; whether a figure is right is a matter of the other tests. After a
change that is meant: ``python example_runs/golden.py`` (``make.py`` does it too), then look at ``git diff tests/golden``.
"""

import difflib
import importlib.util
import json
from pathlib import Path

import pytest

from doe.model.results import as_data
from doe.recommend import results

ROOT = Path(__file__).parents[2]


def _script():
    spec = importlib.util.spec_from_file_location("example_runs_golden", ROOT / "example_runs" / "golden.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


SCRIPT = _script()


@pytest.mark.parametrize("name", SCRIPT.names())
def test_the_rows_of_an_example_run_are_as_they_were(name):
    kept = (SCRIPT.GOLDEN / f"{name}.txt").read_text(encoding="utf-8").splitlines()
    made = SCRIPT.golden(SCRIPT.HERE / name).splitlines()
    changed = list(difflib.unified_diff(kept, made, "kept", "made", lineterm="", n=0))
    assert not changed, "\n".join(["meant? then run: python example_runs/golden.py", *changed[:40]])


def test_each_run_has_its_file_and_no_other_does():
    assert sorted(path.stem for path in SCRIPT.GOLDEN.glob("*.txt")) == SCRIPT.names()


@pytest.mark.parametrize("name", SCRIPT.names())
def test_reading_the_results_back_loses_nothing(name):
    folder = SCRIPT.HERE / name
    stored = [json.loads((folder / file).read_text(encoding="utf-8")) for file in ("fit.json", "recommendation.json")]
    assert as_data(SCRIPT.stored_fit(folder)) == stored[0]
    assert json.loads(json.dumps(results.as_data(SCRIPT.stored_advice(folder)))) == stored[1]


def test_a_figure_that_changes_changes_the_rows(tmp_path):
    """One digit of one coefficient, as shown, and nothing else."""
    run = tmp_path / "run"
    _copied(SCRIPT.HERE / "1-screening", run)
    file = run / "fit.json"
    data = json.loads(file.read_text(encoding="utf-8"))
    data["responses"][0]["coefficients"][0]["estimate"] += 1.0
    file.write_text(json.dumps(data), encoding="utf-8")
    kept, made = (SCRIPT.golden(folder).splitlines() for folder in (SCRIPT.HERE / "1-screening", run))
    changed = [pair for pair in zip(kept, made, strict=True) if pair[0] != pair[1]]
    assert changed
    assert all("intercept" in old for old, _ in changed)


def _copied(source, target):
    for path in source.rglob("*"):
        if path.suffix in {".toml", ".csv", ".json", ".jsonl"}:
            place = target / path.relative_to(source)
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(path.read_bytes())


def test_renewing_names_what_changed_and_a_second_time_nothing(tmp_path, monkeypatch):
    monkeypatch.setattr(SCRIPT, "GOLDEN", tmp_path / "golden")
    monkeypatch.setattr(SCRIPT, "names", lambda: ["1-screening"])
    assert list(SCRIPT.write()) == ["1-screening.txt"]
    assert list(SCRIPT.write()) == []
