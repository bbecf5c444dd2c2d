"""How far a study has come, print by print."""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from doe.design.plan import Design
    from doe.record.match import Record

PILOT_ROUND, CONFIRMATION_KIND = 0, "confirmation"
"""As ``doe.design.plan`` has them, here so that looking at them reads no library."""


@dataclass(frozen=True)
class Planned:
    """One print of the plan."""

    print: str
    round: int
    load: str
    """Empty where the study has no loads."""
    kind: str


@dataclass(frozen=True)
class Recorded:
    """One print of the record."""

    print: str
    round: int
    outcome: str
    """Empty while it is open."""


@dataclass(frozen=True)
class Progress:
    """Every print of a study, as far as it is planned and recorded."""

    planned: tuple[Planned, ...]
    recorded: tuple[Recorded, ...] | None
    """None where nothing was collected yet."""

    @cached_property
    def rounds(self) -> list[int]:
        """The round numbers, ascending."""
        return sorted({one.round for one in self.planned})

    @cached_property
    def confirmations(self) -> list[int]:
        """The numbers of the rounds that confirm a recommendation, ascending."""
        return sorted({one.round for one in self.planned if one.kind == CONFIRMATION_KIND})

    @property
    def only_pilot(self) -> bool:
        """Whether there is nothing but a pilot."""
        return self.rounds == [PILOT_ROUND]

    @property
    def fitted(self) -> list[Planned]:
        """The prints that the declared model is fitted to: all but a pilot's and those of confirmations."""
        return [one for one in self.planned if one.round != PILOT_ROUND and one.kind != CONFIRMATION_KIND]

    def began(self, number: int) -> bool:
        """Whether prints of a round are in the record."""
        return any(one.round == number for one in self.recorded or ())

    def ended(self, among: Iterable[Planned] | None = None) -> int:
        """Return how many prints have an outcome, of all or of some."""
        names = None if among is None else {one.print for one in among}
        return sum(one.outcome != "" and (names is None or one.print in names) for one in self.recorded or ())

    def of_round(self, number: int) -> list[Planned]:
        """Return the planned prints of one round."""
        return [one for one in self.planned if one.round == number]


def progress_of(design: "Design", record: "Record | None") -> Progress:
    """Return the same of a plan and a record that were read whole."""
    runs = design.runs
    rows = zip(runs["print"], runs["round"], runs["load"], runs["kind"], strict=True)
    planned = tuple(Planned(str(name), int(number), str(load), str(kind)) for name, number, load, kind in rows)
    recorded = None
    if record is not None:
        prints = record.prints
        ends = zip(prints["print"], prints["round"], prints["outcome"], strict=True)
        recorded = tuple(Recorded(str(name), int(number), str(outcome)) for name, number, outcome in ends)
    return Progress(planned, recorded)


def after_collect(progress: Progress) -> str:
    """Return what comes after a workbook was collected."""
    last = progress.rounds[-1]
    if progress.confirmations and last == progress.confirmations[-1]:
        mine = progress.of_round(last)
        again = "doe collect again when the prints of the confirmation are filled in"
        return "doe confirm" if progress.ended(mine) == len(mine) else again
    of_plan = progress.ended(progress.fitted)
    if progress.ended() == len(progress.recorded or ()):
        if progress.only_pilot:
            return "doe plan, after narrowing the ranges where a corner failed (study.toml, then doe amend)"
        if of_plan:
            return "doe fit"
    again = "doe collect again when more is filled in"
    return f"{again}, or doe fit on what there is" if of_plan else again


def after_fit(any_model: bool, progress: Progress) -> str:
    """Return what comes after a fit."""
    if any_model:
        return "doe recommend"
    to_come, of = len(progress.fitted) - progress.ended(progress.fitted), len(progress.fitted)
    if to_come:
        are = "print is" if to_come == 1 else "prints are"
        return f"{to_come} of {of} {are} still to come: doe collect when they are in, then doe fit"
    return "no measured response has a model, so no setting can be recommended: collect more values, or print within other ranges"
