"""When every load is dried, every print made, every coupon tested; the order is the plan's, the times follow from it.

Loads go through the oven one after the other in plan order, each timed so that it comes out when its prints can begin.
Printers work side by side, each on its own prints in run order, and start on a load only when all prints of the load
before have been started. A spool feeds one printer at a time. The result is a calendar that can be kept, not the
shortest there is: each load takes the earliest time at which it can be used in full.
"""

import bisect
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import pandas as pd

from doe.design.effort import Load, loads_of, oven_minutes, tests_per_print
from doe.design.shifts import DAY, Shifts, shifts_of
from doe.errors import InputRefused, Problem
from doe.study.equipment import drying_factor, fits_shift, whole_minutes
from doe.study.spec import Study


@dataclass(frozen=True)
class Shop:
    """What a shop can do and when; durations in whole minutes."""

    shifts: Shifts
    print_minutes: int
    overnight_prints: bool
    spools: int
    out_minutes: int
    """How long after a load comes out its last print may be started."""
    timer: bool
    """Whether the oven starts itself at a set time."""
    may_stay: bool
    """Whether a load may stay in beyond its drying time, which holds where that time is no factor."""
    test_minutes: int
    """All tests of one print."""
    conditioning: int

    @property
    def flexible(self) -> bool:
        """Whether the oven can be given a load long before it is to come out."""
        return self.timer or self.may_stay

    def begin(self, moment: int) -> int:
        """Return the first moment from one on at which a print can be started."""
        if self.overnight_prints:
            return self.shifts.next_attended(moment)
        return self.shifts.fitting(moment, self.print_minutes)

    def off(self, begin: int) -> int:
        """Return when a print is taken off."""
        return self.shifts.next_attended(begin + self.print_minutes)


@dataclass(frozen=True)
class Printing:
    """One print on its printer; times as in :class:`doe.design.shifts.Shifts`."""

    name: str
    load: str
    printer: str
    begin: int
    off: int
    """When somebody takes it off and the printer is free again."""


@dataclass(frozen=True)
class Drying:
    """One load in the oven and the prints made from it."""

    load: Load
    put_in: int
    heat_on: int
    out: int
    latest: int
    """Last moment at which a print may be started from it."""
    printings: tuple[Printing, ...]

    @property
    def beyond(self) -> tuple[Printing, ...]:
        """The prints that are started too late."""
        return tuple(one for one in self.printings if one.begin > self.latest)


@dataclass(frozen=True)
class Testing:
    """Tests of prints of one load that are all ready when the first begins, each print's begun on one day."""

    load: str
    prints: tuple[str, ...]
    begin: int
    done: int


@dataclass(frozen=True)
class Schedule:
    """Everything that happens, each kind in order of time."""

    dryings: tuple[Drying, ...]
    printings: tuple[Printing, ...]
    testings: tuple[Testing, ...]


@dataclass
class _State:
    """When the oven and each printer are free, and when the latest print was started."""

    oven: int = 0
    printers: dict[str, int] = field(default_factory=dict)
    started: int = 0


def shop_of(study: Study) -> Shop:
    """
    Return what a study's oven, budget and responses say about the shop.

    Raises
    ------
    InputRefused
        Where no print ends in the shift in which it was started, and none may run overnight.
    """
    budget, shifts = study.budget, shifts_of(study)
    print_minutes = whole_minutes(budget.print_minutes)
    if not fits_shift(budget):
        raise InputRefused(
            Problem(
                "study.toml, [budget], key 'print_minutes'",
                f"a print takes {print_minutes} minutes and the shift has {shifts.length}",
                "a print must end in the shift in which it was started, unless prints may run overnight",
                "shorten the print, lengthen the shift, or write overnight_prints = true where the site allows it",
            )
        )
    return Shop(
        shifts=shifts,
        print_minutes=print_minutes,
        overnight_prints=budget.overnight_prints,
        spools=study.oven.spools,
        out_minutes=whole_minutes(60 * study.oven.out_hours),
        timer=study.oven.delayed_start,
        may_stay=drying_factor(study.factors) is None,
        test_minutes=whole_minutes(tests_per_print(study) * budget.coupon_minutes),
        conditioning=whole_minutes(60 * budget.conditioning_hours),
    )


def schedule(study: Study, runs: pd.DataFrame) -> Schedule:
    """
    Return when everything of one round happens.

    Parameters
    ----------
    study : Study
    runs : DataFrame
        The rows of one round, as documented for :class:`doe.design.plan.Design`.

    Returns
    -------
    Schedule
        Equal inputs give equal schedules.

    Raises
    ------
    InputRefused
        As of :func:`shop_of`.
    """
    shop, state = shop_of(study), _State()
    dryings: list[Drying] = []
    printings: list[Printing] = []
    for load in loads_of(study, runs):
        if load.name:
            dried = _dried(shop, load, oven_minutes(study, load), state)
            dryings.append(dried)
            state.oven = dried.out
            made = dried.printings
        else:
            made = _printed(shop, load, 0, len(load.prints), state)
        printings += made
        state.printers |= {one.printer: one.off for one in made}
        state.started = max(one.begin for one in made)
    ordered = sorted(printings, key=lambda one: one.begin)
    return Schedule(tuple(dryings), tuple(ordered), tuple(_tested(shop, printings)))


def _dried(shop: Shop, load: Load, minutes: int, state: _State) -> Drying:
    """Return the earliest time for a load at which all its prints start within the limit, else the least beyond it."""
    first_free = max(state.started, min(state.printers.get(printer, 0) for printer in load.printers))
    best: tuple[tuple[int, int, int], Drying] | None = None
    for earliest, latest in _times_out(shop, load, minutes, state):
        if best is not None and latest + shop.out_minutes < first_free:
            continue  # all would be beyond, and there is a later time at which the first is not
        for out in _worth_trying(shop, load, earliest, latest, state):
            made = _printed(shop, load, out, shop.spools, state)
            # As long as no print can start yet, the load may as well stay in the oven.
            one = _timed(shop, load, minutes, max(out, min(latest, min(print_.begin for print_ in made))), made)
            late = [print_.begin - one.latest for print_ in one.beyond]
            if not late:
                return one
            score = (len(late), max(late), max(print_.off for print_ in made))
            if best is None or score < best[0]:
                best = (score, one)
    assert best is not None
    return best[1]


def _worth_trying(shop: Shop, load: Load, earliest: int, latest: int, state: _State) -> list[int]:
    """Return the moments of a span at which what follows changes: printers become free, prints just end in the shift."""
    end = shop.shifts.end(shop.shifts.last_begun(earliest))
    freed = {state.printers.get(printer, 0) for printer in load.printers}
    ending = {end - number * shop.print_minutes for number in range(len(load.prints) + 1)}
    return sorted({earliest, latest, *(moment for moment in freed | ending if earliest < moment < latest)})


def _timed(shop: Shop, load: Load, minutes: int, out: int, made: tuple[Printing, ...]) -> Drying:
    put_in = shop.shifts.last_attended(out - minutes) if shop.flexible else out - minutes
    return Drying(load, put_in, out - minutes if shop.timer else put_in, out, out + shop.out_minutes, made)


def _printed(shop: Shop, load: Load, out: int, spools: int, state: _State) -> tuple[Printing, ...]:
    """
    Return the prints of a load that is there from a moment on, each as early as its printer and a spool are free.

    Of the spools that are free in time it takes the one that was in use last: most often that on the printer already.
    """
    free, ready = dict(state.printers), [max(out, state.started)] * min(spools, len(load.prints))
    made = []
    for name, printer in zip(load.prints, load.printers, strict=True):
        printer_free = free.get(printer, 0)
        spool_free = ready.pop(max(0, bisect.bisect_right(ready, printer_free) - 1))
        begin = shop.begin(max(printer_free, spool_free))
        free[printer] = off = shop.off(begin)
        bisect.insort(ready, off)
        made.append(Printing(name, load.name, printer, begin, off))
    return tuple(made)


def _times_out(shop: Shop, load: Load, minutes: int, state: _State) -> Iterator[tuple[int, int]]:
    """
    Yield the spans of time, earliest first, in which a load can be taken out, with somebody there to put it in before.

    Where there are none, since its drying time fits neither into a shift nor from one shift into another, yield the
    moments at which it would be done if it went in at the beginning or the end of a shift.
    """
    put_in = shop.shifts.next_attended(state.oven)
    last = max(put_in + minutes, state.started, *(state.printers.get(name, 0) for name in load.printers))
    last += 2 * DAY if shop.shifts.alike else 8 * DAY  # by then all has been tried that does not repeat
    spans = _any_time(shop.shifts, put_in + minutes, last) if shop.flexible else _matched(shop.shifts, put_in, minutes, last)
    first = next(spans, None)
    if first is None:
        yield from ((out, out) for out in _unmatched(shop.shifts, put_in, minutes, last))
    else:
        yield first
        yield from spans


def _any_time(shifts: Shifts, ready: int, last: int) -> Iterator[tuple[int, int]]:
    moment = shifts.next_attended(ready)
    number = shifts.last_begun(moment)
    while shifts.start(number) <= last:
        yield max(moment, shifts.start(number)), shifts.end(number)
        number += 1


def _matched(shifts: Shifts, put_in: int, minutes: int, last: int) -> Iterator[tuple[int, int]]:
    """Yield when somebody is there exactly some minutes after somebody was there."""
    number = shifts.last_begun(put_in)
    while shifts.start(number) + minutes <= last:
        early, late = max(put_in, shifts.start(number)) + minutes, shifts.end(number) + minutes
        for other in range(shifts.last_begun(early), shifts.last_begun(late) + 1):
            begin, end = max(early, shifts.start(other)), min(late, shifts.end(other))
            if begin <= end:
                yield begin, end
        number += 1


def _unmatched(shifts: Shifts, put_in: int, minutes: int, last: int) -> Iterator[int]:
    number = shifts.last_begun(put_in)
    while shifts.start(number) + minutes <= last:
        yield max(put_in, shifts.start(number)) + minutes
        yield shifts.end(number) + minutes
        number += 1


def _tested(shop: Shop, printings: Sequence[Printing]) -> Iterator[Testing]:
    """Yield the tests in the order in which prints are ready for them, at one place; those ready together are one."""
    if not shop.test_minutes:
        return
    free, gathered = 0, None
    for one in sorted(printings, key=lambda print_: print_.off):
        ready = one.off + shop.conditioning
        begin, free = shop.shifts.worked(max(free, ready), shop.test_minutes)
        same_day = gathered is not None and shop.shifts.day(gathered.begin) == shop.shifts.day(begin)
        if gathered is not None and same_day and gathered.load == one.load and ready <= gathered.begin:
            gathered = Testing(one.load, (*gathered.prints, one.name), gathered.begin, free)
            continue
        if gathered is not None:
            yield gathered
        gathered = Testing(one.load, (one.name,), begin, free)
    if gathered is not None:
        yield gathered
