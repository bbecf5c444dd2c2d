"""The schedule as a list of steps, day by day, in words; how many days it takes; and what does not work out."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import pandas as pd

from doe.design.effort import ASSUMED_DRYING_HOURS, tests_per_print
from doe.design.schedule import Drying, Schedule, Shop, Testing, schedule, shop_of
from doe.study.equipment import MINUTES_PER, drying_factor
from doe.study.spec import Study
from doe.verdicts import Verdict

DRYING_ALONE = (
    "Drying runs on while nobody is there: an oven or dryer is not left unattended without an independent"
    " over-temperature cut-out; site rules govern."
)
PRINTING_ALONE = (
    "Prints run on while nobody is there: unattended printing only with fire detection and as site rules allow."
)
PUT_IN, TAKE_OUT, PRINT, TEST = "put into the oven", "take out of the oven", "start print", "start tests"
_ALONE = "nobody is there in between"
_RANK = {TAKE_OUT: 0, PUT_IN: 1, PRINT: 2, TEST: 3}
_ASSUMED = f"{ASSUMED_DRYING_HOURS:g} h"
_NAMED = 6
"""How many loads a sentence lists before it only counts the rest."""


@dataclass(frozen=True)
class Step:
    """One thing that somebody does."""

    moment: int
    """Minutes from the beginning of the first day's shift."""
    day: int
    """Working day, from 1."""
    date: str
    """ISO 8601; empty where the study gives no start."""
    time: str
    what: str
    """:data:`PUT_IN`, :data:`TAKE_OUT`, :data:`PRINT` or :data:`TEST`."""
    load: str
    prints: tuple[str, ...]
    printer: str
    note: str
    """Until when it takes, or by when the next step is due."""


@dataclass(frozen=True)
class Timetable:
    """One round's steps in order of time."""

    steps: tuple[Step, ...]
    days: int
    """Working days until the last test is done."""
    basis: str
    """What the times rest on, one sentence or two."""
    cautions: tuple[str, ...]
    """What must be said where something runs while nobody is there."""
    verdicts: tuple[Verdict, ...]


def timetable(study: Study, runs: pd.DataFrame) -> Timetable:
    """
    Return a day-by-day plan of one round.

    Parameters
    ----------
    study : Study
        Its oven and budget say what everything takes; its start, where there is one, gives the dates.
    runs : DataFrame
        The rows of one round, as documented for :class:`doe.design.plan.Design`.

    Returns
    -------
    Timetable
        Equal inputs give equal timetables. Every step is within a shift, but for loads that a verdict names.

    Raises
    ------
    InputRefused
        Where no print ends in the shift in which it was started, and none may run overnight.
    """
    made, shop = schedule(study, runs), shop_of(study)
    steps = [*_oven_steps(study, shop, made.dryings), *_print_steps(shop, made), *_test_steps(study, shop, made.testings)]
    return Timetable(
        steps=tuple(sorted(steps, key=lambda step: (step.moment, _RANK[step.what]))),
        days=_days(shop, made),
        basis=_basis(study, made),
        cautions=tuple(_cautions(shop, made)),
        verdicts=tuple(_verdicts(study, shop, made)),
    )


def days(study: Study, runs: pd.DataFrame) -> int:
    """Return how many working days one round takes; arguments and errors as of :func:`timetable`."""
    return _days(shop_of(study), schedule(study, runs))


def _days(shop: Shop, made: Schedule) -> int:
    ends = [*(one.off for one in made.printings), *(one.done for one in made.testings)]
    return shop.shifts.day(max(ends))


def _step(shop: Shop, moment: int, what: str, note: str, about: tuple[str, Sequence[str], str]) -> Step:
    """Return a step about a load, its prints and a printer; each may be empty."""
    shifts, (load, prints, printer) = shop.shifts, about
    day, date, time = shifts.day(moment), shifts.date(moment), shifts.clock(moment)
    return Step(moment, day, date, time, what, load, tuple(prints), printer, note)


def _when(shop: Shop, moment: int, seen_from: int) -> str:
    """Return a moment in words, as it is spoken of at another one: ``10:30``, ``08:00 on day 3``."""
    clock, day = shop.shifts.clock(moment), shop.shifts.day(moment)
    return clock if day == shop.shifts.day(seen_from) else f"{clock} on day {day}"


def _oven_steps(study: Study, shop: Shop, dryings: Sequence[Drying]) -> Iterator[Step]:
    for one in dryings:
        note = f"{_drying(study, shop, one)}; out at {_when(shop, one.out, one.put_in)}"
        if one.heat_on > one.put_in:
            note += f"; timer on at {_when(shop, one.heat_on, one.put_in)}"
        elif shop.shifts.alone(one.put_in, one.out):
            note += f"; {_ALONE}"
        yield _step(shop, one.put_in, PUT_IN, note, (one.load.name, (), ""))
        note = f"start its prints by {_when(shop, one.latest, one.out)}"
        if not shop.shifts.attended(one.out):
            note = f"outside the shift: somebody must come in; {note}"
        yield _step(shop, one.out, TAKE_OUT, note, (one.load.name, one.load.prints, ""))


def _drying(study: Study, shop: Shop, one: Drying) -> str:
    """Return how a load is dried, in words: ``8 h at 80 °C``, ``6 h (assumed) or longer``."""
    hot = "" if study.oven.temperature is None else f" at {study.oven.temperature:g} °C"
    assumed = " (assumed)" if _is_assumed(study) else ""
    return _dried_for(study, one) + assumed + hot + (" or longer" if shop.may_stay and not shop.timer else "")


def _dried_for(study: Study, one: Drying) -> str:
    """Return a load's drying time in the unit in which the study states it."""
    factor = drying_factor(study.factors)
    unit = "h" if factor is None else str(factor.unit)
    return f"{one.load.drying * 60 / MINUTES_PER[unit]:g} {unit}"


def _is_assumed(study: Study) -> bool:
    return drying_factor(study.factors) is None and study.oven.drying_time is None


def _print_steps(shop: Shop, made: Schedule) -> Iterator[Step]:
    late = {one.name: one.begin - drying.latest for drying in made.dryings for one in drying.beyond}
    for one in made.printings:
        alone = shop.shifts.alone(one.begin, one.begin + shop.print_minutes)
        note = f"off at {_when(shop, one.off, one.begin)}"
        note += f"; {_ALONE}" if alone else ""
        note += f"; {_hours(late[one.name])} h past the limit" if one.name in late else ""
        yield _step(shop, one.begin, PRINT, note, (one.load, (one.name,), one.printer))


def _test_steps(study: Study, shop: Shop, testings: Sequence[Testing]) -> Iterator[Step]:
    each = tests_per_print(study)
    for one in testings:
        note = f"{each * len(one.prints)} tests, done at {_when(shop, one.done, one.begin)}"
        yield _step(shop, one.begin, TEST, note, (one.load, one.prints, ""))


def _hours(minutes: int) -> str:
    return f"{minutes / 60:.3g}"


def _basis(study: Study, made: Schedule) -> str:
    budget = study.budget
    begins = f"{round(60 * budget.shift_starts) // 60 % 24:02d}:{round(60 * budget.shift_starts) % 60:02d}"
    parts = [
        f"a print {budget.print_minutes:g} min",
        f"a test {budget.coupon_minutes:g} min",
        f"a shift {budget.hours_per_day:g} h from {begins}",
    ]
    if made.dryings:
        parts.append(f"{study.oven.spools} spool{'s' if study.oven.spools > 1 else ''} a load")
        parts.append(f"{study.oven.warm_up_minutes:g} min of warming up, which is not drying time")
        if _is_assumed(study):
            parts.append(f"{_ASSUMED} of drying, assumed")
    stated = ", ".join(parts)
    return f"The order is the plan's and is kept; the times are estimates, from [oven] and [budget]: {stated}."


def _cautions(shop: Shop, made: Schedule) -> Iterator[str]:
    if any(shop.shifts.alone(one.heat_on, one.out) for one in made.dryings):
        yield DRYING_ALONE
    if any(shop.shifts.alone(one.begin, one.begin + shop.print_minutes) for one in made.printings):
        yield PRINTING_ALONE


def _verdicts(study: Study, shop: Shop, made: Schedule) -> Iterator[Verdict]:
    yield from _assumed(study, made.dryings)
    yield from _too_late(study, shop, made.dryings)
    yield from _outside(study, shop, made.dryings)
    yield from _too_much(study, made.dryings)


def _assumed(study: Study, dryings: Sequence[Drying]) -> Iterator[Verdict]:
    if dryings and _is_assumed(study):
        yield Verdict(
            "drying time is assumed",
            f"neither a factor nor [oven] says how long a load is dried; every time here rests on {_ASSUMED}",
            "Write drying_time in [oven], in hours, as the filament's data sheet gives it, or declare it as a factor.",
        )


def _too_late(study: Study, shop: Shop, dryings: Sequence[Drying]) -> Iterator[Verdict]:
    found = [one for one in dryings if one.beyond]
    if not found:
        return
    named = [
        f"{one.load.name}: {len(one.beyond)} of {len(one.printings)}"
        f" (the last after {_hours(max(late.begin for late in one.beyond) - one.out)} h)"
        for one in found
    ]
    crowded = any(one.load.fed > shop.spools for one in found)
    yield Verdict(
        "prints beyond the time out of the dryer",
        f"a print may be started until {study.oven.out_hours:g} h after its load came out; later begin {_listed(named)}",
        "Plan fewer prints a load (more loads), use more printers"
        + (", dry a spool for each printer" if crowded else "")
        + ("" if shop.flexible else ", let a timer end the drying in the morning (delayed_start in [oven])")
        + ", or feed from a dry box and write in [oven] out_hours how long the spools stand there.",
    )


def _outside(study: Study, shop: Shop, dryings: Sequence[Drying]) -> Iterator[Verdict]:
    found = [one for one in dryings if not shop.shifts.attended(one.out)]
    if not found:
        return
    named = [f"{one.load.name} ({_dried_for(study, one)})" for one in found]
    yield Verdict(
        "drying ends when nobody is there",
        f"with {study.oven.warm_up_minutes:g} min of warming up these end neither in the shift of"
        f" {study.budget.hours_per_day:g} h in which they went in nor in a later one: {_listed(named)}",
        "Write delayed_start = true in [oven] where a timer can switch it on, choose other drying times, lengthen the"
        " shift, or have somebody come in.",
    )


def _too_much(study: Study, dryings: Sequence[Drying]) -> Iterator[Verdict]:
    holds = study.oven.spools * study.budget.spool_grams
    needs = {one.load.name: len(one.printings) * study.budget.grams_per_print for one in dryings}
    named = [f"{name} ({grams:g} g)" for name, grams in needs.items() if grams > holds]
    if named:
        yield Verdict(
            "load larger than its spools",
            f"the oven holds {study.oven.spools} spools of {study.budget.spool_grams:g} g; more need {_listed(named)}",
            "Plan more loads, or correct spools in [oven] or grams_per_print and spool_grams in [budget].",
        )


def _listed(names: Sequence[str]) -> str:
    more = f" and {len(names) - _NAMED} more loads" if len(names) > _NAMED else ""
    return ", ".join(names[:_NAMED]) + more
