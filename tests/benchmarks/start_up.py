"""
How long each command takes before it has anything to compute, beside ``import typer`` alone, and what it imports.

``python -m tests.benchmarks.start_up [repeats]`` prints one table: what is typed, milliseconds of processor time (least, median)
and of the clock (median), the ratio of least processor times to ``python -c "import typer"``, and the heavy libraries that were
imported. Processor time depends less on what else the machine does; each repeat runs all commands once, so that a busy
minute falls on all of them. Every command runs in a process of its own, in a folder where it has little to do: most are refused
there; some are also run in a study that was planned, and in ones that were reported and released.
"""

import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

HEAVY = ("numpy", "pandas", "scipy", "statsmodels", "matplotlib", "openpyxl", "pydantic", "typst", "pyDOE3", "pypdf")
_BARE = "import typer"
_RUN = (
    "import sys, atexit\n"
    "sys.argv = ['doe', *{arguments!r}]\n"
    "atexit.register(lambda: print('HEAVY', *[name for name in {heavy!r} if name in sys.modules], file=sys.stderr))\n"
    "from doe.cli.app import main\n"
    "main()\n"
)
EMPTY = (
    "--help", "help", "help words", "status", "new mine", "plan", "sheet", "collect", "fit", "recommend", "extend", "confirm",
    "release --by me", "report", "check", "amend --reason why", "verify none.pdf",
)  # fmt: skip
"""Commands in an empty folder, where all that belong to a study are refused."""
PLANNED = ("status", "check", "sheet --help", "fit", "recommend", "report")
"""Commands in a study that was planned and not printed."""
FINISHED = ("status", "check")
"""Commands in studies that went through all their steps: two of the example runs."""
_RUNS = Path(__file__).parents[2] / "example_runs"


@dataclass
class Row:
    """One program, what it takes, and what it imports."""

    shown: str
    code: str
    folder: Path
    processor: list[float] = field(default_factory=list)
    """Of the user and the system, ms, one a repeat."""
    clock: list[float] = field(default_factory=list)
    heavy: tuple[str, ...] = ()

    def run(self) -> None:
        """Run it once more."""
        environment = os.environ | {"COLUMNS": "80", "PYTHONPATH": str(Path(__file__).parents[2])}
        before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
        said = subprocess.run(
            [sys.executable, "-c", self.code], cwd=self.folder, env=environment, capture_output=True, text=True, check=False
        ).stderr
        self.clock.append(1000 * (time.perf_counter() - start))
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        self.processor.append(1000 * (after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime))
        named = [line.split()[1:] for line in said.splitlines() if line.startswith("HEAVY")]
        self.heavy = tuple(named[-1]) if named else ()

    def line(self, bare: "Row") -> str:
        """Return it as a line of the table; the first run, which fills the caches, does not count."""
        least, usual, clock = min(self.processor[1:]), statistics.median(self.processor[1:]), statistics.median(self.clock[1:])
        ratio = least / min(bare.processor[1:])
        return f"{self.shown:<34}{least:>7.0f}{usual:>8.0f}{clock:>8.0f}{ratio:>7.2f}  {' '.join(self.heavy) or 'none'}"


def command_code(arguments: Sequence[str]) -> str:
    """Return a program that runs doe and then says which heavy libraries it has."""
    return _RUN.format(arguments=list(arguments), heavy=HEAVY)


def planned_study(folder: Path) -> Path:
    """Make and plan a study, and return its folder."""
    for arguments in (["new", "mine", "--family", "PA-CF"], ["plan", "--seed", "1", "--one-round", "--study", "mine"]):
        subprocess.run(
            [sys.executable, "-c", command_code(arguments)], cwd=folder, capture_output=True, check=True,
            env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
        )  # fmt: skip
    return folder / "mine"


def rows(place: Path) -> list[Row]:
    """Return all programs, the bare one first; their folders are made in a place."""
    empty = place / "empty"
    empty.mkdir()
    folders = [("", empty, EMPTY), (", planned", planned_study(place), PLANNED)]
    for number, name in ((2, "2-response-surface"), (3, "3-confirmation")):
        folders.append((f", example {number}", Path(shutil.copytree(_RUNS / name, place / name)), FINISHED))
    found = [Row(f"python -c {_BARE!r}", _BARE, empty)]
    for where, folder, commands in folders:
        found += [Row(f"doe {line}{where}", command_code(line.split()), folder) for line in commands]
    return found


def main(repeats: int) -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as place:
        programs = rows(Path(place))
        for _ in range(repeats + 1):
            for one in programs:
                one.run()
    print(f"{'command':<34}{'least':>7}{'median':>8}{'clock':>8}{'ratio':>7}  heavy libraries")
    for one in programs:
        print(one.line(programs[0]))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 7)
