"""Rows about the recommendation: the setting with its cards, then what it promises."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from doe.design.calibration_findings import UNREAD
from doe.recommend import next_step
from doe.recommend.beside import COMPLETION
from doe.recommend.printers import FleetSettings
from doe.recommend.results import (
    MEASURED_LEVEL,
    Beside,
    Conformance,
    Recommendation,
    Setting,
    Tolerance,
    predicted,
    predicted_bound,
)
from doe.report import numbers
from doe.report.choice import alternatives_rows
from doe.report.desirable import desirable_answer, desirable_table
from doe.report.location import location_tables
from doe.report.printers import card_tables, fleet_table
from doe.report.tables import Table, unit, words
from doe.report.window import window_tables
from doe.study.names import listed
from doe.study.z_direction import said_of_card

MOST_PRINTERS_ACROSS = 5
BEST_FOUND = "Best setting found, which does not meet the requirements"


def recommendation_tables(found: Recommendation, confidence: float) -> tuple[Table, ...]:
    """Return everything that is shown of a recommendation, in its order; tables without rows are left out."""
    shown = [
        setting_table(found), *_cards(found), fleet_rows(found), promise_table(found, confidence),
        tolerance_table(found), printer_promise_table(found, confidence), conformance_rows(found),
        beside_table(found, confidence),
    ]
    shown += [] if found.window is None else window_tables(found.window)
    shown += [] if found.desirable is None else [desirable_table(found.desirable)]
    shown += [] if found.alternatives is None else [alternatives_rows(found.alternatives)]
    shown += [] if found.locations is None else location_tables(found.locations)
    return tuple(table for table in shown if table.rows)


def _cards(found: Recommendation) -> tuple[Table, ...]:
    """Return one setpoint card a printer, named for what it is where the setting does not do."""
    cards = card_tables(found.printers, found.settings)
    if not falls_short(found):
        return cards
    return tuple(replace(card, title=f"{card.title}: best setting found, does not meet the requirements") for card in cards)


def falls_short(recommendation: Recommendation) -> bool:
    """Whether not even the estimate at the setting reaches what the study asks for: then it is no setting to work with."""
    share = recommendation.conformance
    return share is not None and share.estimate < share.required


def setting_table(recommendation: Recommendation) -> Table:
    """Return the recommended setting, or the best one found that does not do; with up to five printers what to set on each."""
    few = len(recommendation.printers) <= MOST_PRINTERS_ACROSS
    across: tuple[Mapping[str, Any], ...] = recommendation.printers if few else ()
    rows = []
    for one in recommendation.settings:
        setpoints = (_setpoint(row, one.factor) for row in across)
        rows.append((words(one.factor), unit(one.unit), _value(one.value), _range(one), *setpoints))
    printers = (f"Set on {row['printer']}" for row in across)
    columns = ("Factor", "Unit", "Setting (actual)", "Near-optimal, the others held", *printers)
    starred = [row[0] for row in rows if any(cell.endswith("*") for cell in row[4:])]
    signs = (f"Printer {row['printer']}: {said_of_card(row['turned'])}" for row in across if row.get("turned"))
    note = " ".join([*(_unchecked(recommendation, starred) if starred else []), *signs])
    title = BEST_FOUND if falls_short(recommendation) else "Recommended setting"
    return Table(title, columns, tuple(rows), "llrr" + "r" * len(across), note)


_HARDLY_ANY = 0.005
_UNCHECKED = "* No reference probe has checked this factor on this printer: the setpoint is the setting itself."


def _unchecked(recommendation: Recommendation, starred: Sequence[str]) -> list[str]:
    """Return what the star says of each factor that has one, and that no verdict asks for readings of some of them."""
    asked = [one.about for one in recommendation.verdicts if one.name == UNREAD]
    named = {words(name) for about in asked for name in about.split(", ")}
    rest = [name for name in starred if name not in named]
    if not rest:
        return [_UNCHECKED]
    return [_UNCHECKED, f"No verdict asks for readings of {listed(rest)}."]


def _setpoint(row: Mapping[str, Any], factor: str) -> str:
    value, known = row["setpoints"].get(factor), {*row["checked"], *row.get("of_load", ())}
    mark = "" if isinstance(value, str) or value is None or factor in known else "*"
    return _value(value) + mark


def _range(setting: Setting) -> str:
    if isinstance(setting.value, str):
        return ", ".join(str(level) for level in setting.interval)
    low, high = setting.interval
    return f"only {_value(low)}" if low == high else f"{_value(low)} to {_value(high)}"


def _value(value: Any) -> str:  # noqa: ANN401 - number or level
    return value if isinstance(value, str) else numbers.setting(value)


def promise_table(recommendation: Recommendation, confidence: float) -> Table:
    """
    Return what each measured response is predicted to be at the setting.

    Parameters
    ----------
    recommendation : Recommendation
        Its responses are shown in their own order.
    confidence : float
        The study's level, which both intervals have.
    """
    rows, by_aims = [], recommendation.desirable is not None
    for one in recommendation.responses:
        place = numbers.place_of((one.mean_interval[1] - one.mean_interval[0]) / 2)
        name = words(one.response) + (f", {unit(one.unit)}" if one.unit else "")
        limits = (numbers.interval(*one.mean_interval, place), numbers.interval(*one.prediction_interval, place))
        rows.append((name, numbers.at_place(one.mean, place), *limits, one.requirement, *([] if by_aims else [one.meets])))
    level = numbers.level(confidence)
    columns = (
        "Response", "Predicted mean", f"{level} confidence interval of the mean",
        f"{level} prediction interval, new print on a new load", *(["Aim"] if by_aims else ["Requirement", "Mean meets it"]),
    )
    note = (
        "Each interval holds for one response, not for all at once. That of the mean is wider than for a setting named"
        " beforehand, since this one was chosen by its predictions."
    )
    if any(one.by_printer for one in recommendation.responses):
        note += " They hold for the average of the printers; a print of one printer has its own prediction below."
    if any(one.meets == "not shown" for one in recommendation.responses):
        note += " Not shown: the interval of the mean lies on both sides of the limit."
    return Table("Predictions at the setting", columns, tuple(rows), "lrrrll"[: len(columns)], note if rows else "")


def printer_promise_table(recommendation: Recommendation, confidence: float) -> Table:
    """Return the predicted means printer by printer; empty where there is one printer or none."""
    rows = []
    for one in recommendation.responses:
        for row in one.by_printer:
            low, high = (float(limit) for limit in row["mean_interval"])  # type: ignore[attr-defined]
            place = numbers.place_of((high - low) / 2)
            mean = numbers.at_place(float(row["mean"]), place)  # type: ignore[arg-type]
            head = (words(one.response), unit(one.unit), str(row["printer"]))
            least, most = (float(limit) for limit in row["prediction_interval"])  # type: ignore[attr-defined]
            rows.append((*head, mean, numbers.interval(low, high, place), numbers.interval(least, most, place)))
    level = numbers.level(confidence)
    headings = f"{level} confidence interval of the mean", f"{level} prediction interval, new print on a new load"
    columns = ("Response", "Unit", "Printer", "Predicted mean", *headings)
    return Table("Predictions per printer", columns, tuple(rows), "lllrrr")


def conformance_rows(recommendation: Recommendation) -> Table:
    """Return the share of future prints that meet the requirements, with what it stands for."""
    rows: list[tuple[str, str]] = []
    share = recommendation.conformance
    if share is not None:
        rows = share_facts(share, _together(share))
    if recommendation.not_modelled and share is not None:
        rows.append(("not part of it", ", ".join(words(name) for name in recommendation.not_modelled)))
    return Table("Conformance", ("Fact", "Value"), tuple(rows), "ll", "" if share is None else share.method)


def share_facts(share: Conformance, together: Sequence[tuple[str, str]] = ()) -> list[tuple[str, str]]:
    """Return the share with its bound, then that of each response, of responses that go together, and of each printer."""
    alone = share.by_response if len(share.by_response) > 1 else {}
    return [
        ("estimate", predicted(share.estimate)),
        (f"lower bound, one-sided {numbers.level(share.level)}", predicted_bound(share.lower)),
        ("required", numbers.level(share.required)),
        *((f"{words(name)} alone", predicted(value)) for name, value in alone.items()),
        *together,
        *((f"on printer {name}, set on its own", predicted(value)) for name, value in share.by_printer.items()),
    ]


def _together(share: Conformance) -> list[tuple[str, str]]:
    """Return what the correlation of the responses of one print does to the estimate."""
    if share.correlated is None:
        return []
    shown = {words(names).replace(", ", " with "): numbers.at_place(value, -2) for names, value in share.correlations.items()}
    pairs = ", ".join(f"{names} {value}" for names, value in shown.items())
    said = f"{predicted(share.correlated)}; correlation of future values, roughly: {pairs}"
    return [("estimate if responses go together as in these prints", said)]


def tolerance_table(recommendation: Recommendation) -> Table:
    """Return the limits that a share of future values keeps, response by response."""
    rows = []
    for one in recommendation.responses:
        if one.tolerance is not None:
            half = (one.mean_interval[1] - one.mean_interval[0]) / 2
            rows.append((words(one.response), unit(one.unit), *_kept(one.tolerance, numbers.place_of(half)), one.requirement))
    columns = ("Response", "Unit", "Share of future values", "Lies above", "Lies below", "Confidence", "Requirement")
    note = (
        "With the confidence stated, at least this share of future coupons (or print means, where the requirement is on these)"
        " lies above, or below: on new prints, new loads, the setpoint's scatter included."
    )
    return Table("What a share of future values will keep", columns, tuple(rows), "llrrrrl", note)


def _kept(found: Tolerance, place: int | None) -> tuple[str, ...]:
    limits = ("" if limit is None else numbers.at_place(limit, place) for limit in (found.lower, found.upper))
    return f"{numbers.level(found.share)} of {found.of}s", *limits, numbers.level(found.level)


def beside_table(recommendation: Recommendation, confidence: float) -> Table:
    """Return the chance that prints complete and that judged responses are met at the setting."""
    rows = tuple(
        (
            "completes" if one.what == COMPLETION else words(one.what), one.of, predicted(one.chance),
            f"{predicted_bound(one.low)} to {predicted(one.high)}",
            "" if one.lower is None else predicted_bound(one.lower),
        )
        for one in recommendation.beside
    )
    level = numbers.level(confidence)
    columns = ("What", "Chance that", "Estimate", f"{level} confidence interval", f"At least, one-sided {level}")
    by_aims = recommendation.desirable is not None
    note = (
        ("" if by_aims else "They stand beside the conformance and are not folded into it. ")
        + "The setting was not chosen by them. With few prints their intervals are wide: how often these held in simulated"
        " studies stands in 'doe help limits'."
    )
    title = "Completion and judged responses, at the setting" if by_aims else "Beside the conformance, at the setting"
    return Table(title, columns, rows, "llrrr", note)


def fleet_rows(recommendation: Recommendation) -> Table:
    """Return what one setpoint for all printers would do on each, and what setpoints of their own gain."""
    share = recommendation.conformance
    if recommendation.fleet is None:
        return Table("One setpoint for all printers", ("Printer",), (), "l")
    fleet = FleetSettings(**recommendation.fleet)
    common, own = (None, None) if share is None else (share.common_setpoint or None, share.by_printer or None)
    return fleet_table(fleet, recommendation.settings, common, own)


def why_less(level: float) -> str:
    """Say why a bound has a lower level than most; empty where it has that of most."""
    if level >= MEASURED_LEVEL:
        return ""
    return f"{numbers.level(level)}, since one response decides: so often the bound holds then"


def _shown(recommendation: Recommendation, share: Conformance) -> str:
    """Say what shows that the share is reached, where the bound says so, and of which requirements that is not shown."""
    if any(one.name in next_step.DOUBTS for one in recommendation.verdicts):
        return "These data would show it, but they rest on values in doubt: nothing is shown before that is settled."
    where = "for the printers, lots and ovens of this study"
    reach, short = (_named_beside(recommendation, share, reaching) for reaching in (True, False))
    known = {one.what for one in recommendation.beside}
    counted = [words(name) for name in recommendation.not_modelled if name not in known]
    if not reach + short + counted:
        return f"These data show it, {where}."
    said = f"These data show it for {listed([words(name) for name in share.by_response])}"
    said += f", and singly for {listed(reach)}" if reach else ""
    said += f", {where}"
    if short:
        said += f"; not for {listed(short)} (lower limit{'s' if len(short) > 1 else ''} below {numbers.level(share.required)})"
    return said + (f"; {listed(counted)}: only counted, nothing is shown." if counted else ".")


def _named_beside(recommendation: Recommendation, share: Conformance, reaching: bool) -> list[str]:
    """Return what stands beside the share and is shown to reach what is required of it by its lower limit, or is not."""
    return [
        words(one.what)
        for one in recommendation.beside
        if ((one.low if one.lower is None else one.lower) >= share.required) == reaching
    ]


def answer(recommendation: Recommendation, confidence: float) -> str:
    """
    Return what may be expected of the setting, in plain words, and in the same sentence what that does not count.

    Parameters
    ----------
    recommendation : Recommendation
    confidence : float
        The study's level, of the chances that are not counted.
    """
    share, aside = recommendation.conformance, _not_counted(recommendation, numbers.level(confidence))
    if recommendation.desirable is not None:
        return desirable_answer(recommendation.desirable)
    if share is None:
        return "No measured response has a requirement, so no share of conforming prints is stated."
    if share.lower >= share.required:
        judged = _shown(recommendation, share)
    elif share.estimate >= share.required:
        judged = "The estimate reaches it, the bound does not: it is not shown by these data."
    else:
        judged = "The estimate itself stays below it: the setting does not do."
    if share.estimate < _HARDLY_ANY:
        return (
            f"Hardly any future print would meet every measured requirement (an estimated {predicted(share.estimate)}"
            f"{aside}), and the study asks for {numbers.level(share.required)}. {judged}"
        )
    bound = f"with {numbers.level(share.level)} confidence at least {predicted_bound(share.lower)} do"
    bound += f" ({why})" if (why := why_less(share.level)) else ""
    return (
        f"Of future prints on new drying loads that complete, an estimated {predicted(share.estimate)} meet every"
        f" measured requirement; {bound}{aside}. The study asks for {numbers.level(share.required)}. {judged}"
    )


def _not_counted(recommendation: Recommendation, level: str) -> str:
    """Return, to follow the share, whether prints complete and meet judged responses; empty where it counts everything."""
    said = [_chance(one, level) for one in recommendation.beside]
    known = {one.what for one in recommendation.beside}
    said += [f"meets {words(name)} (counted, not modelled)" for name in recommendation.not_modelled if name not in known]
    return f", not counting whether a print {', or '.join(said)}" if said else ""


def _chance(one: Beside, level: str) -> str:
    """Return in words the chance that a print completes, or that one which does meets a judged response's requirement."""
    of = "completes" if one.what == COMPLETION else f"meets {words(one.what)}"
    if one.lower is None:
        sure = f"{level} interval {predicted_bound(one.low)} to {predicted(one.high)}"
    else:
        sure = f"with {level} confidence at least {predicted_bound(one.lower)}"
    return f"{of} (an estimated {predicted(one.chance)}, {sure})"
