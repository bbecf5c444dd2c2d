"""The one thing to do next."""

import re
from collections.abc import Sequence

from doe.study.names import spoken
from doe.verdicts import Verdict

ESTIMATE_TOO_LOW = "estimate below the required share"
NO_SETTING = "no setting meets every requirement"
WORTHLESS = "no setting is worth anything"
NOT_SHOWN = "conformance not shown"
ON_THE_EDGE = "optimum on the edge"
LACK_OF_FIT = "lack of fit"
COUPON_OFF, PRINT_OFF = "coupon out of line", "print out of line"
PREDICTS_NOTHING = "model predicts nothing"
MET_ANYWAY = "every requirement is met though the model predicts nothing"
IN_DOUBT, NEEDED_THOUGH_IN_DOUBT = "values in doubt decide", "values in doubt cannot be left out"
DOUBTS = (NEEDED_THOUGH_IN_DOUBT, IN_DOUBT)
"""Verdicts that say that a fit rests on values in doubt."""
OF_THE_FIT = (COUPON_OFF, PRINT_OFF, PREDICTS_NOTHING, LACK_OF_FIT, *DOUBTS)
"""Verdicts of a fit that a recommendation must not pass over."""
DEPENDS = "the recommendation depends on the model"
BEYOND_CHECKS = "setpoint beyond the checks"

_GIVEN = re.compile(r"doe confirm --loads \d+")
_AROUND = "doe extend --prints 12"
_STEPS = (
    # Verdict, what to do, its command. A requirement that no setting meets comes before doubts about the model, these
    # before a region that ends too early, and all of them before more loads: loads that confirm the wrong setting are wasted.
    (COUPON_OFF, "check the record", ""),
    (PREDICTS_NOTHING, "stop", ""),
    (NO_SETTING, "stop", ""),
    (WORTHLESS, "stop", ""),
    (LACK_OF_FIT, "extend", _AROUND),
    (DEPENDS, "extend", _AROUND),
    (ESTIMATE_TOO_LOW, "stop", ""),
    (ON_THE_EDGE, "extend", _AROUND),
    (BEYOND_CHECKS, "read the probe", ""),
    (MET_ANYWAY, "confirm", "doe confirm"),
    (NOT_SHOWN, "confirm", "doe confirm"),
)


def next_step(verdicts: Sequence[Verdict], held_back: tuple[int, int] = (0, 0)) -> str:
    """
    Return exactly one next step with its reason, one sentence without a full stop: look, confirm, extend, stop, or read a probe.

    Parameters
    ----------
    verdicts : sequence of Verdict
    held_back : tuple of int
        Prints and drying loads of the budget that are not planned yet: a further round comes before all else but values in
        doubt, since it would be tested with the same instrument.

    Returns
    -------
    str
        What to do, the command where one does it, and the verdict that asks for it. Where none was found, the setting is a
        hypothesis that is ready to be confirmed.
    """
    for verdict in (one for name in DOUBTS for one in verdicts if one.name == name):  # prints cannot make a test frame right
        about = f"{spoken(verdict.about)}: " if verdict.about else ""
        return f"look at the instrument: {about}{verdict.name}; {verdict.next_step}"
    prints, loads = held_back
    if prints:
        of_loads = f" in {loads} drying loads" if loads else ""
        return f"extend: doe extend, since {prints} prints{of_loads} of the budget are left for a round around this setting"
    edge = any(one.name == ON_THE_EDGE for one in verdicts)
    for name, action, command in _STEPS:
        if name == ESTIMATE_TOO_LOW and edge:  # there may be better settings beyond
            continue
        for verdict in verdicts:
            if verdict.name.startswith(name):
                about = f"{spoken(verdict.about)}: " if verdict.about else ""
                given = _GIVEN.search(verdict.next_step)  # how many loads it would take, where that is not the usual number
                said = verdict.next_step.replace(f" ({given.group()})", "") if given else verdict.next_step
                first = f"{given.group() if given else command}, since " if command else ""
                return f"{action}: {first}{about}{verdict.name}; {said}"
    return "confirm: doe confirm, which prints the setting on new drying loads before it is released"
