"""Prints that never came to be: lost or skipped, not planned anew."""

from doe.design.plan import Design
from doe.design.reprint import reprinted
from doe.record.findings import listed
from doe.record.match import Record
from doe.sheet.columns import NEVER_PRINTED


def to_reprint(design: Design, record: Record) -> tuple[str, ...]:
    """
    Return the prints of the plan that were lost or skipped and that are not planned anew yet, in the record's order.

    Parameters
    ----------
    design : Design
    record : Record
    """
    mine = set(design.fitted["print"]) - reprinted(design)
    ended = zip(record.prints["print"], record.prints["outcome"], strict=True)
    return tuple(str(name) for name, outcome in ended if outcome in NEVER_PRINTED and name in mine)


def lost_lines(design: Design, record: Record) -> tuple[str, ...]:
    """
    Say which prints may be planned anew, and how; nothing where there are none, or where a confirmation was planned.

    Parameters
    ----------
    design : Design
    record : Record
    """
    lost = to_reprint(design, record)
    if not lost or design.confirmations:
        return ()
    runs = design.runs[design.runs["load"] != ""]
    whole = [str(load) for load, names in runs.groupby("load", sort=False)["print"] if set(names) <= set(lost)]
    of_loads = f" (nothing is left of {'load' if len(whole) == 1 else 'loads'} {listed(whole)})" if whole else ""
    return (
        f"Lost or skipped, {len(lost)} of the plan's prints: {listed(list(lost))}{of_loads}. Once all others of their sheet are "
        f"made, 'doe plan --reprint' plans them anew, with identifiers of their own; else the fit goes on with what is left.",
    )
