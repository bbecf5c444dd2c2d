"""Rows about a setting that was chosen by aims: how desirable it is, response by response, then over all."""

from doe.recommend.desirable import Desirable, Wish
from doe.report import numbers
from doe.report.tables import Table, unit, words


def desirable_table(found: Desirable) -> Table:
    """Return how desirable the recommended setting is."""
    weighed = len({one.priority for one in found.wishes}) > 1
    rows = [
        (
            words(one.response), one.aim, *([numbers.setting(one.priority)] if weighed else []), _mean(one),
            _share(one.desirability), _between(one.low, one.high),
        )
        for one in found.wishes
    ]  # fmt: skip
    rows.append(("overall", "", *([""] if weighed else []), "", _share(found.overall), _between(found.low, found.high)))
    columns = (
        "Response", "Aim", *(["Priority"] if weighed else []), "Predicted mean", "Desirability",
        f"{numbers.level(found.level)} interval, choice not allowed for",
    )  # fmt: skip
    return Table("Desirability at the setting", columns, tuple(rows), "ll" + "r" * (len(columns) - 2), found.method)


def desirable_answer(found: Desirable) -> str:
    """Return what may be expected of the setting, in plain words."""
    if found.overall == 0:
        worst = ", ".join(words(one.response) for one in found.wishes if one.desirability == 0)
        return f"No setting is worth anything by the aims of this study: at the best one found {worst} stays worthless."
    least = min(found.wishes, key=lambda one: one.desirability)
    return (
        f"By the aims of this study the predicted means are worth {_share(found.overall)} on a scale from 0 (worthless) to 1"
        f" (perfect), {numbers.level(found.level)} interval {_between(found.low, found.high)}; least desirable is"
        f" {words(least.response)} with {_share(least.desirability)}. The setting was chosen because this is highest there, which"
        " flatters it. An aim sets no limit that a single print must keep, so nothing is said of how many prints will be good"
        " enough."
    )


def _mean(one: Wish) -> str:
    return f"{numbers.plain(one.mean, 3)} {'' if one.unit == '1' else unit(one.unit)}".rstrip()


def _between(low: float, high: float) -> str:
    return f"{_share(low)} to {_share(high)}"


def _share(value: float) -> str:
    """Return a desirability: two decimals; what is not 0 or 1 is not shown as such."""
    if value in (0.0, 1.0):
        return f"{value:.0f}"
    return f"{min(max(value, 0.01), 0.99):.2f}"
