"""Tables of what a plan costs or when everything is done."""

import math

from doe.design.effort import Effort
from doe.design.timetable import Timetable
from doe.report import numbers
from doe.report.tables import Table

_FRESH = (
    " Each load takes fresh spools, since one dried before is drier than its plan says: one for each printer that it feeds, as"
    " far as the oven has room, or as many as its prints use up. So it may take more spools than the grams fill."
)


def effort_table(planned: Effort, made: Timetable) -> Table:
    """Return the effort of one round as planned and with the study's contingency, which days take as all else does."""
    more = planned.with_contingency
    rows = [("prints", str(planned.prints), str(more.prints))]
    if planned.loads:
        rows.append(("drying loads", str(planned.loads), str(more.loads)))
        rows.append(("oven, h", _hours(planned.oven_hours), _hours(more.oven_hours)))
    rows += [
        (f"printer {name}, h" if name else "printer, h", _hours(hours), _hours(more.printer_hours[name]))
        for name, hours in planned.printer_hours.items()
    ]
    rows += [
        ("tests", str(planned.tests), str(more.tests)),
        ("testing, h", _hours(planned.test_hours), _hours(more.test_hours)),
        ("filament, g", numbers.at_place(planned.grams, 0), numbers.at_place(more.grams, 0)),
        ("full spools, fresh for each load" if planned.loads else "full spools", str(planned.spools), str(more.spools)),
        ("working days", str(made.days), str(math.ceil(round(made.days * (1 + planned.contingency), 6)))),
    ]
    columns = ("What", "Planned", f"With {numbers.level(planned.contingency)} contingency")
    note = "Contingency: for prints that must be made again."
    note += _FRESH if planned.loads else ""
    return Table("What it takes", columns, tuple(rows), "lrr", note)


def timetable_table(made: Timetable) -> Table:
    """Return the steps of one round, day by day; the note says what they rest on, and what to beware of."""
    dated, loaded = any(step.date for step in made.steps), any(step.load for step in made.steps)
    named = any(step.printer for step in made.steps)
    rows = []
    for step in made.steps:
        place = (str(step.day), *((step.date,) if dated else ()), step.time, step.what, *((step.load,) if loaded else ()))
        rows.append((*place, ", ".join(step.prints), *((step.printer,) if named else ()), step.note))
    when, who = ("Day", *(("Date",) if dated else ()), "Time", "What"), ("Printer",) if named else ()
    columns = (*when, *(("Load",) if loaded else ()), "Prints", *who, "Note")
    align = "r" + "l" * (len(columns) - 1)
    return Table("Timetable", columns, tuple(rows), align, " ".join((*made.cautions, made.basis)))


def _hours(hours: float) -> str:
    return numbers.at_place(hours, -1)
