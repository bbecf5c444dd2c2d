"""Tables of what a plan will show: the smallest effects, what it costs, several plans side by side."""

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from doe.design import effort, power, timetable
from doe.design.compare import Compared
from doe.design.plan import Design
from doe.design.power import Detectable
from doe.design.quality import RATIOS
from doe.report import numbers
from doe.report.tables import Table, words
from doe.report.timetable import effort_table, timetable_table
from doe.study.spec import Study
from doe.verdicts import Verdict, ordered


@dataclass(frozen=True)
class Outlook:
    """What a plan will show and take: as data, as tables, and what does not work out."""

    data: dict[str, Any]
    tables: tuple[Table, ...]
    verdicts: tuple[Verdict, ...]
    cost: effort.Effort
    found: tuple[Detectable, ...]
    """The smallest effect of each factor that would be found."""


def outlook(study: Study, design: Design) -> Outlook:
    """Return what the latest round of a plan takes, and what all rounds together will show."""
    runs = design.of_round(design.rounds[-1])
    cost, calendar = effort.effort(study, runs), timetable.timetable(study, runs)
    found = power.detectable(study, design.runs)
    data = {
        "detectable": [asdict(one) for one in found],
        "effort": {"planned": asdict(cost), "with_contingency": asdict(cost.with_contingency)},
        "days": calendar.days,
        "timetable": [asdict(step) for step in calendar.steps],
        "cautions": list(calendar.cautions),
    }
    shown = (detectable_table(study, found), effort_table(cost, calendar), timetable_table(calendar))
    return Outlook(data, tuple(table for table in shown if table.rows), calendar.verdicts, cost, found)


def quality_rows(facts: dict[str, Any]) -> list[tuple[str, str]]:
    """Return how precisely a plan predicts, as facts for the plan's table."""
    judged = facts.get("quality")
    if not judged:
        return []
    at, averages = (_at_ratios(judged[key]) for key in ("d_efficiencies", "average_variances"))
    return [
        ("variance of a predicted mean, average over the region", averages),
        ("its greatest value in the region", f"{numbers.plain(judged['worst_variance'], 2)} at 1"),
        ("D-efficiency, % of an orthogonal two-level plan", at),
    ]


def _at_ratios(values: Sequence[float]) -> str:
    shown = (f"{numbers.plain(value, 2)} at {numbers.exact(ratio)}" for value, ratio in zip(values, RATIOS, strict=True))
    return "; ".join(shown)


def detectable_table(study: Study, found: Sequence[Detectable]) -> Table:
    """Return the smallest effect of each factor that the plan would find."""
    rows = tuple(
        (words(one.factor), _judged_against(study, one.factor), _effect(one), _freedom(one), _basis(one)) for one in found
    )
    columns = ("Factor", "Judged against", "Effect", "Degrees of freedom", "Computed by")
    return Table("Smallest effects that this plan will find", columns, rows, "llrrl", _EFFECT_NOTE)


_EFFECT_NOTE = (
    "Change of the mean from a factor's low to its high (of a factor with levels: the largest difference) that is found with "
    f"{numbers.level(power.Assumptions().power)} probability, in standard deviations of a print's mean between prints "
    "of one load; load variance taken as equal to it."
)


def _judged_against(study: Study, name: str) -> str:
    return "loads" if name in {factor.name for factor in study.load_factors} else "prints"


def _effect(one: Detectable) -> str:
    return "none" if one.effect is None else numbers.plain(one.effect, 2)


def _freedom(one: Detectable) -> str:
    return "" if one.dof is None else numbers.dof(one.dof)


def _basis(one: Detectable) -> str:
    return one.obstacle or one.governs


def shown_sentence(study: Study, one: Compared) -> str:
    """Say in a sentence what a plan will show and what stays hidden."""
    if one.design is None:
        return f"{one.candidate.label}: not possible; {one.refused}."
    parts = []
    for stratum, what in (("prints", "factors that change from print to print"), ("loads", "what is fixed in a load")):
        found = [effect for effect in one.detectable if _judged_against(study, effect.factor) == stratum]
        sizes = [effect.effect for effect in found if effect.effect is not None]
        if len(sizes) < len(found):
            parts.append(f"nothing sure of some {what}" if sizes else f"nothing of {what}")
        elif sizes:
            parts.append(f"changes of {numbers.plain(max(sizes), 2)} or more by {what}")
    return (
        f"{one.candidate.label}: will show {' and '.join(parts)}, in standard deviations from print to print; smaller ones stay "
        "hidden in one study out of five or more."
    )


def comparison_tables(study: Study, found: Sequence[Compared], *, commands: bool = True) -> tuple[Table, ...]:
    """Return candidate plans side by side: what they take, how precisely they tell, what they cannot tell apart."""
    columns = ("", *(one.candidate.label for one in found))
    align = "l" + "r" * len(found)
    rows = [(name, *(_cell(one, value) for one in found)) for name, value in _FIGURES.items()]
    effects = [
        (f"{words(factor.name)} ({_judged_against(study, factor.name)})", *(_cell(one, _effect_of(factor.name)) for one in found))
        for factor in study.factors
    ]
    typed = tuple((one.candidate.label, one.candidate.command) for one in found if commands and one.design is not None)
    note = "Variances relative to the variance from print to print, load variance taken as equal to it where not said otherwise."
    tables = (
        Table("Plans side by side", columns, tuple(row for row in rows if any(row[1:])), align, note),
        Table("Smallest effects that would be found", columns, tuple(effects), align, _EFFECT_NOTE),
        _cannot_table(found),
        Table("Commands", ("Plan", "Command"), typed, "ll"),
    )
    return tuple(table for table in tables if table.rows)


def _cell(one: Compared, value: Callable[[Compared], str]) -> str:
    return "not possible" if one.design is None else value(one)


def _effect_of(name: str) -> Callable[[Compared], str]:
    def shown(one: Compared) -> str:
        return next((_effect(effect) for effect in one.detectable if effect.factor == name), "")

    return shown


def _strata(key: str) -> Callable[[Compared], str]:
    return lambda one: str(one.design.facts["strata"][key]) if one.design else ""


def _quality(pick: Callable[[dict[str, Any]], float]) -> Callable[[Compared], str]:
    def shown(one: Compared) -> str:
        judged = one.design.facts.get("quality") if one.design else None
        return "" if judged is None else numbers.plain(pick(judged), 2)

    return shown


def _effort(pick: Callable[[effort.Effort], float], place: int = 0) -> Callable[[Compared], str]:
    return lambda one: "" if one.effort is None else numbers.at_place(pick(one.effort), place)


_FIGURES: dict[str, Callable[[Compared], str]] = {
    "prints": _strata("prints"),
    "drying loads": _strata("loads"),
    "working days": lambda one: str(one.days),
    "printer hours": _effort(lambda one: sum(one.printer_hours.values())),
    "oven hours": _effort(lambda one: one.oven_hours),
    "testing hours": _effort(lambda one: one.test_hours),
    "filament, g": _effort(lambda one: one.grams),
    "error degrees of freedom between loads": _strata("load_dof"),
    "error degrees of freedom between prints": _strata("print_dof"),
    "of these pure error": _strata("pure_error_dof"),
    "variance of a predicted mean, average": _quality(lambda judged: judged["average_variances"][1]),
    "variance of a predicted mean, greatest": _quality(lambda judged: judged["worst_variance"]),
    **{
        f"D-efficiency, %, load variance {numbers.exact(ratio)} times": _quality(lambda judged, i=i: judged["d_efficiencies"][i])  # type: ignore[misc]
        for i, ratio in enumerate(RATIOS)
    },
}


def _cannot_table(found: Sequence[Compared]) -> Table:
    rows = []
    for one in found:
        label = one.candidate.label
        if one.design is None:
            rows.append((label, "not possible", one.refused or ""))
            continue
        rows += [(label, "one comparison for", words(chain)) for chain in one.design.facts.get("aliases", ())]
        rows += [(label, "partly biased", sentence) for sentence in _biases(one.design.facts)]
        rows += [(label, verdict.name, verdict.cause) for verdict in ordered(one.design.verdicts)]
    return Table("What each cannot do", ("Plan", "What", "Detail"), tuple(rows), "lll")


def _biases(facts: dict[str, Any]) -> list[str]:
    """Say which coefficients take up part of a term outside the model, the largest share first, five at most."""
    shares = sorted((facts.get("quality") or {}).get("biases", ()), key=lambda one: -abs(one[2]))
    said = [f"{words(name)} by {numbers.plain(abs(share), 2)} of {words(other)}" for name, other, share in shares]
    return said[:_MOST] + ([f"and {len(said) - _MOST} more"] if len(said) > _MOST else [])


_MOST = 5


def with_quality(table: Table, facts: dict[str, Any]) -> Table:
    """Return the plan's table of facts with the rows on its precision."""
    return replace(table, rows=(*table.rows, *quality_rows(facts)))
