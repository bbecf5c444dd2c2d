"""The schedule as a list of steps, day by day, in words."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import pandas as pd

from doe.design.effort import ASSUMED_DRYING_HOURS, spools_of, tests_per_print
from doe.design.schedule import Drying, Schedule, Shop, Testing, schedule, shop_of
from doe.study.equipment import MINUTES_PER, drying_factor
from doe.study.operators import ENGLISH, Texts, texts
from doe.study.spec import Study
from doe.verdicts import Verdict

_ENGLISH = texts(ENGLISH)
DRYING_ALONE, PRINTING_ALONE = _ENGLISH("timetable.drying_alone"), _ENGLISH("timetable.printing_alone")
PUT_IN, TAKE_OUT, PRINT, TEST = (_ENGLISH(f"timetable.{key}") for key in ("put_in", "take_out", "print", "test"))
_ORDER = ("take_out", "put_in", "print", "test")
"""What comes first of what is done at one time."""
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
    """In English :data:`PUT_IN`, :data:`TAKE_OUT`, :data:`PRINT` or :data:`TEST`."""
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


def timetable(study: Study, runs: pd.DataFrame, say: Texts = _ENGLISH) -> Timetable:
    """
    Return a day-by-day plan of one round.

    Parameters
    ----------
    study : Study
        Its oven and budget say what everything takes; its start, where there is one, gives the dates.
    runs : DataFrame
        The rows of one round, as documented for :class:`doe.design.plan.Design`.
    say : Texts
        In whose language everything is said, but for what a verdict advises, which is for who plans.

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
    told = _Teller(shop, say)
    steps = [*_oven_steps(study, told, made.dryings), *_print_steps(told, made), *_test_steps(study, told, made.testings)]
    rank = {say(f"timetable.{key}"): place for place, key in enumerate(_ORDER)}
    return Timetable(
        steps=tuple(sorted(steps, key=lambda step: (step.moment, rank[step.what]))),
        days=_days(shop, made),
        basis=_basis(study, told, made),
        cautions=tuple(_cautions(shop, made, say)),
        verdicts=tuple(_verdicts(study, told, made)),
    )


def days(study: Study, runs: pd.DataFrame) -> int:
    """Return how many working days one round takes; arguments and errors as of :func:`timetable`."""
    return _days(shop_of(study), schedule(study, runs))


def _days(shop: Shop, made: Schedule) -> int:
    ends = [*(one.off for one in made.printings), *(one.done for one in made.testings)]
    return shop.shifts.day(max(ends))


@dataclass(frozen=True)
class _Teller:
    """What steps are told with: the shop's calendar, and the language."""

    shop: Shop
    say: Texts

    def step(self, moment: int, what: str, note: str, about: tuple[str, Sequence[str], str]) -> Step:
        """Return a step about a load, its prints and a printer; each may be empty."""
        shifts, (load, prints, printer) = self.shop.shifts, about
        day, date, time = shifts.day(moment), shifts.date(moment), shifts.clock(moment)
        return Step(moment, day, date, time, self.say(f"timetable.{what}"), load, tuple(prints), printer, note)

    def when(self, moment: int, seen_from: int) -> str:
        """Return a moment in words, as it is spoken of at another one: ``10:30``, ``08:00 on day 3``."""
        clock, day = self.shop.shifts.clock(moment), self.shop.shifts.day(moment)
        return clock if day == self.shop.shifts.day(seen_from) else self.say("timetable.on_day", time=clock, day=day)

    def hours(self, minutes: int) -> str:
        """Return minutes in hours, three digits."""
        return self.say.number(float(f"{minutes / 60:.3g}"))


def _oven_steps(study: Study, told: _Teller, dryings: Sequence[Drying]) -> Iterator[Step]:
    shop, say = told.shop, told.say
    for one in dryings:
        notes = [say("timetable.out_at", drying=_drying(study, told, one), time=told.when(one.out, one.put_in))]
        if one.heat_on > one.put_in:
            notes.append(say("timetable.timer", time=told.when(one.heat_on, one.put_in)))
        elif shop.shifts.alone(one.put_in, one.out):
            notes.append(say("timetable.alone"))
        yield told.step(one.put_in, "put_in", "; ".join(notes), (one.load.name, (), ""))
        note = say("timetable.start_by", time=told.when(one.latest, one.out))
        if not shop.shifts.attended(one.out):
            note = say("timetable.outside", note=note)
        yield told.step(one.out, "take_out", note, (one.load.name, one.load.prints, ""))


def _drying(study: Study, told: _Teller, one: Drying) -> str:
    """Return how a load is dried, in words: ``8 h at 80 °C``, ``6 h (assumed) or longer``."""
    say, oven = told.say, study.oven.temperature
    hot = "" if oven is None else say("timetable.at_temperature", temperature=say.number(oven))
    assumed = say("timetable.assumed") if _is_assumed(study) else ""
    longer = say("timetable.or_longer") if told.shop.may_stay and not told.shop.timer else ""
    return f"{_dried_for(study, one, say)}{assumed}{hot}{longer}"


def _dried_for(study: Study, one: Drying, say: Texts) -> str:
    """Return a load's drying time in the unit in which the study states it."""
    factor = drying_factor(study.factors)
    unit = "h" if factor is None else str(factor.unit)
    return f"{say.number(one.load.drying * 60 / MINUTES_PER[unit])} {unit}"


def _is_assumed(study: Study) -> bool:
    return drying_factor(study.factors) is None and study.oven.drying_time is None


def _print_steps(told: _Teller, made: Schedule) -> Iterator[Step]:
    late = {one.name: one.begin - drying.latest for drying in made.dryings for one in drying.beyond}
    shop, say = told.shop, told.say
    for one in made.printings:
        notes = [say("timetable.off_at", time=told.when(one.off, one.begin))]
        if shop.shifts.alone(one.begin, one.begin + shop.print_minutes):
            notes.append(say("timetable.alone"))
        if one.name in late:
            notes.append(say("timetable.past_limit", hours=told.hours(late[one.name])))
        yield told.step(one.begin, "print", "; ".join(notes), (one.load, (one.name,), one.printer))


def _test_steps(study: Study, told: _Teller, testings: Sequence[Testing]) -> Iterator[Step]:
    each = tests_per_print(study)
    for one in testings:
        note = told.say("timetable.tests", tests=each * len(one.prints), time=told.when(one.done, one.begin))
        yield told.step(one.begin, "test", note, (one.load, one.prints, ""))


def _basis(study: Study, told: _Teller, made: Schedule) -> str:
    budget, say, number = study.budget, told.say, told.say.number
    parts = [
        say("timetable.a_print", minutes=number(budget.print_minutes)),
        say("timetable.a_test", minutes=number(budget.coupon_minutes)),
        say("timetable.a_shift", hours=number(budget.hours_per_day), time=told.shop.shifts.clock(0)),
    ]
    if made.dryings:
        used = max(spools_of(study, one.load) for one in made.dryings)
        room = say(f"timetable.{'spools' if study.oven.spools > 1 else 'one_spool'}", spools=study.oven.spools)
        parts.append(say("timetable.spools_used", room=room, used=used))
        parts.append(say("timetable.warm_up", minutes=number(study.oven.warm_up_minutes)))
        if _is_assumed(study):
            parts.append(say("timetable.assumed_drying", hours=number(ASSUMED_DRYING_HOURS)))
    return say("timetable.basis", parts=", ".join(parts))


def _cautions(shop: Shop, made: Schedule, say: Texts) -> Iterator[str]:
    if any(shop.shifts.alone(one.heat_on, one.out) for one in made.dryings):
        yield say("timetable.drying_alone")
    if any(shop.shifts.alone(one.begin, one.begin + shop.print_minutes) for one in made.printings):
        yield say("timetable.printing_alone")


def _verdicts(study: Study, told: _Teller, made: Schedule) -> Iterator[Verdict]:
    yield from _assumed(study, made.dryings, told.say)
    yield from _too_late(study, told, made.dryings)
    yield from _outside(study, told, made.dryings)
    yield from _too_much(study, made.dryings, told.say)


def _assumed(study: Study, dryings: Sequence[Drying], say: Texts) -> Iterator[Verdict]:
    if dryings and _is_assumed(study):
        yield Verdict(
            say("verdicts.assumed.name"),
            say("verdicts.assumed.cause", hours=say.number(ASSUMED_DRYING_HOURS)),
            "Write drying_time in [oven], in hours, as the filament's data sheet gives it, or declare it as a factor.",
        )


def _too_late(study: Study, told: _Teller, dryings: Sequence[Drying]) -> Iterator[Verdict]:
    found, say, shop = [one for one in dryings if one.beyond], told.say, told.shop
    if not found:
        return
    named = [
        say(
            "verdicts.late.each", load=one.load.name, late=len(one.beyond), prints=len(one.printings),
            hours=told.hours(max(late.begin for late in one.beyond) - one.out),
        )
        for one in found
    ]
    crowded = any(one.load.fed > shop.spools for one in found)
    yield Verdict(
        say("verdicts.late.name"),
        say("verdicts.late.cause", hours=say.number(study.oven.out_hours), named=_listed(named, say)),
        "Plan fewer prints a load (more loads), use more printers"
        + (", dry a spool for each printer" if crowded else "")
        + ("" if shop.flexible else ", let a timer end the drying in the morning (delayed_start in [oven])")
        + ", or feed from a dry box and write in [oven] out_hours how long the spools stand there.",
    )


def _outside(study: Study, told: _Teller, dryings: Sequence[Drying]) -> Iterator[Verdict]:
    found, say = [one for one in dryings if not told.shop.shifts.attended(one.out)], told.say
    if not found:
        return
    named = _listed([f"{one.load.name} ({_dried_for(study, one, say)})" for one in found], say)
    minutes, hours = say.number(study.oven.warm_up_minutes), say.number(study.budget.hours_per_day)
    yield Verdict(
        say("verdicts.outside.name"),
        say("verdicts.outside.cause", minutes=minutes, hours=hours, named=named),
        "Write delayed_start = true in [oven] where a timer can switch it on, choose other drying times, lengthen the"
        " shift, or have somebody come in.",
    )


def _too_much(study: Study, dryings: Sequence[Drying], say: Texts) -> Iterator[Verdict]:
    holds = study.oven.spools * study.budget.spool_grams
    needs = {one.load.name: len(one.printings) * study.budget.grams_per_print for one in dryings}
    named = [f"{name} ({say.number(grams)} g)" for name, grams in needs.items() if grams > holds]
    if named:
        grams = say.number(study.budget.spool_grams)
        yield Verdict(
            say("verdicts.too_much.name"),
            say("verdicts.too_much.cause", spools=study.oven.spools, grams=grams, named=_listed(named, say)),
            "Plan more loads, or correct spools in [oven] or grams_per_print and spool_grams in [budget].",
        )


def _listed(names: Sequence[str], say: Texts) -> str:
    named, more = ", ".join(names[:_NAMED]), len(names) - _NAMED
    return say("timetable.more_loads", named=named, more=more) if more > 0 else named
