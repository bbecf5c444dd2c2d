"""Plans that several tests look at, searched for once in a process; plans of which only what every one keeps is checked."""

from contextlib import contextmanager
from dataclasses import replace
from unittest import mock

from doe.design import optimal
from doe.design.plan import plan_runs

_MADE = {}


@contextmanager
def few_starts():
    """Let searches begin with 8 random designs instead of 100: the plan is no worse in what every plan must keep."""
    with mock.patch.object(optimal, "STARTS", 8):
        yield


def planned_once(study, request):
    """Return what ``plan_runs`` returns, with a table of its own."""
    key = study.model_dump_json(), request
    if key not in _MADE:
        _MADE[key] = plan_runs(study, request)
    return replace(_MADE[key], runs=_MADE[key].runs.copy())
