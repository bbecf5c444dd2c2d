"""Rows about the trial of a recommendation: what was predicted of its prints beside what they gave."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from doe.recommend.confirmation import (
    CONFIRMED,
    Catch,
    Confirmation,
    Counted,
    Forecast,
    Judgement,
    Outcome,
    Updated,
    restored,
)
from doe.recommend.desirable import Desirable
from doe.recommend.forecast import MOST_LOADS, SDS, needed_prints
from doe.recommend.results import Conformance, Promise, predicted, predicted_bound
from doe.report import numbers
from doe.report.desirable import desirable_table
from doe.report.recommended import share_facts, why_less
from doe.report.tables import Table, unit, words
from doe.study.names import listed

_SHOWN_LOADS = (3, 4, 6, 8, 10, 12)
_LARGEST = max(SDS)
"""Of the changes that are looked at, in standard deviations of a new print."""


def state_table(
    recommendation: int | None,
    judgement: Judgement | None,
    release: Mapping[str, Any] | str | None,
    *,
    ended: bool = False,
    caught: Sequence[str] = (),
    short: bool = False,
) -> Table:
    """
    Return both states of a study for page one: what data say of its recommendation, and whether a person released it.

    Parameters
    ----------
    recommendation : int or None
        Number of the latest one; None where there is none.
    judgement : Judgement or None
        Of the latest confirmation, where there is one.
    release : mapping, str or None
        As ``release.json`` holds it, where it still holds; of one that ended, by whom and when it was, when that ended and why.
    ended : bool
        Whether something that the judgement rests on changed since: it then no longer holds.
    caught : sequence of str
        From :func:`caught_changes`; what *confirmed* is worth hangs on it.
    short : bool
        Whether not even the estimate at the setting reaches what the study asks for.
    """
    what = "the best setting found, which does not meet the requirements" if short else "a hypothesis"
    if recommendation is None:
        data = "no recommendation"
    elif judgement is None:
        data = f"recommendation {recommendation} is {what}: no prints have tried it"
    elif ended:
        data = (
            f"recommendation {recommendation} is {what}: confirmation {judgement.confirmation} ({judgement.verdict}) no"
            " longer holds, since what it rests on changed"
        )
    else:
        data = f"recommendation {judgement.recommendation} is {judgement.verdict}: {words('; '.join(judgement.reasons))}"
    person = f"not released; {words(release)}" if isinstance(release, str) else "not released"
    if isinstance(release, Mapping):
        person = f"released by {release['by']} on {str(release['when'])[:10]}"
    unseen = "; a smaller one may have gone unseen"
    would = [("what it would have caught", f"{'; '.join(caught)}{unseen}")] if caught and not ended else []
    rows = [("by data", data), *would, ("by a person", person)]
    if isinstance(release, Mapping) and release.get("in_doubt"):
        rows.append(("released although", f"{words('; '.join(release['in_doubt']))}. Why: {release['reason']}"))
    if judgement is not None and judgement.override:
        rows.append(("overridden", judgement.override))
    return Table("State", ("State", "Found"), tuple(rows), "ll")


def renewed(judgement: Judgement) -> tuple[str, ...]:
    """Return what all prints, those of the confirmation among them, say of the share that meets every requirement."""
    share = None if judgement.updated is None else judgement.updated.conformance
    if share is None:
        return ()
    shown = "that share is shown if" if share["lower"] >= share["required"] else "that share is not shown even if"
    counting = _by_counting(judgement.outcomes, share["level"])
    why = f" ({why})" if (why := why_less(share["level"])) else ""
    return (
        "with the prints of the confirmation an estimated"
        f" {predicted(share['estimate'])} of prints that complete meet every measured requirement, with"
        f" {numbers.level(share['level'])} confidence at least {predicted_bound(share['lower'])}{why}: {shown}"
        f" prints scatter normally about the model{counting}{_not_in_it(judgement.counted)}",
    )


def _not_in_it(counted: Sequence[Counted]) -> str:
    """Return what the share leaves out with what was seen of it, to follow the share; empty where nothing is left out."""
    seen = [f"{words(one.what)} ({one.of - one.bad} of {one.of})" for one in counted if one.of]
    return f"; not in it: {listed(seen)}" if seen else ""


def _by_counting(outcomes: Sequence[Outcome], level: float) -> str:
    """Return what share prints that all met everything show by their number alone (Clopper and Pearson 1934)."""
    judged = [one for one in outcomes if one.judged and one.values]
    prints = min((one.prints for one in judged), default=0)
    if not prints or any(one.missed for one in judged):
        return ""
    bound = numbers.percent_bound((1 - level) ** (1 / prints))
    return f" (by counting alone, {prints} of {prints} prints show at least {bound})"


def power_sentences(confirmation: Confirmation) -> tuple[str, ...]:
    """Return, per judged response, what drop this confirmation would catch; then how many loads would do."""
    said = [_catches(one, confirmation.loads) for one in confirmation.forecasts if one.catches]
    return (*said, *_proposed(confirmation))


def caught_changes(confirmation: Confirmation, judgement: Judgement) -> tuple[str, ...]:
    """Return, per judged response, what the prints that gave a value would have caught; nothing where it is not confirmed."""
    if judgement.verdict != CONFIRMED:
        return ()
    prints = {one.response: one.prints for one in judgement.outcomes if one.judged}
    return tuple(
        f"in {words(one.response)} {_caught(one, each)}"
        for one in confirmation.forecasts for each in one.catches
        if each.sds == _LARGEST and each.loads == prints.get(one.response)
    )  # fmt: skip


def _proposed(confirmation: Confirmation) -> Iterator[str]:
    """Yield at most one sentence: how many loads would do."""
    needed, proposed = needed_prints(confirmation.forecasts), confirmation.proposed
    change = "a change for the worse of three standard deviations of a new print in four of five cases"
    completes = f"as few as {numbers.percent_bound(confirmation.completion_lower)} of prints may complete at this setting"
    if needed is None:
        yield f"No number of loads up to 12 catches {change}."
    elif proposed is None:
        yield f"It takes {needed} completed prints to catch {change}; {completes}, so that even {MOST_LOADS} loads may not do."
    elif proposed > needed:
        yield (
            f"{proposed} single-print loads are proposed: it takes {needed} completed prints to catch {change}, and {completes}"
            " (lower bound)."
        )
    elif proposed != confirmation.loads:
        yield f"{proposed} single-print loads are the fewest that catch {change}."


def _catches(one: Forecast, loads: int) -> str:
    parts = [_caught(one, each) for each in one.catches if each.loads == loads]
    return f"{words(one.response)}: this confirmation would catch {' and '.join(parts)}."


def _caught(one: Forecast, each: Catch) -> str:
    """Return one change for the worse with the chance to catch it."""
    change = {"low": "drop", "high": "rise", "both": "change"}[one.bad_side]
    size = f"a {change} of {numbers.plain(each.drop, 2)} {unit(one.unit)}".rstrip()
    return f"{size} ({each.sds:g} standard deviations of a new print) with {numbers.whole_percent(each.chance)}"


def forecast_tables(confirmation: Confirmation) -> tuple[Table, ...]:
    """Return what is frozen before the prints: the intervals, and the chance to catch a drop by number of loads."""
    return tuple(table for table in (_forecasts(confirmation), catch_table(confirmation)) if table.rows)


def _forecasts(confirmation: Confirmation) -> Table:
    rows = []
    for one in confirmation.forecasts:
        whole = one.means[-1]
        place = numbers.place_of((whole.high - whole.low) / 2)
        low, high = min(each.low for each in one.singles), max(each.high for each in one.singles)
        rows.append(
            (
                _named(one.response, one.unit),
                numbers.at_place(one.estimate, place),
                numbers.interval(whole.low, whole.high, place),
                numbers.interval(low, high, place),
                one.requirement,
            )
        )
    of_mean = f"Interval of the mean of {len(confirmation.prints)} prints"
    asked = "Aim" if confirmation.aims else "Requirement"
    columns = ("Response", "Predicted mean", of_mean, "Interval of each print", asked)
    note = f"{confirmation.rule} Where printers differ, each print is judged by its own printer's interval."
    return Table(
        "What the confirmation prints are predicted to be", columns, tuple(rows), "lrrrl", note if rows else ""
    )


def catch_table(confirmation: Confirmation) -> Table:
    """Return the chance to catch a drop, by number of single-print loads."""
    shown = sorted({*_SHOWN_LOADS, confirmation.loads})
    rows = []
    for one in (each for each in confirmation.forecasts if each.catches):
        for sds in dict.fromkeys(each.sds for each in one.catches):
            found = {each.loads: each for each in one.catches if each.sds == sds}
            change = numbers.plain(next(iter(found.values())).drop, 2)
            chances = (numbers.whole_percent(found[number].chance) for number in shown)
            rows.append((_named(one.response, one.unit), f"{change} ({sds:g} sd)", *chances))
    columns = ("Response", "Change to the worse", *(f"{n} loads" for n in shown))
    note = (
        "Chance that the mean of the prints then lies outside its interval, where all of them complete, by the variances that"
        " the fit estimates. sd: the standard deviation of a new print on a new load, all components."
    )
    return Table("What a confirmation would catch", columns, tuple(rows), "lr" + "r" * len(shown), note if rows else "")


def judgement_tables(judgement: Judgement) -> tuple[Table, ...]:
    """Return everything that is shown of a judgement; tables without rows are left out."""
    shown = (mean_table(judgement), print_table(judgement), counted_table(judgement), left_out_table(judgement))
    after = () if judgement.updated is None else updated_tables(judgement.updated)
    return tuple(table for table in (*shown, *after) if table.rows)


def mean_table(judgement: Judgement) -> Table:
    """Return, per response, the mean of the prints beside its prediction interval."""
    rows = []
    for one in judgement.outcomes:
        place = None if one.low is None or one.high is None else numbers.place_of((one.high - one.low) / 2)
        found = one.place if one.judged else f"{one.place}, not judged"
        rows.append(
            (
                _named(one.response, one.unit),
                str(one.prints),
                numbers.at_place(one.estimate, place),
                numbers.interval(one.low, one.high, place),
                numbers.at_place(one.mean, place),
                found,
                *(() if judgement.aims else (_met(one),)),
            )
        )
    columns = (
        "Response",
        "Prints",
        "Predicted",
        "Prediction interval of their mean",
        "Observed mean",
        "Found",
        *(() if judgement.aims else ("Values that meet it",)),
    )
    note = "The intervals come from the fit as it was before these prints, and allow for the choice of the setting."
    title = f"Confirmation {judgement.confirmation}: {judgement.verdict}"
    return Table(title, columns, tuple(rows), "lrrrrlr"[: len(columns)], note)


def _met(one: Outcome) -> str:
    return f"{one.values - one.missed} of {one.values}" if one.judged and one.values else numbers.MISSING


def print_table(judgement: Judgement) -> Table:
    """Return every print beside its interval."""
    rows = [row for one in judgement.outcomes for row in _single_rows(one)]
    columns = ("Response", "Print", "Load", "Printer", "Mean of its coupons", "Its interval", "Found")
    note = "These intervals hold for all prints of a response at once."
    return Table("Confirmation, print by print", columns, tuple(rows), "llllrrl", note if rows else "")


def _single_rows(one: Outcome) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for each in one.singles:
        place = numbers.place_of((each.high - each.low) / 2)
        limits = numbers.interval(each.low, each.high, place)
        value = numbers.at_place(each.value, place)
        rows.append((_named(one.response, one.unit), each.print, each.load, each.printer, value, limits, each.place))
    return rows


def counted_table(judgement: Judgement) -> Table:
    """Return how many prints completed and met their grades."""
    rows = tuple(
        (
            "completes" if one.what == "completion" else f"{words(one.what)}: {one.requirement}",
            f"{one.of - one.bad} of {one.of}",
            "more failures than the earlier prints let expect"
            if one.surprising
            else "some failed"
            if one.bad
            else "all do",
        )
        for one in judgement.counted
        if one.of
    )
    return Table("Confirmation prints, counted", ("What", "Prints", "Found"), rows, "lrl")


def left_out_table(judgement: Judgement) -> Table:
    """Return the prints that do not count in the means, each with the reason."""
    return Table("Confirmation prints without a part in the means", ("Print", "Reason"), judgement.without, "ll")


def updated_tables(found: Updated) -> tuple[Table, ...]:
    """Return what all prints together say of the setting: the share of prints or the desirability, then each response."""
    promises = [restored(Promise, one) for one in found.responses]
    whole = []
    if found.conformance is not None:
        stated = restored(Conformance, found.conformance)
        note = f"{_TOGETHER} {_BOUND.format(why=why)}" if (why := why_less(stated.level)) else _TOGETHER
        title = "Conformance of the setting, all prints together"
        whole.append(Table(title, ("Fact", "Value"), tuple(share_facts(stated)), "ll", note))
    if found.desirable is not None:
        made = desirable_table(restored(Desirable, found.desirable))
        whole.append(replace(made, title="Desirability of the setting, all prints together", note=_TOGETHER))
    return (*whole, _again_table(promises), _tolerance_table(promises))


_BOUND = "The bound: {why}."
_TOGETHER = "From the fit of all prints, those of confirmations among them; else as in the recommendation."


def _again_table(promises: Sequence[Promise]) -> Table:
    """Return the intervals of each response from all prints."""
    rows = []
    for one in promises:
        place = _place(one)
        limits = (numbers.interval(*one.mean_interval, place), numbers.interval(*one.prediction_interval, place))
        rows.append((_named(one.response, one.unit), numbers.at_place(one.mean, place), *limits))
    columns = ("Response", "Mean", "Confidence interval of the mean", "Prediction interval, new print on a new load")
    return Table("The setting, all prints together", columns, tuple(rows), "lrrr")


def _tolerance_table(promises: Sequence[Promise]) -> Table:
    """Return the limits that a share of future values keeps, from all prints; empty in a study with aims."""
    rows = []
    for one in promises:
        if one.tolerance is not None:
            found, place = one.tolerance, _place(one)
            limits = ("" if each is None else numbers.at_place(each, place) for each in (found.lower, found.upper))
            share = f"{numbers.level(found.share)} of {found.of}s"
            rows.append((_named(one.response, one.unit), share, *limits, numbers.level(found.level), one.requirement))
    columns = ("Response", "Share of future values", "Lies above", "Lies below", "Confidence", "Requirement")
    return Table("What a share of future values will keep, all prints together", columns, tuple(rows), "llrrrl")


def _place(one: Promise) -> int | None:
    low, high = one.mean_interval
    return numbers.place_of((high - low) / 2)


def _named(response: str, written: str) -> str:
    return words(response) + (f", {unit(written)}" if written else "")
