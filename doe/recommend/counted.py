"""Prints that failed or missed a grade: whether a confirmation has more of them than expected."""

from collections.abc import Iterator
from dataclasses import replace

from scipy import stats

from doe.model.summary import meets
from doe.model.values import FAILED
from doe.recommend import forecast
from doe.recommend.confirmation import Before, Confirmation, Counted
from doe.record.match import Record
from doe.record.schema import filled
from doe.sheet.columns import NEVER_PRINTED
from doe.study import scale
from doe.study.spec import Response, Study

_SURPRISE = 0.025
"""So many failures have at most this chance where nothing changed."""


def counted_before(study: Study, record: Record) -> Iterator[Before]:
    """Yield how often prints failed, or missed a grade, before a confirmation."""
    bad, of = completion_counts(record)
    yield Before("completion", "completes", bad, of)
    for response in study.responses:
        if response.kind != "measured" and forecast.has_requirement(response):
            found = prints_that_meet(response, record)
            words = scale.describe_requirement(response, "{:.10g}".format)
            yield Before(response.name, words, sum(not good for good in found.values()), len(found))


def completion_counts(record: Record) -> tuple[int, int]:
    """Return how many prints failed, of those that were tried."""
    ended = [outcome for outcome in record.prints["outcome"] if outcome and outcome not in NEVER_PRINTED]
    return sum(outcome in FAILED for outcome in ended), len(ended)


def prints_that_meet(response: Response, record: Record) -> dict[str, bool]:
    """Return, per print that did not fail and was judged, whether every value of it meets a graded or pass-fail requirement."""
    table = record.coupons if response.per == "coupon" else record.prints
    if response.name not in table:
        return {}
    failed = set(record.prints.loc[record.prints["outcome"].isin(FAILED), "print"])
    found: dict[str, bool] = {}
    for owner, value in table.loc[filled(table[response.name]), ["print", response.name]].itertuples(index=False):
        if owner not in failed:
            found[owner] = found.get(owner, True) and meets(response, value)
    return found


def counted_again(study: Study, record: Record, confirmation: Confirmation, before: Before) -> Counted:
    """Return how many prints failed or missed a grade, and whether that is more than the earlier ones let expect."""
    names = {one.print for one in confirmation.prints}
    mine = replace(
        record,
        prints=record.prints[record.prints["print"].isin(names)],
        coupons=record.coupons[record.coupons["print"].isin(names)],
    )
    if before.what == "completion":
        bad, of = completion_counts(mine)
    else:
        found = prints_that_meet(next(one for one in study.responses if one.name == before.what), mine)
        bad, of = sum(not good for good in found.values()), len(found)
    return Counted(before.what, before.requirement, bad, of, surprising(bad, of, before))


def surprising(bad: int, of: int, before: Before) -> bool:
    """
    Whether so many failures, or more, had a chance of 2.5 % at most.

    Parameters
    ----------
    bad, of : int
        Failed, and tried.
    before : Before
        The same of the earlier prints, which lie all over the region and so tend to fail more often: the chance is that of a
        beta-binomial after Jeffreys' prior. With 30 earlier and 6 new prints that fail alike it says so in 1.1 to 1.2 % of
        confirmations where 10 to 40 % fail (enumerated). Half of the prints is no limit of its own: it would be reached in 2,
        10, 26 and 46 % of them.
    """
    if not bad:
        return False
    return bool(stats.betabinom.sf(bad - 1, of, before.bad + 0.5, before.of - before.bad + 0.5) <= _SURPRISE)
