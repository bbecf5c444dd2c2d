"""Plans that several tests look at, searched for once in a process."""

from dataclasses import replace

from doe.design.plan import plan_runs

_MADE = {}


def planned_once(study, request):
    """Return what ``plan_runs`` returns, with a table of its own."""
    key = study.model_dump_json(), request
    if key not in _MADE:
        _MADE[key] = plan_runs(study, request)
    return replace(_MADE[key], runs=_MADE[key].runs.copy())
