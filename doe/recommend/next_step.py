"""The one thing to do next."""

from collections.abc import Sequence

from doe.verdicts import Verdict

ESTIMATE_TOO_LOW = "estimate below the required share"
NO_SETTING = "no setting meets every requirement"
NOT_SHOWN = "conformance not shown"
ON_THE_EDGE = "optimum on the edge"
LACK_OF_FIT = "lack of fit"
DEPENDS = "the recommendation depends on the model"

_FIRST = (NO_SETTING, LACK_OF_FIT, DEPENDS, ESTIMATE_TOO_LOW, ON_THE_EDGE, NOT_SHOWN)
_CONFIRM = "doe confirm: the recommended setting is printed on six new drying loads, to confirm it before it is released"


def next_step(verdicts: Sequence[Verdict], held_back: tuple[int, int] = (0, 0)) -> str:
    """
    Return exactly one next step, one sentence without a full stop.

    Parameters
    ----------
    verdicts : sequence of Verdict
    held_back : tuple of int
        Prints and drying loads of the budget that are not planned yet: a further round comes before all else.

    A requirement that no setting meets comes before doubts about the model, these before a region that ends too early,
    and all of them before more loads: loads that confirm the wrong setting are wasted. Where none of these was found, the
    setting is a hypothesis that is ready to be confirmed.
    """
    prints, loads = held_back
    if prints:
        of_loads = f" in {loads} drying loads" if loads else ""
        return f"doe extend: {prints} prints{of_loads} of the budget are left for a round around the recommended setting"
    for name in _FIRST:
        for verdict in verdicts:
            if verdict.name.startswith(name):
                return f"{verdict.about}: {verdict.next_step}" if verdict.about else verdict.next_step
    return _CONFIRM
