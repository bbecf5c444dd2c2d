"""The step behind ``drying``: everything that was said is checked before anything is computed, drawn or written."""

import contextlib
import math
import os
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from doe.cli.open_study import Done, OpenStudy
from doe.cli.steps import outside
from doe.design.drying_levels import DryingLevels, drying_levels, timed_factor
from doe.errors import InputRefused, Problem
from doe.files import Folder
from doe.numerics import drying
from doe.numerics.weighings import DryingFit
from doe.record.weighed import fit_weighings
from doe.report import drying as shown
from doe.study.dryer import RANGES, SPOOL, STRAND, Asked, Dryer, dryer, problems_of
from doe.study.equipment import drying_factor
from doe.study.known_filament import Known, known_of, known_problems
from doe.study.spec import Study
from doe.study.spool_mass import Masses, SpoolMass, mass_problems, spool_mass

FIGURES = (".svg", ".pdf")
_WEIGHED_AT = (("temperature", 80.0), ("diameter", 1.75))
"""Of what was weighed, where nobody says it: degC and mm."""
_NO_LEVELS = (
    'No levels are proposed, since no factor of the study is a drying time: one has change = "load" and unit = "h" or "min". '
    "The study is unchanged."
)
_UNTIMED = Problem(
    "--wettest", "no factor of the study is a drying time", "it is the moisture of the shortest drying to propose",
    'leave it out, or add such a factor: change = "load" and unit = "h" or "min"',
)  # fmt: skip


@dataclass(frozen=True)
class Sources:
    """Files that were named, and what is asked of a study."""

    study: Path | None = None
    levels: int = 3
    wettest: float | None = None
    strand: Path | None = None
    spool: Path | None = None
    figure: Path | None = None


@dataclass(frozen=True)
class _Read:
    """What the files hold."""

    study: Study | None
    fits: Mapping[str, DryingFit]

    @property
    def untimed(self) -> bool:
        """Whether there is a study, and no drying time in it that could have levels."""
        return self.study is not None and drying_factor(self.study.factors) is None


def dried(asked: Asked, masses: Masses, sources: Sources) -> Done:
    """
    Compute a drying; with a study, propose levels of its drying time.

    Raises
    ------
    InputRefused
        With every problem of options and files.
    """
    problems = [*problems_of(asked), *mass_problems(masses), *_idle(asked, sources), *_figure_problems(sources.figure)]
    read = _read(asked, masses, sources, problems)
    if problems:
        raise InputRefused(problems)
    known = {} if read.study is None else {name: (one.value, one.source) for name, one in known_of(read.study).items()}
    made = dryer(asked, read.fits.get(STRAND), read.fits.get(SPOOL), known)
    found = spool_mass(masses, made.values["start_moisture"], made.values["target"]) if masses.said else None
    levels = None if read.study is None or read.untimed else drying_levels(read.study, made, sources.levels, sources.wettest)
    if sources.figure is not None:
        _draw(made, sources.figure)
    return _done(made, read, found, levels, sources.figure)


def _done(made: Dryer, read: _Read, found: SpoolMass | None, levels: DryingLevels | None, figure: Path | None) -> Done:
    fits = read.fits
    tables = [*shown.drying_tables(made), *(shown.fit_table(form, fit) for form, fit in fits.items())]
    if SPOOL in fits and made.factor is not None:
        tables.append(shown.factor_table(made.factor))
    tables += [] if found is None else [shown.mass_table(found, made)]
    tables += [] if levels is None else [shown.level_table(levels, made)]
    notes = (*shown.never_lines(made), *shown.note_lines(made, fits, found))
    notes += () if levels is None else shown.level_lines(levels)
    notes += (_NO_LEVELS,) if read.untimed else ()
    drawn = () if figure is None else (f"Drawn into {figure}.",)
    cautions = ("Before anybody heats anything:", *(f"- {caution}" for caution in shown.CAUTIONS))
    data = _data(made, fits, found, levels) | {"notes": list(notes), "cautions": list(shown.CAUTIONS)}
    return Done(data, tuple(tables), (*notes, *shown.LIMITS_OF_IT, *drawn, "", *cautions))


def _data(made: Dryer, fits: Mapping[str, DryingFit], found: SpoolMass | None, levels: DryingLevels | None) -> dict[str, Any]:
    hours = shown.course_hours(made)
    data: dict[str, Any] = _finite({
        "illustrative": made.illustrative,
        "inputs": {name: {"value": value, "source": made.sources[name]} for name, value in made.values.items()},
        "oven_humidity": made.humidity, "oven_equilibrium": made.floor, "room_equilibrium": made.room_floor,
        "spool_factor": None if made.factor is None else asdict(made.factor),
        "forms": {form: {
            "hours_to_target": made.hours_to_target(form), "moisture_after": shown.left_of(made, form),
            "hours_out": made.hours_out(form),
            "course": {"hours": hours.tolist(), "moisture": drying.moisture(made.course(form), hours).tolist()},
            "out": {"hours": list(shown.OUT_HOURS), "moisture": [made.moisture_out(form, out) for out in shown.OUT_HOURS]},
        } for form in shown.FORMS},
        "fits": {form: asdict(fit) for form, fit in fits.items()},
        "masses": None if found is None else asdict(found),
        "levels": None if levels is None else {
            "factor": levels.factor.name, "unit": levels.factor.unit,
            **{kind: asdict(getattr(levels, kind)) for kind in ("even_hours", "within", "proposed")},
        },
    })  # fmt: skip
    return data


def _finite(value: Any) -> Any:  # noqa: ANN401 - any JSON value
    """Return data in which what is infinite (never, or a limit that is open) is null."""
    if isinstance(value, dict):
        return {key: _finite(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(one) for one in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _read(asked: Asked, masses: Masses, sources: Sources, problems: list[Problem]) -> _Read:
    """Read all files; what is wrong with them goes to the problems."""
    study: Study | None = None
    fits: dict[str, DryingFit] = {}
    if sources.study is not None:
        with _collecting(problems):
            study = OpenStudy(Folder(sources.study)).study(changed=True)
            problems += known_problems(study, asked)
            if drying_factor(study.factors) is not None:
                timed_factor(study)
            elif sources.wettest is not None:
                problems.append(_UNTIMED)
    known = {} if study is None else known_of(study)
    oven, diameter = (_first(getattr(asked, name), known.get(name), usual) for name, usual in _WEIGHED_AT)
    readability = masses.readability
    usable = RANGES["diameter"].holds(diameter) and RANGES["temperature"].holds(oven) and 0 < readability < math.inf
    for form, file in ((STRAND, sources.strand), (SPOOL, sources.spool)):
        if file is not None:
            with _collecting(problems):
                content = outside(file)
                usual = [one for _, one in _WEIGHED_AT]
                safe = (oven, diameter, readability) if usable else (*usual, 0.1)  # a value that is refused above
                fits[form] = fit_weighings(content, str(file), *safe)
    if asked.activation_energy is not None and STRAND in fits and fits[STRAND].activation is not None:
        problems.append(_twice("--activation-energy", "the weighings at several temperatures"))
    return _Read(study, fits)


def _first(given: float | None, known: Known | None, usual: float) -> float:
    return given if given is not None else usual if known is None else known.value


def _idle(asked: Asked, sources: Sources) -> Iterator[Problem]:
    """Yield options that say what a file says, or that need one that is not there."""
    if sources.strand is not None and asked.diffusivity is not None:
        yield _twice("--diffusivity", "--strand-weighings")
    if sources.spool is not None and asked.spool_factor is not None:
        yield _twice("--spool-factor", "--spool-weighings")
    if sources.wettest is not None and sources.study is None:
        yield Problem("--wettest", "there is no study", "it belongs to --study", "add --study, or leave it out")
    allowed = RANGES["start_moisture"]
    if sources.wettest is not None and not allowed.holds(sources.wettest):
        yield Problem("--wettest", f"{sources.wettest:g}", f"it is {allowed.words}", "correct it, or leave it out")


def _twice(one: str, other: str) -> Problem:
    return Problem(one, f"{other} give it too", "it comes from one of them", "leave one of the two out")


def _figure_problems(file: Path | None) -> Iterator[Problem]:
    if file is None:
        return
    if file.suffix.lower() not in FIGURES:
        yield Problem("--figure", f"'{file.name}'", "it ends in .svg or .pdf", "choose such a name")
    elif os.path.lexists(file):
        yield Problem("--figure", f"{file} is already there", "a figure is a new file", "choose another name, or delete it first")
    elif not file.parent.is_dir():
        yield Problem("--figure", f"there is no folder {file.parent}", "a file in a folder that exists", "make the folder first")


@contextlib.contextmanager
def _collecting(problems: list[Problem]) -> Iterator[None]:
    try:
        yield
    except InputRefused as error:
        problems += error.problems


def _draw(made: Dryer, file: Path) -> None:
    """Write the figure whole or not at all."""
    from doe.report.draw_drying import drying_figure

    content = drying_figure(shown.drying_view(made), file.suffix.lower().removeprefix("."))
    try:
        with tempfile.TemporaryDirectory(dir=file.parent, prefix=".doe-figure") as place:
            staged = Path(place) / file.name
            staged.write_bytes(content)
            staged.replace(file)
    except OSError as error:
        found = f"nothing can be written there ({error.strerror})"
        raise InputRefused(Problem(f"--figure {file}", found, "a folder where you may write", "choose another place")) from None
