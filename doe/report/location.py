"""Rows about where the best mean of each response lies, with the shape of its surface there."""

import math

from doe.recommend.bending import Curvature, PathStep, Shape
from doe.recommend.location import FactorPlace, Location, Locations
from doe.report import numbers
from doe.report.tables import Table, unit, words

_SEEN = 0.01  # share of draws below which an end is not worth a word
_SURE = 0.95  # share of draws of one kind from which on something follows from it
_LEAST_WEIGHT = 0.05  # of a factor in an axis of the surface
_A_DRAW = "A draw is one version of the model that these data leave possible."


def location_tables(found: Locations) -> tuple[Table, ...]:
    """Return everything that is shown of the places of the best means; tables without rows are left out."""
    shown = [
        table
        for one in found.rows
        for table in (place_table(one, found.level), shape_table(one, found.level), path_table(one))
    ]
    return tuple(table for table in (*shown, skipped_table(found)) if table.rows)


def place_table(one: Location, level: float) -> Table:
    """Return, per factor, the interval of the setting at which the mean of the response is best."""
    rows = tuple(
        (
            words(place.factor), unit(place.unit), numbers.setting(_on_grid(place, place.median, 0.5)), _interval(place),
            f"{numbers.setting(place.from_)} to {numbers.setting(place.to)}", _end(place),
        )
        for place in one.places
    )  # fmt: skip
    columns = ("Factor", "Unit", "Median", f"{numbers.level(level)} interval", "Looked at", "At an end")
    place = numbers.place_of((one.mean_high - one.mean_low) / 2)
    mean = f"{numbers.at_place(one.mean, place)} {_unit(one)}".rstrip()
    notes = [
        f"The predicted mean at the estimated best setting: {mean}, {numbers.level(level)} interval"
        f" {numbers.interval(one.mean_low, one.mean_high, place)}.",
        "This response by itself: the recommended setting weighs all of them. Average over printers and rounds.",
        f"{_A_DRAW} Intervals are rounded outwards to what can be set; each holds for one factor, not for all at once.",
        *(f"On the constraint {words(name)} in {_share(share)} of draws." for name, share in one.at_constraints.items()
          if share >= _SEEN),
    ]  # fmt: skip
    if one.held:
        kept = ", ".join(f"{words(name)} {value if isinstance(value, str) else numbers.setting(value)}"
                         for name, value in one.held.items())  # fmt: skip
        notes.append(f"Held as recommended: {kept}.")
    if one.no_part:
        notes.append(f"Not part of the model of this response: {', '.join(map(words, one.no_part))}.")
    return Table(f"Where the {one.sense} mean of {words(one.response)} lies", columns, rows, "llrrrl", " ".join(notes))


def shape_table(one: Location, level: float) -> Table:
    """Return where the fitted surface is level and how it bends there; no rows where its model has no full curvature."""
    title, columns = f"Shape of the surface of {words(one.response)}", ("Fact", "Value")
    if one.shape is None:
        return Table(title, columns, (), "ll")
    rows = [
        ("what to do with it", _use(one, one.shape)),
        ("level point", _point(one, one.shape)),
        *([] if _is_far(one, one.shape) else [("mean there", f"{numbers.plain(one.shape.mean)} {_unit(one)}".rstrip())]),
        ("kind", _kind(one.shape)),
        *(_bending(axis) for axis in one.shape.curvatures),
        ("at the recommended setting", _here(one.shape)),
    ]
    note = (
        f"At the level point no small move changes the mean. {_A_DRAW} Bending is the change of the mean at one unit along the"
        " axis from the level point (factors coded −1 at the low and +1 at the high end of their range; on the scale of the"
        f" model), with its {numbers.level(level)} interval along the fitted axis. A saddle rises to both sides along one axis"
        " and falls along another."
    )
    return Table(title, columns, tuple(rows), "ll", note)


def path_table(one: Location) -> Table:
    """Return the settings with the best predicted mean at growing distance from the middle."""
    names = [place.factor for place in one.places]
    rows = tuple(
        (
            numbers.at_place(step.distance, -2),
            *(numbers.setting(_on_grid(place, step.settings[place.factor], 0.5)) for place in one.places),
            numbers.at_place(step.mean, numbers.place_of((one.mean_high - one.mean_low) / 2)),
        )
        for step in _told_apart(one)
    )
    title = f"The way to the {one.sense} mean of {words(one.response)}"
    units = {place.factor: f", {unit(place.unit)}" if place.unit else "" for place in one.places}
    shown = f", {_unit(one)}" if _unit(one) else ""
    columns = ("Distance", *(f"{words(name)}{units[name]}" for name in names), f"Predicted mean{shown}")
    note = (
        "The best setting at each distance from the middle of what was looked at, to where the path leaves it; distance 1 is half"
        " of a factor's range, on its scale. Predictions without their uncertainty: it grows towards the end."
    )
    return Table(title, columns, rows, "r" * len(columns), note)


def _told_apart(one: Location) -> list[PathStep]:
    """Return the steps of the path that differ once they are rounded to what can be set."""
    found: dict[tuple[float, ...], PathStep] = {}
    for step in one.path:
        found.setdefault(tuple(_on_grid(place, step.settings[place.factor], 0.5) for place in one.places), step)
    return list(found.values())


def skipped_table(found: Locations) -> Table:
    """Return the responses for which no place is given, and why."""
    rows = tuple((words(name), why) for name, why in found.skipped.items())
    return Table("Responses without a place of the best mean", ("Response", "Why"), rows, "ll")


def _unit(one: Location) -> str:
    """Return the unit of the response; nothing for a quantity without dimension."""
    return "" if one.unit == "1" else unit(one.unit)


def _point(one: Location, shape: Shape) -> str:
    if not math.isfinite(shape.mean):
        return "none: the surface rises along a ridge without end"
    if not all(math.isfinite(value) for value in shape.point.values()):
        return "outside of what was looked at, where no setting stands for it"
    if _is_far(one, shape):
        return "far outside of what was looked at, so no setting to print"
    units = {place.factor: place for place in one.places}
    parts = [
        f"{words(name)} {numbers.setting(_on_grid(units[name], value, 0.5))} {unit(units[name].unit)}".rstrip()
        for name, value in shape.point.items()
    ]
    beyond = "inside of what was looked at" if shape.inside else "outside of what was looked at, so no setting to print"
    return f"{', '.join(parts)}: {beyond}"


def _is_far(one: Location, shape: Shape) -> bool:
    """Whether the level point is so far out, half of a range beyond an end or more, that its figures would only mislead."""
    by_name = {place.factor: (place.from_, place.to) for place in one.places}
    ends = ((value, *by_name[name]) for name, value in shape.point.items() if math.isfinite(value))
    return any(abs(value - (low + high) / 2) >= high - low for value, low, high in ends)


def _use(one: Location, shape: Shape) -> str:
    """Return in plain words what the shape is good for, or that it is good for nothing."""
    kind, share = max(shape.shares.items(), key=lambda each: each[1])
    if share < _SURE:
        return (
            "nothing: these data leave open what kind of surface it is, so go by the table of the best mean above, and do not"
            " move a setting by this one"
        )
    if kind != ("maximum" if one.sense == "highest" else "minimum"):
        return (
            f"it has no {one.sense} point within itself but keeps improving towards an edge: the next round may go further that"
            " way, if the best setting above is at an end of a factor"
        )
    if not shape.inside:
        return (
            f"the {one.sense} point lies beyond what was looked at: within that, the best is at an edge (the table of the best"
            " mean above), and a next round may look further that way"
        )
    return (
        f"the mean is {one.sense} at the level point and gets worse to every side, the faster the larger the bending is: hold the"
        " factors with large bending closely, those with small bending may vary"
    )


def _kind(shape: Shape) -> str:
    parts = [f"a {name} in {_share(share)}" for name, share in shape.shares.items() if share >= _SEEN]
    return f"{', '.join(parts)} of draws; by the estimates a {shape.nature}"


def _bending(axis: Curvature) -> tuple[str, str]:
    along = " ".join(
        f"{'+' if weight > 0 else '−'} {abs(weight):.2f} {words(name)}"
        for name, weight in axis.direction.items() if abs(weight) >= _LEAST_WEIGHT
    ).removeprefix("+ ")  # fmt: skip
    place = numbers.place_of((axis.high - axis.low) / 2)
    said = "its sign is not known" if axis.sign == "not known" else axis.sign
    limits = numbers.interval(axis.low, axis.high, place)
    return f"bending along {along}", f"{numbers.at_place(axis.estimate, place)} ({limits}): {said}"


def _here(shape: Shape) -> str:
    if shape.p_value is None:
        return "not tested: there are too few drying loads to say whether the mean is level there"
    p = numbers.p_value(shape.p_value)
    if shape.may_be_level:
        return f"the mean may be level there: small moves need not change it (p {p})"
    return f"the mean is not level there: a small move would raise or lower it (p {p})"


def _interval(place: FactorPlace) -> str:
    low, high = _on_grid(place, place.low, 0.0), _on_grid(place, place.high, 1.0)
    low, high = max(low, place.from_), min(high, place.to)
    return f"only {numbers.setting(low)}" if low == high else f"{numbers.setting(low)} to {numbers.setting(high)}"


def _end(place: FactorPlace) -> str:
    """Return in how many draws the best lies at an end, in words; empty where hardly in any."""
    ends = (("lower", place.at_from), ("upper", place.at_to))
    parts = [f"at its {side} end in {_share(share)}" for side, share in ends if share >= _SEEN]
    text = " and ".join(parts)
    return text and (f"{text} draws" if text.endswith("all") else f"{text} of draws")


def _share(share: float) -> str:
    """Return a share of the draws in whole percent; none that is not all is shown as all."""
    return "all" if share == 1 else f"{min(round(100 * share), 99)} %"


def _on_grid(place: FactorPlace, value: float, up: float) -> float:
    """Round to the factor's increments: down (0), up (1) or to the nearest (0.5)."""
    steps = (value - place.from_) / place.increment
    slack = 1e-6 if up == 0 else -1e-6 if up == 1 else 0.0
    whole = math.ceil(steps + slack) if up == 1 else math.floor(steps + up + slack)
    return place.from_ + whole * place.increment
