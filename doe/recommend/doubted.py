"""Values in doubt among some prints: by response, how many of how many, for which reasons."""

from collections.abc import Collection
from dataclasses import dataclass

from doe.model.values import single_values
from doe.record.findings import listed
from doe.record.match import Record
from doe.study.spec import Study

SUSPECT = "marked suspect"


@dataclass(frozen=True)
class Doubted:
    """Values of one response that are in doubt."""

    response: str
    items: tuple[str, ...]
    """Coupons or prints."""
    of: int
    """All values of the response among the prints that were looked at."""
    why: tuple[str, ...]
    """Each reason once."""
    sound: tuple[str, ...]
    """Prints that have a value of it which is not in doubt."""

    @property
    def all(self) -> bool:
        """Whether no other value is there."""
        return len(self.items) == self.of

    def __str__(self) -> str:
        return f"{self.response}: {self.many} in doubt ({'; '.join(self.why)}): {listed(list(self.items))}"

    @property
    def many(self) -> str:
        """How many, with the verb: ``all 30 values are``, ``1 of 30 values is``."""
        if self.all:
            return "its only value is" if self.of == 1 else f"all {self.of} values are"
        return f"{len(self.items)} of {self.of} values {'is' if len(self.items) == 1 else 'are'}"


def doubted_values(study: Study, record: Record, prints: Collection[str]) -> tuple[Doubted, ...]:
    """
    Return the values of some prints that are in doubt.

    A value is in doubt where its coupon or print is marked suspect, or where its instrument was due before the day of the test.

    Parameters
    ----------
    study : Study
    record : Record
    prints : collection of str
        The prints that are looked at.

    Returns
    -------
    tuple of Doubted
        One a response that has such a value, in the order of the study.
    """
    found = []
    for response in study.responses:
        values = single_values(response, record)
        mine = [
            (item, owner, doubt) for item, owner, doubt in zip(values.items, values.owners, values.suspect.tolist(), strict=True)
            if owner in prints
        ]
        doubted = tuple(item for item, _, doubt in mine if doubt)
        if doubted:
            reasons = record.doubts.get(response.name, {})
            why = tuple(dict.fromkeys(reasons.get(item, SUSPECT) for item in doubted))
            sound = tuple(dict.fromkeys(owner for _, owner, doubt in mine if not doubt))
            found.append(Doubted(response.name, doubted, len(mine), why, sound))
    return tuple(found)
