"""Rows about the process window: how far each factor may go, or what stands in the way."""

from dataclasses import replace

from doe.recommend.results import predicted, predicted_bound
from doe.recommend.widest import BOUND, CONSTRAINT, END, NOT_TRIED, PRINTS
from doe.recommend.window import Reach, Window, is_narrow
from doe.report import numbers
from doe.report.tables import Table, unit, words

_ENDED_BY = {
    BOUND: "the bound is too low", CONSTRAINT: "a constraint", PRINTS: "no prints cover what is beyond",
    END: "the end of what was tried", NOT_TRIED: "not tried further",
}  # fmt: skip


def window_tables(found: Window) -> tuple[Table, ...]:
    """Return what is shown of the process window: the window, or what more loads would show, and the facts about it."""
    shown = (window_table(found), after_table(found), window_facts(found))
    return tuple(table for table in shown if table.rows)


def window_table(found: Window) -> Table:
    """Return one row a factor; no rows where there is no window."""
    rows = tuple(_row(one, found.narrowest) for one in found.reaches)
    columns = (
        "Factor", "Unit", "From", "To", "Recommended", "Half of the width, in setpoint errors",
        "Nearer end, in setpoint errors", "Remark",
    )  # fmt: skip
    return Table("Process window", columns, rows, "llrrrrrl", _note(found) if rows else "")


def with_window(setting: Table, found: Window | None) -> Table:
    """
    Return the table of a setting with the process window beside each value, or with a word that there is none.

    Parameters
    ----------
    setting : Table
        One row a factor, its name in the first column, the value in the third.
    found : Window or None
        None where the setting was not chosen by requirements: the table stays as it is.
    """
    if found is None:
        return setting
    if not found.reaches:
        return replace(setting, note=f"{setting.note} There is no process window; section 7 says why.".strip())
    within = {words(one.factor): _within(one) for one in found.reaches}
    rows = tuple((*row[:3], within.get(row[0], ""), *row[3:]) for row in setting.rows)
    columns = (*setting.columns[:3], "Process window", *setting.columns[3:])
    return replace(setting, columns=columns, rows=rows, align=f"{setting.align[:3]}r{setting.align[3:]}")


def _within(one: Reach) -> str:
    if one.low is None or one.high is None:
        return ", ".join(one.levels)
    low, high = numbers.setting(one.low), numbers.setting(one.high)
    return f"only {low}" if low == high else f"{low} to {high}"


def _row(one: Reach, narrowest: str) -> tuple[str, ...]:
    remark = _remark(one, narrowest)
    if one.low is None or one.high is None or isinstance(one.recommended, str):
        return words(one.factor), "", ", ".join(one.levels), "", str(one.recommended), "", "", remark
    return (
        words(one.factor), unit(one.unit), numbers.setting(one.low), numbers.setting(one.high),
        numbers.setting(one.recommended), _count(one.half_width, one), _count(one.nearer, one), remark,
    )  # fmt: skip


def _count(value: float | None, one: Reach) -> str:
    """Return a distance in setpoint errors; an asterisk marks one that is in increments, since no error is declared."""
    if value is None:
        return "none"
    return numbers.at_place(value, -1) + ("" if one.has_error else "*")


def _remark(one: Reach, narrowest: str) -> str:
    if len(set(one.tried)) == 1:
        return "only one value was tried"
    if not one.critical:
        return "not critical within what was tried"
    said = ["narrower than the setpoint error"] if is_narrow(one) else []
    said += ["narrowest"] if one.factor == narrowest else []
    if one.nearer is not None and one.nearer < 1 < (one.half_width or 0.0):
        said.append("its middle leaves more room than the recommended value")
    said += _ended(one.ends)
    return "; ".join(said) or "bound too low at the other levels"


def _ended(ends: tuple[str, str]) -> list[str]:
    """Return what ends the interval on each side, once where it is the same on both."""
    if ends[0] and ends[0] == ends[1]:
        return [f"both ends: {_ENDED_BY[ends[0]]}"]
    return [f"{side}: {_ENDED_BY[by]}" for side, by in zip(("low end", "high end"), ends, strict=True) if by]


def _note(found: Window) -> str:
    asked, level = numbers.level(found.required), numbers.level(found.level)
    parts = [
        f"In the window the bound of the conformance is at least {asked}. Each factor may be anywhere in its interval whatever"
        " the others do within theirs: the intervals hold together. The bound is that of each setting by itself, with"
        f" {level} confidence, not one for all settings at once; it is the posterior {numbers.plain(100 * found.quantile, 3)} %"
        " quantile, as at the recommended setting.",
        "Scatter of the actual value about its setpoint is in the bound already: what is counted here is room for a setpoint that"
        " is off by more than that.",
    ]
    if any(one.low is not None and not one.has_error for one in found.reaches):
        parts.append("* In increments: no setpoint error is declared for this factor.")
    if any(one.low is not None and one.nearer is None for one in found.reaches):
        parts.append("None: no end but those of what was tried.")
    if found.complete:
        all_of = "The only setting" if found.settings == 1 else f"All {found.settings} settings"
        parts.append(f"{all_of} of the increments in it {'was' if found.settings == 1 else 'were'} evaluated.")
    else:
        parts.append(
            f"Of the {found.settings} settings of the increments in it {found.checked} were evaluated, most of them"
            " with factors at the ends of their intervals, and all pass; the rest are taken to be as good."
        )
    return " ".join(parts)


def after_table(found: Window) -> Table:
    """Return the bound that is expected after more loads of the recommended setting; no rows where that is not asked."""
    rows = tuple(
        (str(one.loads), predicted_bound(one.bound), "yes" if one.bound >= found.required else "no") for one in found.after
    )
    columns = ("New loads, one print each", "Expected bound", f"Reaches {numbers.level(found.required)}")
    note = (
        "The middle of what may come out if the setting is as good as the posterior says: a rough guide. It was chosen for"
        " looking good, so a little less is likelier. Prints in the same load tell less."
    )
    return Table("What confirmation prints are expected to show", columns, rows, "rrl", note if rows else "")


def window_facts(found: Window) -> Table:
    """Return what part of the region passes, and why there is no window where there is none."""
    rows = []
    if found.reason:
        which = {"bound": "the bound", "estimate": "the estimate"}[found.reason]
        rows.append(("process window", f"none: at the recommended setting {which} is below {numbers.level(found.required)}"))
    looked = f" of {found.looked_at} settings looked at, evenly spread over what may be recommended"
    rows += [
        ("bound high enough", f"{numbers.percent(found.bound_share)}{looked}"),
        ("estimate high enough", f"{numbers.percent(found.estimate_share)} of them"),
    ]
    if found.reason:
        rows += [
            ("highest bound", predicted_bound(found.best_bound)),
            ("bound at the recommended setting", predicted_bound(found.lower)),
            ("highest estimate", predicted(found.best_estimate)),
            ("estimate at the recommended setting", predicted(found.estimate)),
        ]
    return Table("How much of the region passes", ("Fact", "Value"), tuple(rows), "ll")
