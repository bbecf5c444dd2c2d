"""
Two operators hand in their books of one round at the same moment.

Run it as ``OPENBLAS_NUM_THREADS=1 python -m tests.studies.two_at_once [times] [seed]``. A round is shared between two books, each
print with its coupons in one of them at random; two processes collect them at once, each again when the other is at work. Every
value of both must then be on record, the log must have a line for each that wrote, and ``doe check`` must pass.
"""

import os
import random
import shutil
import sys
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pandas as pd

from doe.cli.open_study import OpenStudy
from doe.demo import bench, write
from doe.files import Folder
from doe.sheet import layout
from tests.studies.kills import require, run, stages


def books(place, chance):
    """Return the study before its collection, two books, and all that stands in them: (print or coupon, key) -> value."""
    path = stages(place, {"collect"})["collect"]
    folder = Folder(path)
    opened = OpenStudy(folder)
    study = opened.study()
    design = opened.design(study)
    places, blank = layout.locations(study, design, 1), _blank(place)
    results = bench.run(study, design, 20)
    mine = {name for name in design.runs["print"] if chance.random() < 0.5}
    made = []
    for keep in (lambda name: name in mine, lambda name: name not in mine):
        part = replace(
            results,
            prints={key: value for key, value in results.prints.items() if keep(key[0])},
            coupons={key: value for key, value in results.coupons.items() if keep(key[0].rpartition("-")[0])},
        )
        made.append(write.fill_workbook(blank, places, part))
    (path / "sheets" / "round-1.xlsx").write_bytes(blank)
    return path, made, results


def _blank(place):
    """Return the workbook as it was handed out."""
    path = place / "again"
    shutil.copytree(place / "sheet", path)
    status, said, _ = run(path, ("sheet",))
    require(status == 0, said)
    return (path / "sheets" / "round-1.xlsx").read_bytes()


def collect(path, book):
    """Collect one book in a process of its own, again and again while the other is at work; return its process number."""
    child = os.fork()
    if child == 0:
        waits = 0
        while True:
            status, said, _ = run(path, ("collect", str(book)))
            if status == 3 and "it is in use by" in said:
                waits += 1
                continue
            os.write(2, said.encode() if status else b"")
            os._exit(0 if status == 0 else 1)
    return child


def missing(path, results):
    """Return what was in one of the books and is not on record."""
    rows = {}
    for name in ("prints", "coupons"):
        table = pd.read_csv(path / "record" / f"{name}.csv", dtype=str, keep_default_na=False)
        rows |= {(name, row[name[:-1]]): row for row in table.to_dict("records")}
    wanted = [("prints", *cell) for cell in results.prints] + [("coupons", *cell) for cell in results.coupons]
    return [cell for cell in wanted if not rows.get((cell[0], cell[1]), {}).get(cell[2])]


def main(times=50, seed=1):
    """Collect two books at once so many times; print the tally."""
    chance, tally = random.Random(seed), Counter()
    with tempfile.TemporaryDirectory() as kept:
        place = Path(kept)
        before, made, results = books(place, chance)
        names = [place / "first.xlsx", place / "second.xlsx"]
        for name, content in zip(names, made, strict=True):
            name.write_bytes(content)
        for _ in range(times):
            path = place / "at-once"
            shutil.rmtree(path, ignore_errors=True)
            shutil.copytree(before, path)
            children = [collect(path, name) for name in chance.sample(names, 2)]
            ended = [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children]
            require(ended == [0, 0], f"a collection ended with {ended}")
            lost = missing(path, results)
            require(not lost, f"not on record: {lost[:5]}")
            lines = [line["command"] for line in Folder(path).log()]
            require(lines.count("collect") == 2, f"the log has {lines}")
            status, said, _ = run(path, ("check",))
            require(status == 0, said)
            tally["both on record"] += 1
    print(f"{times} times, seed {seed}: {dict(tally)}")


if __name__ == "__main__":
    main(*(int(text) for text in sys.argv[1:3]))
