"""What was diagnosed of one measured response, as plain values, with the verdicts that it asks for."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from doe.numerics.scatter import Powers
from doe.verdicts import Verdict

ALARM = 0.02
"""A check below this chance is worth a verdict: with ten checks, 0.05 each would alarm over a third of sound studies."""
DECIDES = 0.95
"""A print with at least this leverage decides its own prediction: of an error in its value the fit takes over 95 %."""
ALIKE = 10.0
"""Variance inflation from which two coefficients are hardly told apart: other columns explain 90 % of the column."""


@dataclass(frozen=True)
class PrintFit:
    """One print; response units (their logarithms with ``transform = "log"``)."""

    print: str
    measured: float
    """Mean of its values."""
    fitted: float
    """By the model of all prints, this one among them, for the average load."""
    residual: float
    """``measured`` less ``fitted``."""
    studentised: float | None
    """Error of predicting it from all others, its load's among them, over its standard error (externally studentised); not a
    multiple of ``residual``. None where that is not defined."""
    leverage: float
    """0 to 1."""


@dataclass(frozen=True)
class Check:
    """One check of the fit."""

    name: str
    statistic: float | None = None
    kind: str = ""
    """``t``, ``F``, or what else the statistic is."""
    dof: tuple[float, ...] = ()
    p: float | None = None
    """Corrected for the number of prints or loads among which the worst was looked for."""
    estimate: float | None = None
    """
    Response units, where the check estimates something. Of ``one print off`` the deletion residual: the print's mean less what
    all other prints, its own load's among them, predict for it; divided by its standard error it is ``statistic``.
    """
    about: tuple[str, ...] = ()
    """Prints, loads or printers that it points at, the worst first, whether or not ``p`` is small."""
    reason: str = ""
    """Why the check could not be made; empty where it was."""

    @property
    def alarms(self) -> bool:
        """Whether the check is worth a verdict."""
        return self.p is not None and self.p < ALARM


@dataclass(frozen=True)
class LoadFit:
    """What one load does to the fit."""

    load: str
    prints: int
    terms: tuple[str, ...]
    """Coefficients that cannot be estimated without it; the other figures are then None."""
    moved: str | None
    """The coefficient that moves most, in its standard errors, when the load is left out."""
    change: float | None
    """By how many of its standard errors (of the fit to all prints)."""
    centre: float | None
    """By how much the prediction at the centre moves, response units."""
    p: float | None
    """Chance that the load's prints differ among each other as much from what the others predict; of this load alone."""


@dataclass(frozen=True)
class Predicted:
    """1 - (sum of squared errors of predicting what was left out) / (sum of squares of print means about their mean)."""

    by_print: float | None
    """Each print predicted from all others, those of its load included."""
    by_load: float | None
    """The prints of each load predicted from the other loads, for the average load."""
    reason: str
    """Why one is None; empty where neither is."""


@dataclass(frozen=True)
class Alike:
    """Coefficients that these prints hardly tell apart."""

    labels: tuple[str, ...]
    inflation: float
    """Greatest variance inflation among them."""


@dataclass(frozen=True)
class Diagnostics:
    """All diagnostics of one response."""

    log: bool
    prints: tuple[PrintFit, ...]
    checks: tuple[Check, ...]
    loads: tuple[LoadFit, ...]
    powers: Powers | None
    """Of the response as measured, whatever the declared transform; None where it is not all above zero."""
    predicted: Predicted
    alike: tuple[Alike, ...]

    def check(self, name: str) -> Check:
        """Return the check of a name."""
        return next(one for one in self.checks if one.name == name)

    @property
    def deciding(self) -> tuple[str, ...]:
        """Prints that decide their own prediction."""
        return tuple(one.print for one in self.prints if one.leverage >= DECIDES)


def verdicts(diagnostics: Diagnostics, response: str, unit: str) -> Iterator[Verdict]:
    """
    Yield what the diagnostics of a response ask to be said.

    Parameters
    ----------
    diagnostics : Diagnostics
    response : str
        Name, for ``about``.
    unit : str
        As people write it.

    Notes
    -----
    Simulated studies of 30 prints in 6 loads on 2 printers, full quadratic in four factors (one fixed in a load), 16
    coefficients of standard deviation 2, print standard deviation 1, load variance 0 and 1, 300 sound studies each: every
    verdict came up in 0 to 3 % of them, any verdict at all in 10 to 11 %.

    Of 100 to 150 faulty studies with load variance 0 (1): a print 6 off was named in 33 (31) %; a load 10 off in 29 (12) %,
    and one of its prints blamed for it in 2 (2) %; prints of one load mixed up in 79 (79) %; a drift of 4 over the study in
    54 (14) %; a printer that scatters fourfold in 30 %, a load sixfold in 46 %; a lognormal response of 30 % scatter led
    to the words about another scale or growing scatter in about 75 %. Scatter of Student's t with 2 degrees of freedom was
    hardly ever called not normal (2 %): eleven error degrees of freedom do not show it, though a print was named in 22 %.

    A model that predicts nothing comes up in 30 % of studies whose effects are half the print standard deviation, and in 77
    to 90 % of those without any effect: there it is true. With effects as large as the print standard deviation it is 4 %
    at most, as is that of a new load.
    """
    words = _Words(diagnostics, unit)
    for verdict in (
        *_one_off(diagnostics, words),
        *_scatter(diagnostics),
        *_groups(diagnostics, words),
        *_drift(diagnostics, words),
        *_one_load(diagnostics, words),
        *_no_prediction(diagnostics),
        *_plan(diagnostics),
    ):
        yield Verdict(*verdict, response)


Said = tuple[str, str, str]
"""Name, cause and next step."""


@dataclass(frozen=True)
class _Words:
    """How the sizes of a response are written."""

    diagnostics: Diagnostics
    unit: str

    def size(self, value: float) -> str:
        """Return an amount without its sign: with the logarithm a factor, as a percentage."""
        if self.diagnostics.log:
            return f"{100 * np.expm1(abs(value)):.3g} %"
        return f"{abs(value):.3g} {self.unit}".strip()

    def off(self, value: float) -> str:
        """Return how far something lies above or below something else."""
        return f"{self.size(value)} {'above' if value > 0 else 'below'}"


def _one_off(diagnostics: Diagnostics, words: _Words) -> Iterator[Said]:
    check = diagnostics.check("one coupon off")
    if check.alarms and check.estimate is not None:
        yield (
            "coupon out of line",
            f"{check.about[0]} lies {words.off(check.estimate)} the other coupons of its print "
            f"(p = {check.p:.2g} for the worst of all coupons)",
            "look for a slip in typing or measuring first, and correct it in the workbook; settle this before anything else "
            "here, since one wrong value can cause most other verdicts on this response",
        )
    check = diagnostics.check("one print off")
    if check.alarms and check.estimate is not None:
        worst, *others = check.about
        more = f"; so are, each judged alone, {_listed(others)}" if others else ""
        residual = next(one.residual for one in diagnostics.prints if one.print == worst)
        yield (
            "print out of line",
            f"print {worst} lies {words.off(check.estimate)} what all other prints, its own load's among them, lead to expect"
            f"{more} (p = {check.p:.2g} for the worst of {len(diagnostics.prints)} prints); its residual is "
            f"another figure, {words.off(residual)} the model's mean for an average load, since there the "
            "print itself is in the model, and its load's own level is not",
            "look up in the record what was different about it (settings, spool, nozzle, tester); leave a value out only for "
            "a reason found there, else print that setting again",
        )
    check = diagnostics.check("one load off")
    if check.alarms and check.estimate is not None:
        yield (
            "load out of line",
            f"the prints of the load {check.about[0]} lie together {words.off(check.estimate)} what the other "
            f"loads lead to expect (p = {check.p:.2g} for the worst of {len(diagnostics.loads)} loads)"
            + _centre(diagnostics, check.about[0], words),
            "look up how that load was dried and stored; repeat it if something went wrong, since this is not the doing of "
            "single prints",
        )


def _scatter(diagnostics: Diagnostics) -> Iterator[Said]:
    check = diagnostics.check("normal scatter")
    coupon = diagnostics.check("one coupon off")
    if coupon.alarms and (coupon.statistic or 0.0) ** 2 > coupon.dof[0]:  # it alone is most of the scatter within prints
        return
    if check.alarms and not diagnostics.check("one print off").alarms:
        yield (
            "scatter not normal",
            f"the differences between prints and model do not look like normal scatter (p = {check.p:.2g})",
            "look at the largest differences in the table of prints; means and effects bear this well, but shares and bounds "
            "for single prints rest on normal scatter, so take these with reserve",
        )
    grows = diagnostics.check("scatter and mean")
    coupons = diagnostics.check("coupon scatter and mean")
    made = [check for check in (grows, coupons) if check.p is not None and check.statistic is not None]
    signs = [(check, check.statistic or 0.0) for check in made if (check.p or 0.0) < ALARM / len(made)]
    if signs:
        up = signs[0][1] > 0
        who = " and ".join("prints" if check is grows else "coupons within their print" for check, _ in signs)
        yield (
            f"scatter {'grows' if up else 'falls'} with the mean",
            f"{who} scatter {'more' if up else 'less'} where the mean is high "
            f"(p = {min(check.p or 0.0 for check, _ in signs):.2g})" + _power_words(diagnostics.powers),
            _transform_step(diagnostics, up),
        )
    elif (said := _other_scale(diagnostics)) is not None:
        yield said


def _other_scale(diagnostics: Diagnostics) -> Said | None:
    """Return that the undeclared of the two scales (as measured, logarithm) fits the values and the declared one not."""
    powers = diagnostics.powers
    declared, other = (0.0, 1.0) if diagnostics.log else (1.0, 0.0)
    if powers is None or powers.low <= declared <= powers.high or not powers.low <= other <= powers.high:
        return None
    better = "the values as measured" if diagnostics.log else "the logarithm"
    return (
        "another scale fits better",
        f"the model fits {better} of the response better" + _power_words(powers),
        _transform_step(diagnostics, not diagnostics.log),
    )


def _power_words(powers: Powers | None) -> str:
    if powers is None:
        return ""
    return (
        f"; of the powers of the response {powers.best:.1f} fits best, and {powers.low:.1f} to {powers.high:.1f} fit about "
        "as well (0 stands for the logarithm, 1 for the values as measured)"
    )


def _transform_step(diagnostics: Diagnostics, up: bool) -> str:
    powers = diagnostics.powers
    if up and not diagnostics.log and powers is not None and powers.low <= 0 <= powers.high:
        return 'declare transform = "log" for this response before the next round'
    if not up and diagnostics.log and powers is not None and powers.low <= 1 <= powers.high:
        return 'declare transform = "none" for this response before the next round'
    return (
        "keep the declared transform, since no other would mend this, and take intervals as too short where prints scatter "
        "much and too long where they scatter little"
    )


def _groups(diagnostics: Diagnostics, words: _Words) -> Iterator[Said]:
    for name, where, what, step in (
        ("scatter of printers", "on", "printer", "check belts, nozzle and calibration of that printer"),
        ("scatter of loads", "in", "load", "look up how that load was dried, and whether its spool came to an end"),
    ):
        check = diagnostics.check(name)
        if check.alarms and check.estimate is not None and not diagnostics.check("one print off").alarms:
            yield (
                f"{what}s scatter unequally",
                f"prints scatter most {where} the {what} {check.about[0]}, by a standard deviation of about "
                f"{words.size(check.estimate)}, and least {where} the {what} {check.about[-1]} (p = {check.p:.2g})",
                f"{step}; one standard deviation for all is then too small for it and too great for the others",
            )


def _drift(diagnostics: Diagnostics, words: _Words) -> Iterator[Said]:
    check = diagnostics.check("drift")
    if check.alarms and check.estimate is not None:
        yield (
            "drift with run order",
            f"at equal settings the values {'rise' if check.estimate > 0 else 'fall'} by about {words.size(check.estimate)} "
            f"from the first print to the last (p = {check.p:.2g})",
            "look for what wears or takes up water (nozzle, open spool, tester) and repeat an early setting now to see whether "
            "it holds; the random order keeps most of it out of the effects, but it makes the scatter look greater",
        )


def _one_load(diagnostics: Diagnostics, words: _Words) -> Iterator[Said]:
    check = diagnostics.check("one load's prints")
    moved = {one.load: one for one in diagnostics.loads}
    if check.alarms and check.about[0] in moved:
        one = moved[check.about[0]]
        name = "one load decides"
        shift = (
            f"; without it {one.moved} moves by {abs(one.change):.2g} of its standard errors"
            if one.change is not None
            else ""
        )
        yield (
            name,
            f"the prints of the load {one.load} differ among each other as the other loads do not lead to expect "
            f"(p = {check.p:.2g} for the worst of {len(moved)} loads){shift}{_centre(diagnostics, one.load, words)}",
            f"{_first_settle(diagnostics)}check whether prints of that load were mixed up or had other settings; repeat the "
            "load before relying on that effect",
        )
    needed = [one for one in diagnostics.loads if one.terms]
    if needed and len(diagnostics.loads) >= 4 and 3 * len(needed) <= len(diagnostics.loads):
        yield (
            "one load alone holds up a term",
            "; ".join(f"without the load {one.load} nothing is known of {_listed(one.terms)}" for one in needed),
            "give that setting a second load in the next round: a mishap in drying would now pass for an effect",
        )


def _first_settle(diagnostics: Diagnostics) -> str:
    check = diagnostics.check("one print off")
    return (
        f"first settle what is wrong with print {check.about[0]}, which alone may do this; then "
        if check.alarms
        else ""
    )


def _centre(diagnostics: Diagnostics, load: str, words: _Words) -> str:
    change = next((one.centre for one in diagnostics.loads if one.load == load), None)
    return "" if change is None else f"; without it the prediction at the centre moves by {words.size(change)}"


def _no_prediction(diagnostics: Diagnostics) -> Iterator[Said]:
    predicted = diagnostics.predicted
    if predicted.by_print is not None and predicted.by_print < 0:
        yield (
            "model predicts nothing",
            "when each print is predicted from the others, the model errs more than the mean of all prints would "
            f"(predicted R² {predicted.by_print:.2f})",
            "do not choose settings by this fit: either no factor matters much within these ranges, or prints are too few "
            "for so many terms; widen the ranges, add prints or declare fewer terms",
        )
    elif predicted.by_load is not None and predicted.by_load < -1:
        yield (
            "no prediction of a new load",
            "when the prints of each load are predicted from the other loads, the model errs more than twice as much as the "
            f"mean of all prints would, in sums of squares (predicted R² {predicted.by_load:.2f}; for a print of a known load "
            f"{predicted.by_print:.2f})",
            "add loads before relying on predictions for a new load: those made so far do not settle what changes between "
            "loads",
        )


def _plan(diagnostics: Diagnostics) -> Iterator[Said]:
    deciding = diagnostics.deciding
    if deciding:
        yield (
            "prints that decide their own prediction",
            f"{_listed(deciding)}: the fit passes through {'it' if len(deciding) == 1 else 'them'} (leverage {DECIDES:g} or "
            "more), whatever was measured there, so that an error in the value could not be noticed",
            "check such a value against the record, and print that setting again in the next round",
        )
    for one in diagnostics.alike:
        yield (
            "coefficients hardly told apart",
            f"the prints that gave values change {_listed(one.labels)} almost together (variance inflation up to "
            f"{one.inflation:.3g})",
            "do not read their estimates one by one; add prints that change one without the other, or declare fewer terms",
        )


def _listed(names: tuple[str, ...] | list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
