"""
How long `doe report` takes on the finished demo study, beside what its libraries and the setting of its pages take alone.

Run it as ``OPENBLAS_NUM_THREADS=1 python -m tests.benchmarks.report_time [times [study]]``. Three things are timed in turn,
each in a fresh interpreter: the whole command; a process that only imports, in the same order, every module of a library
that the command had imported at its end; and one ``typst.compile`` of the same templates with the same data and the figures
already drawn, its import left out. The first is asked to be at most twice the sum of the others. The least of all turns
counts, by the clock and as processor time; on a machine that does other work meanwhile the second is the one to read. More
threads of the linear algebra only wait in products as small as these, the longer the busier the machine: hence the variable.
"""

import json
import os
import pickle
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

COMMAND = "from doe.cli.app import app; sys.argv = ['doe', 'report', '--study', sys.argv[1]]; app(standalone_mode=False)"

WATCHED = f"""
import pickle, sys, typst
true, kept, place = typst.compile, [], sys.argv[2]
def compile(file, **settings):
    kept.append((str(file), settings))
    return true(file, **settings)
typst.compile = compile
{COMMAND}
own = ("doe", "__main__")
names = [name for name in sys.modules if name.partition(".")[0] not in own]
pickle.dump((names, kept[0]), open(place, "wb"))
"""

IMPORTS = """
import contextlib, importlib, pickle, sys
for name in pickle.load(open(sys.argv[1], "rb"))[0]:
    with contextlib.suppress(ImportError):
        importlib.import_module(name)
"""

COMPILES = """
import json, pickle, sys, time, typst
file, settings = pickle.load(open(sys.argv[1], "rb"))[1]
clock, processor = time.perf_counter(), time.process_time()
typst.compile(file, **settings)
print(json.dumps([time.perf_counter() - clock, time.process_time() - processor]))
"""


def ran(code, *arguments):
    """Run code in a fresh interpreter and return what it printed."""
    return subprocess.run([sys.executable, "-c", code, *map(str, arguments)], check=True, capture_output=True, text=True).stdout


def whole(code, *arguments):
    """Return how long a fresh interpreter takes, from its start to its end: seconds by the clock, and of processor time."""
    before, clock = os.times(), time.perf_counter()
    ran(code, *arguments)
    after = os.times()
    used = after.children_user + after.children_system - before.children_user - before.children_system
    return time.perf_counter() - clock, used


def demo(folder):
    """Make the finished demo study."""
    ran(f"import sys; {COMMAND}".replace("'report', '--study'", "'demo'"), folder)


def main(times=5, study=None):
    """Print the least times and the two ratios."""
    with tempfile.TemporaryDirectory() as place:
        folder, watched = Path(place) / "study", Path(place) / "watched"
        if study is None:
            demo(folder)
        else:
            shutil.copytree(study, folder)
        ran(WATCHED, folder, watched)
        names = pickle.loads(watched.read_bytes())[0]
        reports, imports, compiled = [], [], []
        for _ in range(times):
            reports.append(whole(f"import sys; {COMMAND}", folder))
            imports.append(whole(IMPORTS, watched))
            compiled.append(json.loads(ran(COMPILES, watched)))
    print(f"{len(names)} modules; the least of {times} turns")
    for clock, name in enumerate(("by the clock", "of the processor")):
        whole_, alone, bare = (min(one[clock] for one in taken) for taken in (reports, imports, compiled))
        ratio = whole_ / (alone + bare)
        print(f"{name}: report {whole_:.2f} s; imports {alone:.2f} s, compiling {bare:.2f} s; {ratio:.2f} times (at most 2)")


if __name__ == "__main__":
    main(int(sys.argv[1]) if sys.argv[1:] else 5, *sys.argv[2:3])
