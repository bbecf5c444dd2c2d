"""
Which small mistakes in a module the tests would not notice.

Run it as ``OPENBLAS_NUM_THREADS=1 python -m tests.mutation.run MODULE [most] [seed]`` with a name of ``TESTED``: every mutant of
the module (see ``mutants.py``), or a random sample of that many, meets the tests of the module, and what survives them those of
its users. The last line counts; above it stands how each mutant ended. What survives is killed by a test or explained in
DEVELOPERS.md.

A mutant lives in a process of its own that begins with all libraries loaded and ends with the first test that fails, or
when it takes far longer than the tests do without a mistake.
"""

import importlib
import json
import os
import random
import signal
import sys
import tempfile
import time
from importlib.machinery import SourceFileLoader
from importlib.util import spec_from_file_location
from pathlib import Path

import pytest

from tests.mutation.mutants import Mutant, mutants

ROOT = Path(__file__).parents[2]
N = "tests/numerics/test_"
REML = [N + "reml.py", N + "restricted.py", N + "reml_published.py", N + "reml_nist.py"]
TESTED = {  # module: its own tests, and those of what is made with it
    "doe.numerics.reml": (REML, [N + "batched.py", N + "ratio_limit.py", "tests/model/test_inference.py"]),
    "doe.numerics.restricted": (REML, [N + "batched.py", N + "ratio_limit.py", N + "mixture.py", N + "strata.py"]),
    "doe.numerics.intervals": ([N + "intervals.py"], ["tests/model/test_inference.py", "tests/model/test_limits.py"]),
    "doe.numerics.conformance": (
        [N + "conformance.py", N + "tolerance.py"], [N + "correlated.py", "tests/recommend/test_share.py"],
    ),
    "doe.record.match": (
        ["tests/record/test_match.py", "tests/record/test_matched.py"],
        [f"tests/record/test_{name}.py" for name in ("conditions", "corrections", "gradings", "instruments")],
    ),
}
OPTIONS = ["-x", "--tb=no", "-rfE", "-p", "no:cacheprovider", "-W", "ignore::pytest.PytestAssertRewriteWarning"]


class Changed(SourceFileLoader):
    """Loads a mutant in place of the module in the file."""

    code = None

    def get_code(self, fullname):
        return self.code


class Exchange:
    """Finds the mutant when the module is asked for."""

    def __init__(self, module, mutant):
        self.module, self.mutant = module, mutant

    def find_spec(self, name, path=None, target=None):
        if name != self.module:
            return None
        file = str(_file(name))
        loader = Changed(name, file)
        loader.code = self.mutant.code
        return spec_from_file_location(name, file, loader=loader)


def _file(module):
    return ROOT / (module.replace(".", "/") + ".py")


def tried(module, mutant: Mutant | None, tests, seconds):
    """Run tests in a process of their own; return how it ended, how long it took and which modules were loaded."""
    with tempfile.TemporaryDirectory() as place:
        begun, child = time.monotonic(), os.fork()
        if child == 0:
            _run(module, mutant, tests, Path(place))
        while (done := os.waitpid(child, os.WNOHANG))[0] == 0:
            if time.monotonic() - begun > seconds:
                os.kill(child, signal.SIGKILL)
                os.waitpid(child, 0)
                return "too long", seconds, []
            time.sleep(0.02)
        took = time.monotonic() - begun
        lines = (Path(place) / "said").read_text(errors="replace").splitlines()
        how = next((line for line in lines if line.startswith(("FAILED", "ERROR"))), f"status {done[1]}")
        loaded = Path(place) / "loaded"
        return "" if done[1] == 0 else how, took, json.loads(loaded.read_text()) if loaded.exists() else []


def _run(module, mutant, tests, place):
    """Run the tests in this process and end it."""
    status = 1
    try:
        said = os.open(place / "said", os.O_WRONLY | os.O_CREAT)
        os.dup2(said, 1)
        os.dup2(said, 2)
        os.chdir(ROOT)
        if mutant is not None:
            sys.meta_path.insert(0, Exchange(module, mutant))
        status = int(pytest.main([*OPTIONS, f"--basetemp={place}/pytest", *tests]))
        (place / "loaded").write_text(json.dumps([name for name in sys.modules if not name.startswith(("doe", "tests"))]))
    finally:
        os._exit(status)


def without_mistake(tests):
    """Load what the tests load, apart from our own; return how long they take then."""
    how, _, loaded = tried("", None, tests, 600)
    if how:
        sys.exit(f"the tests do not pass without a mistake: {how}")
    for name in loaded:
        try:
            importlib.import_module(name)
        except Exception:  # some can only be loaded by their own library
            continue
    return tried("", None, tests, 600)[1]


def main(module, most=10**6, seed=1):
    own, wider = TESTED[module]
    limits = [10 + 4 * without_mistake(tests) for tests in (own, wider)]
    every = mutants(_file(module).read_text())
    chosen = sorted(random.Random(seed).sample(range(len(every)), min(most, len(every))))
    killed = [0, 0]
    for number in chosen:
        mutant = every[number]
        for stage, tests in enumerate((own, wider)):
            how, took, _ = tried(module, mutant, tests, limits[stage])
            if how:
                killed[stage] += 1
                break
        said = f"killed by {how}" if how else "SURVIVED"
        change = f"{mutant.line}:{mutant.column}: {mutant.was}  ->  {mutant.now}".replace("\n", " ")
        print(f"{change}   {said} ({took:.1f} s)", flush=True)
    left = len(chosen) - sum(killed)
    counted = f"{killed[0]} killed by its tests, {killed[1]} by its users', {left} left"
    print(f"{module}: {len(every)} mutants, {len(chosen)} tried; {counted}")


if __name__ == "__main__":
    main(sys.argv[1], *map(int, sys.argv[2:]))
