"""Rules about the family, the names, the factors or the model that need more than one value."""

import math
import re
from collections import Counter
from collections.abc import Collection, Iterator

from doe.numerics.terms import INTERCEPT, parse_term
from doe.study.draft import Draft, Finding, Place
from doe.study.operators import languages, texts
from doe.study.responses import response_findings
from doe.study.spec import Covariate, Factor
from doe.study.wording import meant, quoted, show

RESERVED = frozenset(
    {
        "print",
        "load",
        "printer",
        "round",
        "order",
        "point",
        "cell",
        "kind",
        "seed",
        "coupon",
        "number",
        "outcome",
        "deviation",
        "operator",
        "printed_on",
        "note",
        "spool",
        "intercept",
    }
)
"""Words that are columns of the plan or the record, or the model's intercept."""
_MOST_STEPS = 1_000_000
_WHOLE = 1e-9
_HIGHEST_POWER = 3


def protocol_findings(draft: Draft, families: Collection[str]) -> Iterator[Finding]:
    """Yield what is wrong with the family, the names, the factors, the responses, the covariates and the model."""
    yield from _family(draft, families)
    yield from _language(draft)
    yield from _names(draft)
    for position, factor in draft.factors:
        rules = _NUMERIC if factor.is_numeric else _CATEGORICAL
        for rule in rules:
            yield from rule(factor, ("factors", position))
    yield from response_findings(draft)
    for position, covariate in draft.covariates:
        yield from _covariate_unit(covariate, ("covariates", position))
        yield from _covariate_loads(draft, covariate, ("covariates", position))
    yield from _terms(draft)


def factor_reference(draft: Draft, place: Place, name: str) -> Iterator[Finding]:
    """Yield a finding where a name is not that of a numeric factor."""
    names = [known for _, known in draft.names("factors")]
    if name not in names and draft.names_are_usable("factors", "name"):
        yield Finding(
            place,
            f"no factor is named '{name}'",
            f"the factors are {quoted(names)}",
            meant(name, names, "name one of these, or add the factor"),
        )
    elif any(factor.name == name and not factor.is_numeric for _, factor in draft.factors):
        yield Finding(
            place, f"'{name}' is a factor with levels", "only a factor with low and high fits here", "remove it"
        )


def _family(draft: Draft, families: Collection[str]) -> Iterator[Finding]:
    if draft.header is not None and draft.header.family not in families:
        family = draft.header.family
        yield Finding(
            ("study", "family"),
            f"no family is named '{family}', and the family picks the cautions that are printed",
            f"the families are {quoted(families)}",
            meant(family, families, 'write family = "other" for the general cautions'),
        )


def _language(draft: Draft) -> Iterator[Finding]:
    if draft.header is not None and draft.header.operator_language not in languages():
        there = [f"{one} ({texts(one)('language')})" for one in languages()]
        yield Finding(
            ("study", "operator_language"),
            f"there are no operators' texts in '{draft.header.operator_language}'",
            f"the languages are {quoted(there)}",
            meant(draft.header.operator_language, languages(), 'write operator_language = "en", or add a file of texts'),
        )


def _names(draft: Draft) -> Iterator[Finding]:
    seen: dict[str, str] = {}
    for table in ("factors", "responses", "covariates"):
        for position, name in draft.names(table):
            place = (table, position, "name")
            if name in RESERVED:
                yield Finding(
                    place,
                    f"'{name}' is a word with a meaning of its own in the plan and the record",
                    "any other name is allowed",
                    f"choose another, for example '{name}_value'",
                )
            if name in seen:
                yield Finding(
                    place,
                    f"'{name}' is already the name of {seen[name]}",
                    "each factor, response and covariate needs a name of its own",
                    "rename one of the two",
                )
            seen.setdefault(name, f"{table}[{position + 1}]")


def _needs_unit(factor: Factor, place: Place) -> Iterator[Finding]:
    if factor.unit is None:
        yield Finding(
            (*place, "unit"),
            "the key is missing",
            "a numeric factor needs a unit",
            'add it, for example unit = "degC", or unit = "1" for a quantity without dimension',
        )


def _needs_range(factor: Factor, place: Place) -> Iterator[Finding]:
    for key, value, example in (("low", factor.low, 255), ("high", factor.high, 285)):
        if value is None:
            yield Finding(
                (*place, key),
                "the key is missing",
                "a factor needs low and high, or else levels",
                f'add {key} = {example} with your own value, or levels = ["...", "..."]',
            )


def _range(factor: Factor) -> float:
    """Return high minus low, or NaN where the two do not make a range."""
    if factor.low is None or factor.high is None or not factor.low < factor.high:
        return math.nan
    return factor.high - factor.low


def _low_below_high(factor: Factor, place: Place) -> Iterator[Finding]:
    if factor.low is None or factor.high is None:
        return
    if not factor.low < factor.high:
        yield Finding(
            (*place, "low"),
            f"found low = {show(factor.low)} and high = {show(factor.high)}",
            "low must be below high",
            "swap or correct them",
        )
    elif not math.isfinite(factor.high - factor.low):
        yield Finding(
            (*place, "high"),
            f"found a range from {show(factor.low)} to {show(factor.high)}",
            "a finite range is needed",
            "write the values that can be set",
        )


def _increment(factor: Factor, place: Place) -> Iterator[Finding]:
    where, step, span = (*place, "increment"), factor.increment, _range(factor)
    if step is None:
        yield Finding(
            where,
            "the key is missing",
            "a numeric factor needs the finest step that can be set",
            "add it in the factor's unit, for example increment = 1 where whole degrees can be set",
        )
        return
    if not math.isfinite(span):
        return
    if step > span * (1 + _WHOLE):
        yield Finding(
            where,
            f"found {show(step)}, more than the whole range of {show(span)}",
            "the step must fit into the range",
            "make the step finer or the range wider",
        )
    elif step < span / _MOST_STEPS:
        yield Finding(
            where,
            f"found {show(step)} in a range of {show(span)}",
            f"at most {_MOST_STEPS} steps fit into a range",
            "write the step that the machine can really set",
        )
    elif abs(span / step - round(span / step)) > _WHOLE * max(1.0, span / step):
        yield Finding(
            where,
            f"found {show(step)}; from low to high are {span / step:.6g} steps",
            "a whole number of steps is needed",
            f"set high = {_nearest_high(factor, step, span)}, or change the step",
        )


def _nearest_high(factor: Factor, step: float, span: float) -> str:
    assert factor.low is not None
    return f"{factor.low + max(1, round(span / step)) * step:.10g}"


def _setpoint_sd(factor: Factor, place: Place) -> Iterator[Finding]:
    half = _range(factor) / 2
    if math.isfinite(half) and factor.setpoint_sd >= half:
        yield Finding(
            (*place, "setpoint_sd"),
            f"found {show(factor.setpoint_sd)}",
            f"it must be below half of the range, {show(half)}",
            "widen the range, or improve the control until settings of this factor can be told apart",
        )


def _reading_sd(factor: Factor, place: Place) -> Iterator[Finding]:
    if factor.reading_sd is not None and factor.change != "print":
        yield Finding(
            (*place, "reading_sd"),
            f"found {show(factor.reading_sd)} on a factor that changes per {factor.change}",
            "actual values are read print by print",
            "remove reading_sd; write what was used under 'used if not as set' on the sheet Loads",
        )


def _no_scale_beside_levels(factor: Factor, place: Place) -> Iterator[Finding]:
    given = [key for key in ("unit", "low", "high", "increment") if getattr(factor, key) is not None]
    given += ["setpoint_sd"] if factor.setpoint_sd else []
    given += ["reading_sd"] if factor.reading_sd is not None else []
    if given:
        yield Finding(
            place,
            f"found levels beside {', '.join(given)}",
            "a factor has either levels, or unit, low, high and increment",
            "remove the one or the other",
        )


def _distinct_levels(factor: Factor, place: Place) -> Iterator[Finding]:
    levels = factor.levels or ()
    if len(levels) < 2:
        yield Finding(
            (*place, "levels"),
            f"found {len(levels)} level{'' if len(levels) == 1 else 's'}",
            "at least two levels are needed",
            "add a level, or write what is held fixed under [conditions]",
        )
    twice = [level for level, count in Counter(levels).items() if count > 1]
    if twice:
        yield Finding(
            (*place, "levels"), f"{quoted(twice)} is there more than once", "levels must differ", "rename or remove one"
        )


def _covariate_unit(covariate: Covariate, place: Place) -> Iterator[Finding]:
    if covariate.kind == "number" and covariate.unit is None:
        yield Finding(
            (*place, "unit"),
            "the key is missing",
            "a covariate that is a number needs a unit",
            'add it, for example unit = "h", or unit = "1" for a quantity without dimension; or write kind = "date"',
        )
    elif covariate.kind == "date" and covariate.unit is not None:
        yield Finding(
            (*place, "unit"),
            f"found {show(covariate.unit)} beside kind = 'date'",
            "a date counts in days and has no other unit",
            "remove unit, or correct the kind",
        )


def _covariate_loads(draft: Draft, covariate: Covariate, place: Place) -> Iterator[Finding]:
    budget_is_known = draft.budget is not None or draft.source.value(("budget",)) is None
    planned = draft.budget is not None and draft.budget.loads is not None
    dried = any(factor.change == "load" for _, factor in draft.factors)
    usable = budget_is_known and len(draft.factors) == len(draft.source.value(("factors",)) or ())
    if covariate.per == "load" and usable and not planned and not dried:
        yield Finding(
            (*place, "per"),
            "found 'load' in a study without drying loads",
            "a covariate per load needs loads: a factor with change = \"load\", or the number of loads",
            'write per = "print", or add loads under [budget]',
        )


def _terms(draft: Draft) -> Iterator[Finding]:
    if draft.model is None or isinstance(draft.model.terms, str) or not draft.names_are_usable("factors", "name"):
        return
    if not draft.model.terms:
        yield Finding(
            ("model", "terms"),
            "the list is empty",
            "at least one term is needed",
            'list terms, or write "main", "interactions" or "quadratic"',
        )
    names = [name for _, name in draft.names("factors")]
    categorical = {factor.name for _, factor in draft.factors if not factor.is_numeric}
    for position, text in enumerate(draft.model.terms):
        place = ("model", "terms", position)
        unknown = [word for word in re.findall(r"[A-Za-z_]\w*", text) if word not in (*names, INTERCEPT)]
        for word in unknown:
            yield Finding(
                place,
                f"'{text}' names '{word}', which is no factor",
                f"the factors are {quoted(names)}",
                meant(word, names, "name one of these, or add the factor"),
            )
        if not unknown:
            yield from _term(place, text, names, categorical)


def _term(place: Place, text: str, names: list[str], categorical: set[str]) -> Iterator[Finding]:
    try:
        powers = Counter(names[index] for index in parse_term(text, names))
    except ValueError as error:
        yield Finding(
            place,
            f"found '{text}': {str(error).rstrip('.')}",
            "a term is a factor, a power or a product of them",
            "write it like a, a * b, a^2 or a^2 * b",
        )
        return
    for name, power in powers.items():
        if power > 1 and name in categorical:
            yield Finding(
                place,
                f"'{text}' has a power of '{name}', which has levels",
                "a factor with levels enters a term once",
                f"write '{name}' without a power",
            )
        elif power > _HIGHEST_POWER:
            yield Finding(
                place,
                f"'{text}' has the power {power} of '{name}'",
                f"powers up to {_HIGHEST_POWER} are allowed",
                "lower it",
            )


_NUMERIC = (_needs_unit, _needs_range, _low_below_high, _increment, _setpoint_sd, _reading_sd)
_CATEGORICAL = (_no_scale_beside_levels, _distinct_levels)
