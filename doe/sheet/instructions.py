"""What the operators are told, on the first sheet of the workbook, in plain words."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from doe.sheet.columns import DEVIATIONS, OUTCOMES
from doe.sheet.layout import CHECKS, COUPONS, GRADINGS, LOADS, PRINTS, SPOOLS, TIMETABLE, Sheet
from doe.sheet.pieces import pieces_of_tests
from doe.sheet.z_direction import z_senses
from doe.study.heat import oven_temperature_factor
from doe.study.operators import Texts, texts_of
from doe.study.spec import Study


@dataclass(frozen=True)
class Line:
    """One line of the sheet: a heading, or a short label with its text."""

    style: Literal["heading", "step", "word", "caution"]
    label: str
    text: str


def instructions(study: Study, tables: Sequence[Sheet], cautions: Sequence[str]) -> tuple[Line, ...]:
    """
    Return the lines below the identity block: what to do in order, what the words mean, and the cautions.

    Parameters
    ----------
    study : Study
    tables : sequence of Sheet
        The sheets that this workbook has; only they are spoken of.
    cautions : sequence of str
        Those of the material's family, one sentence or two each, in English; the last says what prevails over them.
    """
    names, say = {table.name for table in tables}, texts_of(study)
    return (
        _heading(say, "to_do"),
        *(Line("step", str(number), text) for number, text in enumerate(_steps(study, say, names, cautions), 1)),
        _heading(say, "how"),
        *(Line("step", "–", text) for text in _rules(study, say, names)),
        *_conditions(study, say),
        _heading(say, "outcomes"),
        *_meanings(say, "outcomes", OUTCOMES),
        _heading(say, "deviations"),
        *_meanings(say, "deviations", DEVIATIONS),
        _heading(say, "cautions"),
        *(Line("caution", "!", say.caution(text)) for text in cautions),
    )


def _heading(say: Texts, key: str) -> Line:
    return Line("heading", say(f"instructions.{key}"), "")


def _meanings(say: Texts, table: str, kept: Sequence[str]) -> Iterator[Line]:
    yield from (Line("word", say(f"{table}.word.{one}"), say(f"{table}.means.{one}")) for one in kept)


def _steps(study: Study, say: Texts, names: set[str], cautions: Sequence[str]) -> Iterator[str]:
    if cautions:
        yield say("steps.cautions", heading=say("instructions.cautions"))
    yield from (say(f"steps.{key}") for key, sheet in (("checks", CHECKS), ("spools", SPOOLS)) if sheet in names)
    if LOADS in names:
        yield f"{say('steps.loads')} {_oven(study, say)}"
    yield say(
        "steps.prints",
        on=say("steps.prints_on") if study.printers else "",
        source=say("steps.prints_source") if LOADS in names else "",
        values=say("steps.values_of_printers" if any(printer.checks for printer in study.printers) else "steps.values_plain"),
    )
    yield from z_senses(study, say)
    yield from _to_write_down(study, say, names)
    if TIMETABLE in names:
        yield say("steps.timetable")
    yield say("steps.label")
    if COUPONS in names and study.plate.positions:
        yield say("steps.plate")
    yield " ".join([say("steps.outcome"), *_grades(study, say)])
    if COUPONS in names:
        tests = pieces_of_tests(study, say)
        of_several = [say("steps.coupons_of_several", each=tests), say("steps.coupons_ended")] if tests else []
        yield " ".join([say("steps.coupons"), *of_several])
    if GRADINGS in names:
        yield say("steps.gradings")
    yield say("steps.save")


def _oven(study: Study, say: Texts) -> str:
    """Return how hot the oven is: operators dry by this sheet, and too hot an oven fuses the filament on its spool."""
    if oven_temperature_factor(study.factors) is not None:
        return say("steps.oven_planned")
    if study.oven.temperature is None:
        return say("steps.oven_unknown")
    return say("steps.oven", temperature=say.number(study.oven.temperature))


def _grades(study: Study, say: Texts) -> Iterator[str]:
    """Yield which end of the grades is the better one, where the requirement tells: at school it may be the other."""
    for one in study.responses:
        if one.grades and (one.at_least is None) != (one.at_most is None):
            least, most = one.grades[0], one.grades[-1]
            worst, best = (least, most) if one.at_most is None else (most, least)
            yield say("steps.grades", name=say.name(one.name), worst=str(worst), best=str(best))


def _to_write_down(study: Study, say: Texts, names: set[str]) -> Iterator[str]:
    """Yield what is written down of loads and prints besides results."""
    for per, sheet in (("load", LOADS), ("print", PRINTS)):
        asked = [say.within(one.name) for one in study.covariates if one.per == per and sheet in names]
        if asked:
            yield say(f"steps.covariates_of_{per}", names=", ".join(asked))
    read = [say.within(factor.name) for factor in study.factors if factor.reading_sd is not None]
    if read:
        yield say("steps.read", names=", ".join(read))


def _conditions(study: Study, say: Texts) -> Iterator[Line]:
    """Yield what is held fixed, line by line."""
    if study.conditions:
        yield _heading(say, "fixed")
        yield from (Line("word", say.name(name), text) for name, text in study.conditions.items())
        yield Line("step", "–", say("rules.conditions"))


def _rules(study: Study, say: Texts, names: set[str]) -> Iterator[str]:
    yield from (say(f"rules.{key}") for key in ("cells", "empty", "colours", "optional", "failure"))
    yield say("rules.used_of_load" if LOADS in names and study.load_factors else "rules.used")
    if study.printers or LOADS in names:
        yield say("rules.elsewhere")
    yield say("rules.mistake")
