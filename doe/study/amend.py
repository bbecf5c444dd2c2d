"""The locked protocol: what changed in it, or may still change."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from doe.errors import InputRefused, Problem
from doe.study.spec import Study
from doe.study.wording import quoted, show
from doe.study.z_direction import is_turned
from doe.verdicts import Verdict

_FACTOR_KEYS = ("name", "unit", "low", "high", "increment", "levels", "change")
_RESPONSE_KEYS = ("name", "unit", "kind", "per", "coupons", "formula", "grades", "method")
_PILOT_ROUND = 0  # as of doe.design.plan, a later stage
_COVARIATE_KEYS = ("name", "unit", "kind", "per")
_READ = ("factor", "set", "actual")
_REACH = ("limits", "hot_end", "rated", "nozzle")
_AIM = ("aim", "worthless_below", "worthless_above", "perfect_at", "shape", "shape_above", "priority")
_DECLARED = ("at_least", "at_most", "requirement_on", "transform", "zero_when_detached", *_AIM)


@dataclass(frozen=True)
class Change:
    """One value of the protocol before and after; None where it was or is not given."""

    key: str
    """Where it stands: ``factors 'drying_time'.high``, ``study.confidence``."""
    before: Any
    after: Any


def protocol(study: Study) -> dict[str, Any]:
    """Return the whole study as plain data for JSON, keys as in the file and defaults filled in."""
    return study.model_dump(mode="json", by_alias=True)


def definitions(study: Study) -> dict[str, Any]:
    """Return what a sheet depends on: factors, responses and plate, without requirements and spread."""
    whole = protocol(study)
    lying = {one["name"]: one["orientation"] for one in whole["responses"] if one["orientation"] is not None}
    plate = {key: value for key, value in {**whole["plate"], "of_responses": lying}.items() if value}
    return {
        **({"plate": plate} if plate else {}),
        "factors": [{key: factor[key] for key in _FACTOR_KEYS} for factor in whole["factors"]],
        "responses": [{key: response[key] for key in _RESPONSE_KEYS} for response in whole["responses"]],
    }


def without_ranges(defined: Mapping[str, Any]) -> dict[str, Any]:
    """Return definitions less the factors' low and high: what the sheet of a pilot depends on, since it comes before them."""
    kept = [{key: value for key, value in one.items() if key not in ("low", "high")} for one in defined["factors"]]
    return {**defined, "factors": kept}


def declared_before_data(study: Study, log_lines: Sequence[Mapping[str, Any]]) -> frozenset[str]:
    """
    Return the covariates that belong to the model: declared to be fitted before the study's first sheet was written.

    Parameters
    ----------
    study : Study
    log_lines : sequence of mapping
        Of the study's log, oldest first.

    Returns
    -------
    frozenset of str
        Names of the covariates that are to be fitted now and were so, with the same definition, in the protocol that was
        locked when the first sheet (other than a pilot's) was written. Where there is no such sheet yet, all that are to be
        fitted now.

    Notes
    -----
    The log knows when a sheet was written, not when a print was tested: the first sheet is the last moment at which certainly
    no result existed. A covariate that is declared between two rounds counts as declared after data, since the first round's
    were known. A pilot's sheet does not count: its prints are not fitted.

    """
    first = next((place for place, line in enumerate(log_lines) if _hands_out(line)), None)
    wanted = [one for one in protocol(study)["covariates"] if one["fit"]]
    locked = None if first is None else locked_protocol(log_lines[:first])
    if locked is None:
        return frozenset(one["name"] for one in wanted)
    then = [_defined(one) for one in locked["covariates"] if one["fit"]]
    return frozenset(one["name"] for one in wanted if _defined(one) in then)


def _hands_out(line: Mapping[str, Any]) -> bool:
    return bool(line["command"] == "sheet" and line["detail"].get("round") != _PILOT_ROUND)


def _defined(covariate: Mapping[str, Any]) -> dict[str, Any]:
    return {key: covariate[key] for key in _COVARIATE_KEYS}


def changes(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[Change]:
    """
    Return every difference between two protocols.

    Parameters
    ----------
    before, after : mapping
        As :func:`protocol` returns them. Entries with a name or an id are matched by it, others by position.

    Returns
    -------
    list of Change
        Empty exactly where the two are equal.

    """
    return list(_compared("", before, after))


def require_unchanged(study: Study, log_lines: Sequence[Mapping[str, Any]]) -> None:
    """
    Refuse a study that differs from the protocol that was locked by the last ``plan`` or ``amend``.

    Parameters
    ----------
    study : Study
    log_lines : sequence of mapping
        Of the study's log, oldest first. Where no plan was made yet, nothing is locked.

    Raises
    ------
    InputRefused
        One problem for each changed key, with its value before and after.

    """
    locked = locked_protocol(log_lines)
    found = [] if locked is None else changes(locked, protocol(study))
    if found:
        raise InputRefused(_changed(change) for change in found)


def locked_protocol(log_lines: Sequence[Mapping[str, Any]]) -> dict[str, Any] | None:
    """
    Return the protocol of the last ``plan`` or ``amend`` in the log, or None before the first plan.

    Keys that were not known when it was locked have their defaults, so that a newer version of the software sees no change.
    """
    for line in reversed(log_lines):
        if line["command"] in ("plan", "amend") and "protocol" in line["detail"]:
            return protocol(Study.model_validate(line["detail"]["protocol"]))
    return None


def check_amendment(
    before: Study, after: Study, *, has_plan: bool, has_sheets: bool, only_pilot: bool = False
) -> tuple[Verdict, ...]:
    """
    Judge an amendment.

    Parameters
    ----------
    before, after : Study
    has_plan : bool
        Whether ``plan.csv`` exists; before that nothing is locked and anything may change.
    has_sheets : bool
        Whether a sheet of the plan was written, so that prints may have been made.
    only_pilot : bool
        Whether these prints are a pilot's only: then the ranges may still change.

    Returns
    -------
    tuple of Verdict
        What follows from the amendment: a plan that must be made again, a declaration changed after the data.

    Raises
    ------
    InputRefused
        Where prints that were made, or are being made, would no longer be those of the protocol.

    """
    if not has_plan:
        return ()
    problems = list(_never(before, after))
    if has_sheets:
        problems += _not_after_sheets(before, after, only_pilot=only_pilot)
    if problems:
        raise InputRefused(problems)
    if only_pilot and has_sheets:
        return ()
    return tuple(_late_declarations(before, after) if has_sheets else _stale_plan(before, after))


def _compared(key: str, before: Any, after: Any) -> Iterator[Change]:  # noqa: ANN401 - any JSON value
    if isinstance(before, Mapping) and isinstance(after, Mapping):
        for name in dict.fromkeys((*before, *after)):
            inner = f"{key}.{name}" if key else str(name)
            if name in before and name in after:
                yield from _compared(inner, before[name], after[name])
            else:
                yield Change(inner, before.get(name), after.get(name))
    elif _tables(before) and _tables(after):
        yield from _compared_tables(key, before, after)
    elif before != after:
        yield Change(key, before, after)


def _tables(value: Any) -> bool:  # noqa: ANN401 - any JSON value
    return isinstance(value, list) and all(isinstance(entry, Mapping) for entry in value)


def _compared_tables(key: str, before: Sequence[Any], after: Sequence[Any]) -> Iterator[Change]:
    old, new = _labelled(before), _labelled(after)
    for label in dict.fromkeys((*old, *new)):
        if label in old and label in new:
            yield from _compared(f"{key}{label}", old[label], new[label])
        else:
            yield Change(f"{key}{label}", old.get(label), new.get(label))
    if list(old) != list(new) and set(old) == set(new):
        yield Change(f"{key}, their order", [label.strip(" '") for label in old], [label.strip(" '") for label in new])


def _labelled(entries: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Return entries by name or id, or by position where one of them has neither."""
    names = [entry.get("name", entry.get("id")) for entry in entries]
    if None in names or len(set(names)) < len(names):
        return {f"[{number}]": entry for number, entry in enumerate(entries, 1)}
    return {f" '{name}'": entry for name, entry in zip(names, entries, strict=True)}


def _changed(change: Change) -> Problem:
    if change.before is None:
        restored, found = "remove it", f"{_value(change.after)} was added"
    elif change.after is None:
        restored, found = f"put {_value(change.before)} back", f"{_value(change.before)} was removed"
    else:
        restored, found = f"put {_value(change.before)} back", f"it is {_value(change.after)} now"
    locked = "not given" if change.before is None else _value(change.before)
    return Problem(
        f"study.toml, {change.key}",
        found,
        f"the protocol was locked by 'doe plan' with {locked}",
        f'{restored}, or accept the change with: doe amend --reason "..."',
    )


def _value(value: Any) -> str:  # noqa: ANN401 - any JSON value
    return "the whole entry" if isinstance(value, Mapping) else show(value)


def _never(before: Study, after: Study) -> Iterator[Problem]:
    for key in ("id", "simulated"):
        old, new = getattr(before.header, key), getattr(after.header, key)
        if old != new:
            yield Problem(
                f"study.toml, study.{key}",
                f"it was {show(old)} and is {show(new)} now",
                "it stays as it was when the plan was made",
                f"put {show(old)} back, or start a new study with 'doe new'",
            )


def _not_after_sheets(before: Study, after: Study, *, only_pilot: bool) -> Iterator[Problem]:
    defined = [definitions(before), definitions(after)]
    for change in changes(*map(without_ranges, defined) if only_pilot else defined):
        yield Problem(
            f"study.toml, {change.key}",
            f"it was {_value(change.before)} and is {_value(change.after)} now",
            "definitions of factors and responses stay as they are on the sheets already written",
            "put it back; for other ranges, levels or responses start a new study with 'doe new'",
        )
    kept = {one["name"]: _defined(one) for one in protocol(after)["covariates"]}
    for one in protocol(before)["covariates"]:
        if kept.get(one["name"]) != _defined(one):
            yield Problem(
                f"study.toml, covariates '{one['name']}'",
                "it is no longer there" if one["name"] not in kept else f"its {', '.join(_COVARIATE_KEYS[1:])} changed",
                "a covariate on the sheets already written stays as it is there",
                "put it back; where it is not to be fitted, write fit = false",
            )
    yield from _other_signs(before, after)
    gone = [printer.name for printer in before.printers if printer.name not in {one.name for one in after.printers}]
    if gone:
        yield Problem(
            "study.toml, [[printers]]",
            f"{quoted(gone)} is no longer there",
            "printers on the sheets already written must stay",
            "put it back; record prints that it did not make as skipped",
        )


def _other_signs(before: Study, after: Study) -> Iterator[Problem]:
    """Yield the printers whose setpoints on sheets already written would now mean the other way."""
    signs = [{(f.name, p.name): is_turned(f, p) for p in study.printers for f in study.factors} for study in (before, after)]
    for name, printer in [key for key, sign in signs[0].items() if signs[1].get(key, sign) != sign]:
        yield Problem(
            f"study.toml, printer '{printer}', z_closer",
            f"the sign of '{name}' on this printer would be the other way round",
            "setpoints on the sheets already written keep their sign",
            "put z_closer back; prints that were made with a wrong sign are written as 'used' with what was set",
        )


def _stale_plan(before: Study, after: Study) -> Iterator[Verdict]:
    found = changes(_planned_from(before), _planned_from(after))
    if found:
        yield Verdict(
            "plan made for the protocol before",
            f"changed: {', '.join(change.key for change in found)}",
            "Run 'doe plan' again before the first sheet is written.",
        )


def _planned_from(study: Study) -> dict[str, Any]:
    """Return what a plan is made from; of the checks only what was set and read, not how well.

    What a printer may reach (limits, hot ends) changes no plan: ``doe.design.setpoints.limit_findings`` compares the two.
    """
    whole = protocol(study)
    for printer in whole["printers"]:
        printer["checks"] = _what_was_read(printer)
        for key in _REACH:
            del printer[key]
    size = {key: whole["budget"][key] for key in ("prints", "loads")}
    return {
        **{key: whole[key] for key in ("factors", "model", "printers", "constraints", "references")},
        "budget": size,
    }


def _what_was_read(printer: Mapping[str, Any]) -> list[dict[str, Any]]:
    return [{key: check[key] for key in _READ} for check in printer["checks"]]


def _late_declarations(before: Study, after: Study) -> Iterator[Verdict]:
    yield from _late_covariates(before, after)
    yield from _late_checks(before, after)
    old, new = protocol(before), protocol(after)
    for change in changes(_declared(old), _declared(new)):
        yield Verdict(
            "declaration changed after sheets were written",
            f"{change.key} was {_value(change.before)} and is {_value(change.after)} now; it belongs before the data",
            "Say in the reason whether results were known; the report shows both; let new prints confirm the answer.",
            change.key,
        )


def _late_checks(before: Study, after: Study) -> Iterator[Verdict]:
    """Yield the printers whose readings changed: with them, the actual values of prints that were made or handed out."""
    read_then = {one["name"]: _what_was_read(one) for one in protocol(before)["printers"]}
    for one in protocol(after)["printers"]:
        if one["name"] in read_then and _what_was_read(one) != read_then[one["name"]]:
            yield Verdict(
                "checks changed after sheets were written",
                f"printer {one['name']} has other readings now than when its setpoints were planned; the fit takes the actual "
                "values of all its prints from the readings as they are now, and the plan stays as it is",
                "Keep the readings that hold for these prints; where the printer itself changed in between, give the day.",
                f"printers '{one['name']}'",
            )


def _late_covariates(before: Study, after: Study) -> Iterator[Verdict]:
    """Yield the covariates that are declared, or no longer to be fitted, now that results may be known."""
    fitted_then = {one.name: one.fit for one in before.covariates}
    for one in after.covariates:
        if one.name not in fitted_then or (one.fit and not fitted_then[one.name]):
            yield Verdict(
                "covariate declared after sheets were written",
                f"'{one.name}' was not declared to be fitted when the sheet was written; it is checked against what the model "
                "leaves over, and never fitted in this study",
                "Sheets written from now on ask for it; to have it in the model, declare it before a new study's first sheet.",
                one.name,
            )
        elif fitted_then[one.name] and not one.fit:
            yield Verdict(
                "declaration changed after sheets were written",
                f"'{one.name}' was declared to be fitted and is only checked now; it belongs before the data",
                "Say in the reason whether results were known; the report shows both; let new prints confirm the answer.",
                one.name,
            )


def _declared(whole: Mapping[str, Any]) -> dict[str, Any]:
    responses = [{key: response[key] for key in ("name", *_DECLARED)} for response in whole["responses"]]
    return {"model": whole["model"], "responses": responses}
