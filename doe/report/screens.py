"""Which tables a command shows, in which order; the tables themselves are the report's own."""

from collections.abc import Iterable, Mapping
from typing import Any

from doe.model.results import Fit
from doe.recommend.results import Recommendation
from doe.report import numbers, recommended, rows
from doe.report.completion import completion_tables
from doe.report.judged import judged_tables
from doe.report.measured import measured_tables, short_tables
from doe.report.tables import Table, words
from doe.report.values import reading_rows
from doe.study.spec import Study
from doe.verdicts import Verdict, grave

_NAMED = 6


def verdict_tables(verdicts: Iterable[Verdict]) -> tuple[Table, ...]:
    """Return the table of verdicts, or nothing where there are none."""
    found = tuple(verdicts)
    return (rows.verdict_table(found),) if found else ()


def fit_tables(study: Study, fit: Fit, *, details: bool = True) -> tuple[Table, ...]:
    """
    Return what ``doe fit`` shows: the measured responses, then the judged ones, failed prints and verdicts.

    Parameters
    ----------
    study : Study
    fit : Fit
    details : bool
        Whether everything that examines the models of measured responses is shown, as in the report.
    """
    tables: list[Table] = []
    logged = {one.name for one in study.responses if one.transform == "log"}
    for one in fit.responses:
        tables += (measured_tables if details else short_tables)(one, one.response in logged)
    for judged in fit.judged:
        tables += judged_tables(judged)
    tables += [reading_rows(fit.readings)] if fit.readings else []
    tables += completion_tables(fit.printed) if fit.printed is not None else ()
    tables += [table for table in (*rows.summary_rows(fit), rows.failure_rows(fit)) if table.rows]
    return (*tables, *verdict_tables(fit_verdicts(fit)))


def fit_verdicts(fit: Fit) -> tuple[Verdict, ...]:
    """Return every verdict of a fit: of the record, of how prints ended, then of each response."""
    of_responses = (*(one.verdicts for one in fit.responses), *(one.verdicts for one in fit.judged))
    completion = () if fit.printed is None else fit.printed.verdicts
    return (*fit.verdicts, *completion, *(verdict for verdicts in of_responses for verdict in verdicts))


def settle_first(verdicts: Iterable[Verdict]) -> tuple[str, ...]:
    """Return at most one line: the names of what makes values or conclusions doubtful, for whoever sees only the last lines."""
    about: dict[str, list[str]] = {}
    for one in grave(verdicts):
        about.setdefault(one.name, []).append(words(one.about) or "the study")
    named = [f"{name} ({', '.join(dict.fromkeys(of))})" for name, of in about.items()]
    more = f"; and {len(named) - _NAMED} more" if len(named) > _NAMED else ""
    said = f"Settle these first; the table of verdicts says why and how: {'; '.join(named[:_NAMED])}{more}."
    return (said,) if named else ()


def recommendation_tables(study: Study, advice: Recommendation) -> tuple[Table, ...]:
    """Return what ``doe recommend`` shows: setting, promises, conformance, verdicts."""
    return (*recommended.recommendation_tables(advice, study.header.confidence), *verdict_tables(advice.verdicts))


def rehearsal_table(study: Study, advised: Mapping[str, Any], optimum: Mapping[str, Any]) -> Table:
    """
    Return the recommended setting beside the optimum that the simulation was made with.

    Parameters
    ----------
    study : Study
    advised : mapping
        As ``recommendation.json`` holds it.
    optimum : mapping of factor name to value
        Natural units.
    """
    found = []
    for factor in study.factors:
        one = advised["settings"][factor.name]
        near = " to ".join(numbers.setting(limit) for limit in one["interval"])
        values = (numbers.setting(one["value"]), near, numbers.setting(optimum[factor.name]))
        found.append((words(factor.name), factor.display_unit, *values))
    columns = ("Factor", "Unit", "Recommended", "Near-optimal", "True optimum (simulated)")
    return Table("Recommended setting and the truth of the simulation", columns, tuple(found), "llrrr")
