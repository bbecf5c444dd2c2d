"""When somebody is there: working days with their shifts on a clock of whole minutes."""

import datetime
from dataclasses import dataclass

from doe.study.spec import Study

DAY = 24 * 60
"""Minutes of a day."""
_WEEK, _WORKED = 7, 5


@dataclass(frozen=True)
class Shifts:
    """
    The shifts of a study, one a working day.

    Times are whole minutes from the moment at which the shift of the first calendar day begins, or would begin. Shifts
    are numbered from 0. A moment at which a shift ends still belongs to it.

    Parameters
    ----------
    length : int
        Minutes of a shift, at most :data:`DAY`.
    begins : int
        Minutes after midnight at which a shift begins.
    first_date : datetime.date, optional
        The first calendar day.
    every_day : bool
        Whether Saturdays and Sundays are worked; without a date every day is.
    """

    length: int
    begins: int
    first_date: datetime.date | None = None
    every_day: bool = True

    def start(self, number: int) -> int:
        """Return the moment at which a shift begins."""
        if self._weekday is None:
            return DAY * number
        ahead = _WEEK - self._weekday if self._weekday >= _WORKED else 0
        monday = 0 if ahead else self._weekday
        weeks, day = divmod(monday + number, _WORKED)
        return DAY * (ahead + _WEEK * weeks + day - monday)

    def end(self, number: int) -> int:
        """Return the moment at which a shift ends."""
        return self.start(number) + self.length

    def last_begun(self, moment: int) -> int:
        """Return the number of the last shift that has begun at a moment; 0 before the first one begins."""
        day = moment // DAY
        if self._weekday is None:
            return max(0, day)
        weeks, today = divmod(self._weekday + day, _WEEK)
        skipped = min(self._weekday, _WORKED)
        return max(0, _WORKED * weeks + min(today, _WORKED - 1) - skipped)

    def attended(self, moment: int) -> bool:
        """Whether somebody is there."""
        return self.start(number := self.last_begun(moment)) <= moment <= self.end(number)

    def next_attended(self, moment: int) -> int:
        """Return the moment itself where somebody is there, else the next one at which somebody is."""
        number = self.last_begun(moment)
        return max(moment, self.start(number)) if moment <= self.end(number) else self.start(number + 1)

    def last_attended(self, moment: int) -> int:
        """Return the moment itself where somebody is there, else the last one before it at which somebody was."""
        return min(moment, self.end(self.last_begun(moment)))

    def fitting(self, moment: int, minutes: int) -> int:
        """Return the first moment from here on at which something begins that ends in its shift; it must fit into one."""
        begin = self.next_attended(moment)
        number = self.last_begun(begin)
        return begin if begin + minutes <= self.end(number) else self.start(number + 1)

    def worked(self, moment: int, minutes: int) -> tuple[int, int]:
        """Return when work that may be interrupted overnight is begun and done, at the earliest from a moment on."""
        begin = self.next_attended(moment)
        number = self.last_begun(begin)
        if begin == self.end(number) and minutes > 0:
            number += 1
            begin = self.start(number)
        spent = begin - self.start(number) + minutes
        more = max(0, -(-spent // self.length) - 1)
        return begin, self.start(number + more) + spent - more * self.length

    def alone(self, begin: int, end: int) -> bool:
        """Whether something that runs from one moment to another runs while nobody is there."""
        number = self.last_begun(begin)
        while end > self.end(number):
            if self.start(number + 1) > self.end(number):
                return True
            number += 1
        return False

    def day(self, moment: int) -> int:
        """Return the working day of a moment, from 1; a moment of the night before a shift belongs to that shift's day."""
        number = self.last_begun(moment)
        following = self.start(number + 1)
        past = moment > self.end(number) and self._midnight(moment) == self._midnight(following)
        return number + (2 if past else 1)

    def clock(self, moment: int) -> str:
        """Return the time of day: ``08:30``."""
        hours, minutes = divmod((self.begins + moment) % DAY, 60)
        return f"{hours:02d}:{minutes:02d}"

    def date(self, moment: int) -> str:
        """Return the date, as in ISO 8601; empty where there is no first date, and beyond the year 9999."""
        if self.first_date is None:
            return ""
        try:
            return (self.first_date + datetime.timedelta(days=self._midnight(moment))).isoformat()
        except OverflowError:
            return ""

    def _midnight(self, moment: int) -> int:
        """Return the calendar day of a moment, from 0."""
        return (self.begins + moment) // DAY

    @property
    def alike(self) -> bool:
        """Whether every day is a working day."""
        return self._weekday is None

    @property
    def _weekday(self) -> int | None:
        """The first date's day of the week, Monday 0, where days of the week count."""
        return None if self.first_date is None or self.every_day else self.first_date.weekday()


def shifts_of(study: Study) -> Shifts:
    """Return the shifts that a study's budget states."""
    budget = study.budget
    length, begins = round(60 * budget.hours_per_day), round(60 * budget.shift_starts) % DAY
    return Shifts(length, begins, budget.start, budget.weekends)
