"""
What a study is after a command was killed at a random moment.

Run it as ``OPENBLAS_NUM_THREADS=1 python -m tests.studies.kills [kills] [seed] [commands]``; it prints a tally and ends with
status 1 at the first study that did not survive. ``plan``, ``sheet``, ``collect``, ``fit`` and ``report`` are killed in turn
(SIGKILL), half of the times at a random moment of the clock, half right before a random one of the file operations with which
they write. After each kill

1. every file is as it was, or as the command leaves it,
2. ``doe check`` passes, and names the one unfinished step where there is one,
3. ``doe status`` opens the study,
4. the same command, run again, ends as it would have; where it had been finished it may refuse to do so twice,
5. and ``doe check`` passes without a word about an unfinished step.

Commands run in forks of a process that has loaded the libraries, so that most of a command's time is its own.
"""

import contextlib
import importlib
import io
import itertools
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from doe.cli import steps
from doe.cli.app import main as command_line
from doe.cli.open_study import STUDY, OpenStudy
from doe.demo import bench, read, write
from doe.files import Folder

LOADED = ("doe.cli.report_inputs", "doe.design.plan", "doe.model.fit", "doe.record.integrity", "doe.record.match",
          "doe.record.read", "doe.recommend.choose", "doe.report.protocol", "doe.report.screens", "doe.report.write",
          "doe.sheet.write")  # fmt: skip
"""What commands import when they run: loaded before the forks, so that a kill hits their own work."""

COMMANDS = {
    "plan": ("plan", "--prints", "20", "--loads", "6", "--one-round", "--seed", "20"),
    **{name: (name,) for name in ("sheet", "collect", "fit", "report")},
}
ALREADY = {"plan": "--replace", "sheet": "already there"}
"""What a refusal says where the command was finished before it was killed."""
OPERATIONS = ("fsync", "replace", "mkdir", "unlink", "rmdir")
"""Calls of ``os`` with which a command writes."""


class Lost(Exception):
    """A study that did not survive, with what was found."""


def stages(place, wanted):
    """Return the study folder before each of the wanted commands, made once."""
    folder = Folder(place / "study")
    steps.make_folder(folder)
    OpenStudy(folder).commit("new", {STUDY: read.demo_study()})
    found = {}
    for command in COMMANDS:
        if found.keys() >= wanted:
            break
        found[command] = shutil.copytree(folder.path, place / command)
        status, said, _ = run(folder.path, COMMANDS[command])
        require(status == 0, said)
        if command == "sheet":
            opened = OpenStudy(folder)
            study = opened.study()
            design = opened.design(study)
            from doe.sheet import layout

            filled = write.fill_workbook(
                folder.read("sheets/round-1.xlsx"), layout.locations(study, design, 1), bench.run(study, design, 20)
            )
            opened.commit("demo", {"sheets/round-1.xlsx": filled}, simulated=True)
        if command == "fit":
            status, said, _ = run(folder.path, ("recommend",))
            require(status == 0, said)
    return {command: found[command] for command in COMMANDS if command in wanted}


def run(path, arguments, *, killed_before=0):
    """Run a command in a fork, and have it killed right before its file operation of that number; 0 kills never.

    Return its exit status, all that it said, and the number of its file operations where it came to its end.
    """
    heard, said = os.pipe()
    child = os.fork()
    if child == 0:
        _child(path, arguments, said, killed_before)
    os.close(said)
    with os.fdopen(heard, "rb") as pipe:
        text, _, operations = pipe.read().decode().partition("\0")
    _, status = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(status), text, int(operations or 0)


def _child(path, arguments, said, killed_before):
    """Be the command: never returns."""
    os.dup2(said, 1)
    os.dup2(said, 2)
    sys.argv = ["doe", *arguments, "--study", str(path)]
    sys.stdout = sys.stderr = io.TextIOWrapper(os.fdopen(1, "wb", buffering=0, closefd=False), write_through=True)
    done, status = itertools.count(1), 0
    for name in OPERATIONS:
        setattr(os, name, _counted(getattr(os, name), done, killed_before))
    try:
        command_line()
    except SystemExit as stop:
        status = stop.code or 0
    os.write(1, b"\0%d" % (next(done) - 1))
    os._exit(status)


def _counted(call, done, killed_before):
    def counted(*arguments, **named):
        if next(done) == killed_before:
            os.kill(os.getpid(), signal.SIGKILL)
        return call(*arguments, **named)

    return counted


def kill_at(path, arguments, seconds):
    """Run a command and kill it after some seconds; return whether it was still at work."""
    child = os.fork()
    if child == 0:
        _child(path, arguments, os.open(os.devnull, os.O_WRONLY), 0)
    time.sleep(seconds)
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    return os.WIFSIGNALED(status)


def require(holds, found):
    """Stop the program where something did not hold."""
    if not holds:
        raise Lost(found)


def contents(path):
    """Return the files of a study by name; those of doe's own housekeeping begin with a dot."""
    files = (one for one in path.rglob("*") if one.is_file())
    return {name: one.read_bytes() for one in files if not (name := one.relative_to(path).as_posix()).startswith(".")}


def survives(path, command, before):
    """Say in which of the two states the killed command left its study; raise Lost where it is in neither."""
    after = contents(path)
    require(before.keys() <= after.keys(), f"{command}: {before.keys() - after.keys()} are gone")
    status, said, _ = run(path, ("check",))
    unfinished = f"'doe {command}' had been interrupted" in said
    require(status == 0, f"{command}: doe check says\n{said}")
    log_grew = after["log.jsonl"] != before["log.jsonl"]
    changed = {name for name in before if after[name] != before[name]}
    require(not changed or log_grew or unfinished, f"{command}: {changed} changed, and no line of the log says so")
    status, said, _ = run(path, ("status",))
    require(status == 0, f"{command}: doe status says\n{said}")
    status, said, _ = run(path, COMMANDS[command])
    finished = command in ALREADY and status == 3 and ALREADY[command] in said
    require(status == 0 or finished, f"{command}, run again: {status}\n{said}")
    status, said, _ = run(path, ("check",))
    require(status == 0 and "interrupted" not in said, f"{command}, run again: doe check says\n{said}")
    hidden = [one.name for one in path.iterdir() if one.name.startswith(".")]
    require(not hidden, f"{command}, run again: {hidden} are left")
    return "unfinished, named" if unfinished else "done" if log_grew else "as before"


def study(kills, seed, wanted):
    """Kill the wanted commands in turn and print the tally."""
    for module in LOADED:
        importlib.import_module(module)
    chance = random.Random(seed)
    tally = Counter()
    with tempfile.TemporaryDirectory() as kept:
        place = Path(kept)
        found, times, operations = stages(place, wanted), {}, {}
        for command, stage in found.items():
            times[command], operations[command] = _measured(stage, command, place / "timed")
        for number in range(kills):
            command = list(found)[number % len(found)]
            path = place / "killed"
            shutil.rmtree(path, ignore_errors=True)
            shutil.copytree(found[command], path)
            before = contents(path)
            if number // len(found) % 2:
                killed = run(path, COMMANDS[command], killed_before=chance.randint(1, operations[command]))[0] == -signal.SIGKILL
            else:
                killed = kill_at(path, COMMANDS[command], chance.uniform(0, times[command]))
            tally[command, survives(path, command, before) if killed else "was faster"] += 1
    print(f"{kills} kills, seed {seed}")
    for (command, state), count in sorted(tally.items()):
        print(f"{command:8} {state:18} {count:4}")
    return tally


def _measured(stage, command, path):
    """Return how many seconds a command takes and with how many operations it writes."""
    shutil.copytree(stage, path)
    began = time.perf_counter()
    status, said, operations = run(path, COMMANDS[command])
    took = time.perf_counter() - began
    require(status == 0, said)
    shutil.rmtree(path)
    return took, operations


if __name__ == "__main__":
    with contextlib.suppress(KeyboardInterrupt):
        given = [*sys.argv[1:], *("300", "1", ",".join(COMMANDS))[len(sys.argv) - 1 :]]
        study(int(given[0]), int(given[1]), set(given[2].split(",")))
