"""Verdicts on a fit: what the data cannot support, with its cause, then the next step."""

from collections.abc import Iterator, Sequence

from doe.model.data import ResponseData
from doe.model.inference import FEW_LOAD_DOF
from doe.model.results import ResponseFit
from doe.model.settings import LEAST_RELIABILITY, Readings
from doe.model.structure import Strata, UsedUp
from doe.model.values import FAILED
from doe.record.match import Record
from doe.record.schema import filled
from doe.sheet.columns import NEVER_PRINTED, OUTCOME_OF
from doe.study.names import identifiers, listed, spoken
from doe.study.spec import Study
from doe.study.z_direction import is_turned
from doe.verdicts import Verdict

_SIGNIFICANT = 0.05
_OFFSET = 0.01
_LISTED = 6  # coefficients that are named; more are only counted


def of_record(record: Record) -> Iterator[Verdict]:
    """Yield what the record as a whole asks to be said: failures, values in doubt."""
    prints = record.prints
    failed = prints[prints["outcome"].isin(FAILED)]
    tried = int((~prints["outcome"].isin(("", *NEVER_PRINTED))).sum())
    if len(failed):
        yield Verdict(
            "failed prints",
            f"{len(failed)} of {tried} prints that were tried failed ({identifiers([*failed['print']])}); they tell about the "
            "factors, and the completion of prints says how",
            "look at the settings of the failed prints before trusting a setting near them",
        )
    suspect = [*prints.loc[prints["deviation"] == "suspect", "print"]]
    if "deviation" in record.coupons:
        suspect += [*record.coupons.loc[record.coupons["deviation"] == "suspect", "coupon"]]
    if suspect:
        yield Verdict(
            "values in doubt",
            f"marked suspect and kept: {identifiers(suspect)}",
            "find out about the instrument before signing",
        )


def of_corrections(record: Record, study: Study) -> Iterator[Verdict]:
    """Yield at most one verdict on corrections without a name or a reason: of responses, or only of other values."""
    made = record.corrections
    if made.empty:
        return
    known = filled(made["who"]), filled(made["why"])
    bare = made[~(known[0] & known[1])]
    if bare.empty:
        return
    lacking = zip(known, ("name", "reason"), strict=True)
    counts = [f"{int((~each).sum())} with no {what}" for each, what in lacking if not each.all()]
    items = dict.fromkeys(f"{item} {spoken(column)}" for item, column in zip(bare["row"], bare["column"], strict=True))
    decisive = bool(bare["column"].isin(_of_responses(study)).any())
    more = f" and {len(items) - _LISTED} more" if len(items) > _LISTED else ""
    yield Verdict(
        "corrected values without a reason" if decisive else "corrections without a reason",
        f"of {len(made)} correction{'s' if len(made) > 1 else ''} on record, {listed(counts)}"
        f" ({listed([*items][:_LISTED])}"
        f"{more}): nobody can tell later why the first did not hold",
        "find out who changed them and why, and keep that in a file in evidence/, which 'doe collect' puts on record; from now on"
        " give --by NAME and --reason TEXT with 'doe collect'",
    )


def _of_responses(study: Study) -> set[str]:
    """Return the columns of the record that decide values of responses: these, what they are computed from, outcomes."""
    own = {key for one in study.responses for key in (one.name, *one.inputs, f"{OUTCOME_OF}{one.name}")}
    return own | {"outcome", "deviation"}


def of_readings(found: Sequence[Readings], study: Study) -> Iterator[Verdict]:
    """Yield where readings of actual values do not count, or lie off what the setpoints give."""
    for one in found:
        if one.reliability is None and one.prints:
            yield Verdict(
                "readings too few",
                f"{one.prints} readings of {one.factor} do not tell how far it varied; setpoints count",
                "read the actual value at every print, or remove reading_sd",
                one.factor,
            )
        elif one.reliability is not None and not one.used:
            yield Verdict(
                "readings too noisy",
                f"their reliability ratio is {one.reliability:.2f}, below {LEAST_RELIABILITY:g}: they would flatten slopes, so "
                "setpoints count",
                "read with a better probe, or longer; the setpoints are the better guide until then",
                one.factor,
            )
        if one.offset is not None and one.offset_p is not None and one.offset_p < _OFFSET:
            yield Verdict(
                "readings off the setpoints",
                f"on average they lie {abs(one.offset):.3g} {one.unit} {'above' if one.offset > 0 else 'below'} what the "
                "setpoints stand for (by the printers' checks where there are any), to which the fit and the cards keep"
                + _turned(one.factor, study),
                "read each printer at three setpoints with the reference probe, and write it on the sheet 'Printer checks'",
                one.factor,
            )
        if one.prints and one.prints < one.of:
            yield Verdict(
                "prints without a reading",
                f"{one.of - one.prints} of {one.of} prints have none of {one.factor}; their setpoint counts",
                "read every print, so that all are on one scale",
                one.factor,
            )


def _turned(name: str, study: Study) -> str:
    """Say on which printers a factor's sign is not that of its range; empty where on none."""
    factor = next(one for one in study.factors if one.name == name)
    printers = [one.name for one in study.printers if is_turned(factor, one)]
    if not printers:
        return ""
    return (
        f"; above and below are in the sense of the factor's range (more {factor.z_closer} is closer to the plate), "
        f"and the other way round on printer{'s' if len(printers) > 1 else ''} {listed(printers)}"
    )


def of_response(result: ResponseFit, data: ResponseData, found: Strata, trouble: str) -> Iterator[Verdict]:
    """Yield what one response's fit asks to be said; ``trouble`` is why no variance could be estimated, or empty."""
    name = result.response
    if trouble:
        yield Verdict(
            "no variation",
            trouble,
            "check the recorded values: without variation nothing can be said about precision",
            name,
        )
    if found.print_dof < 1:
        yield Verdict(
            "no error degree of freedom",
            f"{result.prints} prints are all used up by {len(result.coefficients)} coefficients"
            + (" and the loads" if result.loads else ""),
            "add prints, or declare a smaller model: there are no intervals, and no setting can be recommended",
            name,
        )
    yield from _of_loads(result, found)
    yield from _of_model(result)
    if len(set(data.counts.tolist())) > 1:
        yield Verdict(
            "unequal coupon counts",
            f"prints gave from {data.counts.min()} to {data.counts.max()} values",
            "nothing to do: the fit weighs them; find out why coupons are missing if you do not know",
            name,
        )


def _of_loads(result: ResponseFit, found: Strata) -> Iterator[Verdict]:
    name, load_dof = result.response, found.load_dof
    if found.used_up is not None:
        cause, step = _used_up(found.used_up)
        yield Verdict(
            "no load error degree of freedom",
            cause,
            f"{step}: until then nothing is said about what changes with the load",
            name,
        )
    elif load_dof is not None and load_dof <= FEW_LOAD_DOF:
        yield Verdict(
            "few load error degrees of freedom",
            f"{load_dof} of them judge what changes from load to load",
            "add loads: intervals that rest on so few are wide and say little",
            name,
        )
    for component in result.components:
        if component.at_zero:
            yield Verdict(
                f"{component.name} variance not resolvable",
                f"it cannot be told from zero with {component.dof:g} {component.name} degrees of freedom; "
                f"it may be up to {component.upper_ratio:.2g} times the residual variance"
                if component.upper_ratio is not None
                else f"it cannot be told from zero with {component.dof:g} degrees of freedom",
                f"do not read this as no {component.name} effect; the intervals keep the component",
                name,
            )


def _used_up(found: UsedUp) -> tuple[str, str]:
    """Return what took the loads, and what to print."""
    between = f"by what changes only with the load ({_labels(found.between)})"
    if not found.within:
        return f"{found.loads} loads are all used up {between}", "print more loads at the same levels"
    return (
        f"{found.loads} loads are all used up: {len(found.between)} {between}, and {found.loads - len(found.between)} to tell "
        f"apart what the prints within loads do not ({_labels(found.within)})",
        "print more loads at the same levels, put more different settings into each load, or declare a smaller model",
    )


def _labels(labels: Sequence[str]) -> str:
    """Return labels in words, the first ones where they are many."""
    names = [spoken(label) for label in labels]
    return listed(names) if len(names) <= _LISTED else f"{len(names)} coefficients, {', '.join(names[:_LISTED])} ..."


def _of_model(result: ResponseFit) -> Iterator[Verdict]:
    name = result.response
    if result.lack_of_fit is not None and result.lack_of_fit["p"] < _SIGNIFICANT:
        test = result.lack_of_fit
        yield Verdict(
            "lack of fit",
            f"replicates agree better with each other than with the model: F({test['df_lof']:g}, {test['df_pe']:g}) = "
            f"{test['f']:.3g}, p = {test['p']:.2g}",
            "look at the residuals; add the missing term or a smaller region in a next round before confirming",
            name,
        )
    if result.curvature is not None and result.curvature["p"] < _SIGNIFICANT:
        yield Verdict(
            "curvature",
            f"the centre prints lie {result.curvature['estimate']:.3g} {result.unit} off the model "
            f"(p = {result.curvature['p']:.2g}), which has no squares",
            "add axial points in a next round to fit a quadratic model",
            name,
        )


def of_rounds(result: ResponseFit, data: ResponseData) -> Iterator[Verdict]:
    """Yield the rounds whose mean lies off the average of the rounds by more than chance."""
    for one in (one for one in result.coefficients if one.label.startswith("round ") and len(data.rounds) > 1):
        if one.p_value is not None and one.p_value < 1 - result.level:
            yield Verdict(
                "rounds differ",
                f"{one.label} lies {one.estimate:.3g} {result.unit} off the average of the rounds "
                f"(p = {one.p_value:.2g}), beyond what the model gives to their settings",
                "find out what changed between the rounds (spool, batch, nozzle), or what the model misses, before confirming",
                result.response,
            )
