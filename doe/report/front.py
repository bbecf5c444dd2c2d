"""Page one of the report: the answer for who reads nothing else."""

from collections.abc import Sequence

from doe.model.agreement import repeated_grades
from doe.model.agreement import verdicts as grading_verdicts
from doe.recommend.results import Recommendation
from doe.report import pieces
from doe.report.confirmation import caught_changes, renewed, state_table
from doe.report.inputs import Draft, ReportInputs, TrialState
from doe.report.pieces import Block
from doe.report.recommended import answer, falls_short, setting_table
from doe.report.tables import Table, words
from doe.report.window import with_window
from doe.verdicts import Verdict, ordered

_VERDICTS_UP_FRONT, _BESIDE_A_JUDGEMENT = 6, 5
"""The approval has to stand on page one as well."""
_AFTER_RELEASE = "none: the setting is confirmed and released"


def state(inputs: ReportInputs) -> str:
    """Return in a few words how far the study is."""
    if inputs.draft is not None and not inputs.draft.fitted:
        return "not fitted yet"
    if inputs.recommendation is None:
        return "fitted, without a recommendation"
    number, tried = inputs.recommendation.number, inputs.trial
    if tried.judgement is None or tried.ended:
        if falls_short(inputs.recommendation):
            return f"recommendation {number}: the best setting found does not meet the requirements"
        return f"recommendation {number}: a hypothesis until prints confirm it"
    person = "released" if tried.release is not None else "not released"
    return f"recommendation {number}: {tried.judgement.verdict}, {person}"


def facts(inputs: ReportInputs) -> list[list[str]]:
    """Return what is qualified, on what, and which report this is, as pairs of name and text."""
    study, log = inputs.study, inputs.log
    header = study.header
    printers = ", ".join(one.name for one in study.printers)
    changed = sum(bool(line.get("detail", {}).get("changes")) for line in log)
    number = "no revision: a draft" if inputs.draft is not None else f"revision {inputs.revision.number}"
    changes = f"amendments of the protocol: {changed or 'none'}{', in section 3' if changed else ''}"
    return [
        ["Study", header.id], ["Material", f"{header.material} (family {header.family})"],
        ["Printers", printers or "not part of the study"], ["State", state(inputs)],
        ["Report", f"{number}, prepared {inputs.prepared_at}; {changes}"],
    ]  # fmt: skip


def blocks(inputs: ReportInputs) -> list[Block]:
    """Return the answer: setting, what it promises, both states, open verdicts, the next step."""
    found, tried = inputs.recommendation, inputs.trial
    made: list[Block] = [] if inputs.draft is None else _missing(inputs.draft)
    if inputs.draft is not None and found is None:
        made.append(pieces.text("No setting is recommended yet."))
    elif found is None:
        made.append(pieces.strong("No setting is recommended. The verdicts below say what stands in the way."))
    else:
        own = {"ended": tried.ended, "short": falls_short(found)}
        both = state_table(found.number, tried.judgement, tried.release or tried.lapsed or None, caught=_caught(tried), **own)
        expected = pieces.strong(answer(found, inputs.study.header.confidence))
        made += [pieces.table(with_window(setting_table(found), found.window)), expected]
        made.append(pieces.table(both))
        if tried.judgement is not None and not tried.ended:
            made += [pieces.strong(f"{one[:1].upper()}{one[1:]}.") for one in renewed(tried.judgement)]
    judged = found is not None and tried.judgement is not None and not tried.ended
    made += _open(all_verdicts(inputs), _BESIDE_A_JUDGEMENT if judged else _VERDICTS_UP_FRONT)
    if found is not None and inputs.draft is None:
        made.append(pieces.strong(f"Next step: {_next(found, tried)}"))
    return made


def _caught(tried: TrialState) -> tuple[str, ...]:
    """Return what the confirmation would have caught."""
    both = tried.confirmation, tried.judgement
    return () if both[0] is None or both[1] is None else caught_changes(both[0], both[1])


def _open(verdicts: Sequence[Verdict], most: int) -> list[Block]:
    """Return the verdicts by name, each once with all that it is about: page one has no room for causes, nor for all of them."""
    about: dict[str, list[str]] = {}
    for one in verdicts:
        about.setdefault(one.name, []).append(words(one.about) or "the study")
    if not about:
        return []
    shown = tuple((name, ", ".join(dict.fromkeys(of))) for name, of in about.items())[:most]
    more = len(about) - len(shown)
    note = (f"And {more} more, none graver. " if more else "") + "Causes and what to do: sections 2, 3, 5, 6 and 7."
    return [pieces.table(Table("Open verdicts", ("Verdict", "About"), shown, "ll", note))]


def _missing(draft: Draft) -> list[Block]:
    """Return what a draft lacks, and the command that comes next."""
    table = Table("What is missing", ("Missing", "What to do"), draft.missing, "ll", "" if draft.missing else "Nothing.")
    return [pieces.table(table), pieces.strong(f"Next step: {draft.next}")]


def _next(found: Recommendation, tried: TrialState) -> str:
    """Return what comes next: by the recommendation, or by its confirmation where one was judged and holds."""
    if tried.judgement is None or tried.ended:
        return found.next
    return tried.judgement.next if tried.release is None else _AFTER_RELEASE


def all_verdicts(inputs: ReportInputs) -> tuple[Verdict, ...]:
    """Return every verdict once, the gravest first; of one rank those of the recommendation, the fit, its responses, the plan."""
    found = () if inputs.recommendation is None else inputs.recommendation.verdicts
    of_measured = [verdict for fit in inputs.fit.responses for verdict in fit.verdicts]
    of_judged = [verdict for fit in inputs.fit.judged for verdict in fit.verdicts]
    of_printed = () if inputs.fit.printed is None else inputs.fit.printed.verdicts
    graded = grading_verdicts(inputs.study, repeated_grades(inputs.study, inputs.record))
    every = [*found, *inputs.fit.verdicts, *of_printed, *of_measured, *of_judged, *graded, *inputs.design.verdicts]
    return ordered(dict.fromkeys(every))
