"""Re-make the example runs: studies of an invented material on simulated printers, by the commands that a user types.

``python example_runs/make.py`` writes every run anew into its folder; ``python example_runs/make.py FOLDER`` writes them into
another one. Each run starts from its ``study.toml``. The clock is fixed, one hour a command, and every random number has
a seed, so that two runs give the same texts. The rows of those that are written here are kept in ``tests/golden``
(``golden.py``). Everything in them is invented: no number is a measurement.
"""

import os
import shutil
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from typer.testing import CliRunner

from doe.cli.app import app
from doe.cli.open_study import STUDY, OpenStudy
from doe.demo.bench import Results, Scatter
from doe.demo.write import fill_workbook
from doe.design import check
from doe.files import Folder
from doe.study import scale

Array = NDArray[np.float64]

HERE = Path(__file__).parent
FIRST_HOUR = 1_775_030_400
"""2026-04-01 08:00 UTC, seconds of the epoch: the moment of each run's first command."""
READ_ERROR = {"Heron": -5.5, "Teal": 0.5, "Wren": 2.5}
"""What the nozzle of a simulated printer really has, less its setpoint, degC: the readings in the studies scatter about it."""


@dataclass(frozen=True)
class Truth:
    """What is true of one simulated response."""

    mean: Callable[[Array], Array]
    """Actual settings, coded, shape (n, k), to the mean of each print, shape (n,)."""
    scatter: Scatter


@dataclass(frozen=True)
class Bench:
    """The simulated shop of one run."""

    truths: dict[str, Truth]
    detached: Callable[[Array], Array]
    """Actual settings, coded, to the log odds that a print comes off the bed."""
    seed: int


def screening_strength(x: Array) -> Array:
    """Nozzle temperature and drying time matter, speed a little; bed, gap and fan do not."""
    nozzle, _, _, speed, fan, dry = x.T
    return 24.0 + 1.9 * nozzle - 0.8 * speed + 1.5 * dry + 0.7 * nozzle * dry - 0.1 * fan


def screening_peel(x: Array) -> Array:
    """The gap and the nozzle's temperature matter."""
    nozzle, bed, gap, _, _, _ = x.T
    return 1.7 + 0.18 * nozzle + 0.05 * bed + 0.28 * gap


def surface_strength(x: Array) -> Array:
    """A hill with a cubic in drying time, which the model does not have."""
    nozzle, bed, gap, dry = x.T
    hill = -2.2 * (nozzle - 0.3) ** 2 - 0.5 * bed**2 - 1.2 * (gap - 0.1) ** 2 - 1.8 * (dry - 0.5) ** 2
    return 31.0 + hill + 0.6 * nozzle * dry + 0.2 * dry**3


def surface_peel(x: Array) -> Array:
    """Best with a hot nozzle and a gap a little closer than the good one."""
    nozzle, bed, gap, dry = x.T
    return 2.3 - 0.2 * (nozzle - 0.4) ** 2 - 0.2 * (bed - 0.3) ** 2 - 0.3 * (gap - 0.3) ** 2 - 0.1 * (dry - 0.6) ** 2


def stiff_strength(x: Array) -> Array:
    """Layers weld only where the nozzle is hot."""
    nozzle, bed, dry = x.T
    return 23.5 + 3.4 * nozzle + 0.4 * bed - 0.9 * (dry - 0.3) ** 2


def lifted_corner(x: Array) -> Array:
    """Corners lift where the nozzle is hot: what strength needs."""
    nozzle, bed, _ = x.T
    return np.maximum(0.72 + 0.33 * nozzle - 0.09 * bed + 0.06 * nozzle**2, 0.05)


SURFACE = {
    "z_strength": Truth(surface_strength, Scatter(0.45, 0.6, 1.0)),
    "first_layer_peel": Truth(surface_peel, Scatter(0.04, 0.08, 0.10)),
}


def _commands(*texts: str) -> tuple[tuple[str, ...], ...]:
    return tuple(tuple(text.split()) for text in texts)


ROUND = _commands("collect", "fit", "recommend")


@dataclass(frozen=True)
class Run:
    """One example: where it starts, what is typed, and the shop that prints what was planned."""

    folder: str
    bench: Bench
    commands: tuple[tuple[str, ...], ...]
    """Arguments of ``doe``; each ``sheet`` is followed by the operators' filling it in."""
    after: str | None = None
    """The run whose folder this one goes on from."""


RUNS = (
    Run(
        "1-screening",
        Bench(
            {
                "z_strength": Truth(screening_strength, Scatter(0.4, 0.6, 1.0)),
                "first_layer_peel": Truth(screening_peel, Scatter(0.03, 0.08, 0.10)),
            },
            lambda x: -4.0 - 1.2 * x[:, 1] - 1.0 * x[:, 2],
            11,
        ),
        (*_commands("plan --purpose screen --one-round --seed 1", "sheet"), *ROUND, ("report",)),
    ),
    Run(
        "2-response-surface",
        Bench(SURFACE, lambda x: -3.6 - 1.6 * x[:, 1] - 1.6 * x[:, 2], 22),
        (*_commands("plan --one-round --seed 2", "sheet"), *ROUND, ("report",)),
    ),
    Run(
        "3-confirmation",
        Bench(SURFACE, lambda x: -3.6 - 1.6 * x[:, 1] - 1.6 * x[:, 2], 33),
        (
            *_commands("confirm --seed 3", "sheet", "collect", "confirm"),
            ("release", "--by", "the simulated engineer"),
            ("report",),
        ),
        after="2-response-surface",
    ),
    Run(
        "4-no-window",
        Bench(
            {
                "z_strength": Truth(stiff_strength, Scatter(0.4, 0.6, 1.0)),
                "corner_lift": Truth(lifted_corner, Scatter(0.03, 0.05, 0.05)),
            },
            lambda x: -4.5 - 1.0 * x[:, 1],
            44,
        ),
        (
            *_commands("plan --one-round --seed 4", "sheet"),
            *ROUND,
            *_commands("extend --prints 12 --loads 3 --seed 5", "sheet"),
            *ROUND,
            ("report",),
        ),
    ),
)


def make(run: Run, into: Path) -> list[tuple[str, str]]:
    """
    Make one example run, its predecessor being made.

    Parameters
    ----------
    run : Run
    into : Path
        Where the runs' folders are.

    Returns
    -------
    list of (str, str)
        Each command line and what it printed.
    """
    folder = into / run.folder
    _start(run, folder, into)
    said = []
    for hour, arguments in enumerate(run.commands, 100 * (run.after is not None)):
        os.environ["SOURCE_DATE_EPOCH"] = str(FIRST_HOUR + 3600 * hour)
        said.append((" ".join(("doe", *arguments)), typed(arguments, folder)))
        if arguments[0] == "sheet":
            _fill(run.bench, folder)
    return said


def typed(arguments: tuple[str, ...], folder: Path, *, study: bool = True) -> str:
    """Run one command, on a study folder where it takes one, and return what it printed; what it refuses is raised."""
    result = CliRunner().invoke(app, [*arguments, *(("--study", str(folder)) if study else ())])
    if result.exception is not None:
        raise result.exception
    return result.output


def _start(run: Run, folder: Path, into: Path) -> None:
    """Leave only the study file and the README of a run, or a copy of the run that it goes on from."""
    kept = {
        name: (HERE / run.folder / name).read_bytes()
        for name in ("README.md", STUDY)
        if (HERE / run.folder / name).exists()
    }
    shutil.rmtree(folder, ignore_errors=True)
    if run.after is not None:
        shutil.copytree(into / run.after, folder, ignore=shutil.ignore_patterns("README.md", "report.pdf"))
        kept.pop(STUDY, None)
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in kept.items():
        (folder / name).write_bytes(content)


def _fill(bench: Bench, folder: Path) -> None:
    """Print and test what the latest sheet asks for in the simulated shop, and type it into the workbook."""
    from doe.sheet import layout

    opened = OpenStudy(Folder(folder))
    study = opened.study()
    design = opened.design(study)
    latest = design.runs["round"].max()
    runs = design.runs[design.runs["round"] == latest].reset_index(drop=True)
    generator = np.random.default_rng([bench.seed, int(latest)])
    book = folder / "sheets" / f"round-{latest}.xlsx"
    places = layout.locations(study, design, int(latest))
    results = _results(bench, study, runs, generator)
    book.write_bytes(fill_workbook(book.read_bytes(), places, results))


def _results(bench, study, runs, generator) -> Results:  # noqa: ANN001
    actual = _actual(study, runs, generator)
    load = check.codes(list(runs["load"]))
    off = generator.random(len(runs)) < stats.logistic.cdf(bench.detached(actual))
    outcomes = ["detached" if one else "completed" for one in off]
    names = list(runs["print"])
    prints: dict[tuple[str, str], object] = {
        (name, "outcome"): outcome for name, outcome in zip(names, outcomes, strict=True)
    }
    prints |= {(name, "operator"): "simulated" for name in names}
    coupons: dict[tuple[str, str], object] = {}
    for response in study.responses:
        if response.kind != "measured":
            latent = 4.4 + 0.6 * actual[:, 1] + 0.5 * actual[:, 2] + generator.normal(0, 0.5, len(runs))
            grades = np.where(off, 0, np.clip(np.floor(latent), 1, 5)).astype(int)
            prints |= {(name, response.name): int(grade) for name, grade in zip(names, grades, strict=True)}
            continue
        truth = bench.truths[response.name]
        each = generator.normal(0, truth.scatter.load, load.max() + 1)[load] + generator.normal(
            0, truth.scatter.print, len(runs)
        )
        means = truth.mean(actual) + each
        for name, mean, outcome in zip(names, means, outcomes, strict=True):
            cells = prints if response.per == "print" else coupons
            for row in [name] if response.per == "print" else [f"{name}-{k}" for k in range(1, response.coupons + 1)]:
                value = max(mean + generator.normal(0, truth.scatter.coupon), 0.02)
                if response.per == "coupon":
                    coupons[row, "outcome"] = outcome
                if outcome == "completed":
                    cells |= _written(response, row, value, generator)
    return Results(prints, coupons, _loads(runs, generator))


def _actual(study, runs, generator) -> Array:  # noqa: ANN001
    """Return what the printers really reach, coded: the setpoint, the printer's error and the scatter about it."""
    settings = check.settings_of(study, runs, "set")
    settings["nozzle_temperature"] += np.array([READ_ERROR[name] for name in runs["printer"]])
    load = check.codes(list(runs["load"]))
    for factor in study.factors:
        if factor.is_numeric:
            each = generator.normal(0, factor.setpoint_sd, len(runs))
            settings[factor.name] += each[load] if factor.change == "load" else each
    return scale.coded(study, settings)


def _written(response, row, value, generator) -> dict[tuple[str, str], object]:  # noqa: ANN001
    """Return the cells of one tested coupon: force and section of a tensile bar, else the value."""
    if response.formula != "tensile":
        return {(row, response.name): round(value, 3)}
    width, thickness = (round(nominal + generator.normal(0, sd), 2) for nominal, sd in ((5.0, 0.04), (2.0, 0.03)))
    force, *sizes = response.inputs
    return {(row, force): round(value * width * thickness, 1), (row, sizes[0]): width, (row, sizes[1]): thickness}


def _loads(runs, generator) -> dict[tuple[str, str], object]:  # noqa: ANN001
    cells: dict[tuple[str, str], object] = {}
    for number, name in enumerate(dict.fromkeys(runs["load"]), 1):
        before = round(float(generator.normal(1240, 12)), 1)
        cells |= {
            (name, "spool"): f"simulated spool {number}",
            (name, "mass_before"): before,
            (name, "mass_after"): round(before - float(generator.normal(8.5, 0.7)), 1),
            (name, "oven_reading"): round(float(generator.normal(80, 0.6)), 1),
        }
    return cells


def main(into: Path) -> Iterator[str]:
    """Make every run, in order; yield what was typed and said."""
    for run in RUNS:
        for line, output in make(run, into):
            yield f"$ {line}   [{run.folder}]\n{output}"


if __name__ == "__main__":
    for text in main(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE):
        sys.stdout.write(text + "\n")
    if len(sys.argv) == 1:
        import golden

        sys.stdout.write("".join(f"tests/golden/{name} changed\n" for name in golden.write()))
