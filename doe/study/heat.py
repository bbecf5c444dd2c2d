"""What hot ends, filament or spools stand: ranges beyond it are refused with the reason, near it a verdict warns."""

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from doe.study.draft import Draft, Finding, Place
from doe.study.spec import Factor, Material, Oven, Printer, Study
from doe.study.wording import show
from doe.verdicts import Verdict

LINED_WARNS, LINED_ENDS = 240.0, 250.0
"""Degrees Celsius: a hot end with a PTFE liner is warned of from the first on, and refused from the second on."""
MARGIN = 5.0
"""Degrees Celsius that drying keeps below what softens; common practice, no source."""
_LINED_WHY = (
    f"a hot end with a PTFE liner stays below {LINED_ENDS:g} °C, what PTFE stands for long; 260 °C is a short peak (verified "
    "source: PTFE suppliers' pages)"
)
_SPOOLS: Mapping[str, tuple[float | None, str]] = {
    "unknown": (90.0, "taken as ABS, the softest of the usual ones; verified source: polymer-property database"),
    "polystyrene": (90.0, "from memory: high-impact grades soften from about there"),
    "ABS": (90.0, "verified source: polymer-property database, glass transition 90 to 102"),
    "polycarbonate": (150.0, "verified source: Callister, Materials Science and Engineering, appendix"),
    "cardboard": (None, ""),
    "metal": (None, ""),
}
"""Degrees Celsius at which a spool softens, with the source; None where it does not."""


@dataclass(frozen=True)
class HeatLimit:
    """A temperature from which on, or above which, a hot end, a filament or a spool is not heated."""

    at: float
    """Degrees Celsius."""
    included: bool
    """Whether the temperature itself is refused."""
    allowed: str
    """What may be, with the reason and its source."""
    remedy: str

    def broken_by(self, temperature: float) -> bool:
        """Whether a temperature, degrees Celsius, is refused."""
        return temperature >= self.at if self.included else temperature > self.at


def nozzle_factor(factors: Iterable[Factor]) -> Factor | None:
    """Return the numeric factor in degC, set per print, that has ``nozzle`` in its name; None where none has."""
    return next((one for one in factors if _is_hot(one, "nozzle") and one.change == "print"), None)


def oven_temperature_factor(factors: Iterable[Factor]) -> Factor | None:
    """Return the numeric factor in degC, set per load, that has ``dry`` or ``oven`` in its name; None where none has."""
    return next((one for one in factors if one.change == "load" and (_is_hot(one, "dry") or _is_hot(one, "oven"))), None)


def drying_limits(material: Material, oven: Oven) -> tuple[HeatLimit, ...]:
    """Return what bounds the temperature of drying: the filament's glass transition, its drying limit, the spool."""
    bounds = []
    if material.glass_transition is not None:
        limit = material.glass_transition - MARGIN
        source = _source(material.glass_transition_source)
        bounds.append(
            HeatLimit(
                limit, True,
                f"wound filament is dried below {limit:g} °C, {MARGIN:g} below its glass transition of "
                f"{material.glass_transition:g} °C, since its strands fuse ({source})",
                "dry cooler and longer",
            )
        )  # fmt: skip
    if material.drying_at_most is not None:
        allowed = f"this filament is dried at or below {material.drying_at_most:g} °C ({_source(material.drying_at_most_source)})"
        bounds.append(HeatLimit(material.drying_at_most, False, allowed, "dry cooler and longer"))
    return (*bounds, *_of_spool(oven))


def heat_findings(draft: Draft) -> Iterator[Finding]:
    """Yield ranges, limits and readings that a hot end does not stand, and drying that filament or spool do not stand."""
    found = next(((at, one) for at, one in draft.factors if one == nozzle_factor([one])), None)
    for position, printer in draft.printers:
        if printer.hot_end is not None and found is not None:
            yield from _hot_end(position, printer, *found)
    yield from _drying(draft)


def heat_warnings(study: Study) -> tuple[Verdict, ...]:
    """Return what an engineer should look at before anything is heated: hot ends, nozzles, temperatures beyond advice."""
    return (*_near_the_end(study), *_not_stated(study), *_brass(study), *_above_advice(study))


def _is_hot(factor: Factor, word: str) -> bool:
    return factor.is_numeric and factor.unit == "degC" and word in factor.name


def _source(text: str | None) -> str:
    return text if text is not None else "as the study states, without a source"


def _ceiling(printer: Printer) -> list[HeatLimit]:
    """Return what a hot end stands: its kind, and what its maker rates it for."""
    bounds = []
    if printer.hot_end == "lined":
        remedy = (
            f"stay at or below {LINED_ENDS - 1:g} ({LINED_WARNS:g} is what a shop keeps to: from there on it is warned of), or "
            'leave this printer out; where no PTFE reaches into the heated part, write hot_end = "all-metal"'
        )
        bounds.append(HeatLimit(LINED_ENDS, True, _LINED_WHY, remedy))
    if printer.rated is not None:
        allowed = f"its maker rates this hot end for {printer.rated:g} °C"
        bounds.append(HeatLimit(printer.rated, False, allowed, f"stay at or below {printer.rated:g}, or leave this printer out"))
    return bounds


def _hot_end(position: int, printer: Printer, at: int, factor: Factor) -> Iterator[Finding]:
    limits = printer.limits.get(factor.name)
    place: Place = ("printers", position, "limits", factor.name)
    if limits is None:
        yield Finding(
            ("printers", position, "limits"),
            f"the hot end is stated, and no limit is given for '{factor.name}'",
            "plans, workbooks and cards keep a printer within its limits",
            f"add {factor.name} = [0, {_most(printer)}] with what this hot end may reach",
        )
    for bound in _ceiling(printer):
        if limits is not None and bound.broken_by(limits[1]):
            yield Finding(place, f"found {show(limits)}", bound.allowed, bound.remedy)
        if factor.high is not None and bound.broken_by(factor.high):
            found = f"'{factor.name}' goes up to {show(factor.high)} °C, and printer '{printer.name}' is {_kind(printer)}"
            yield Finding(("factors", at, "high"), found, bound.allowed, bound.remedy)
    yield from _readings(position, printer, factor)


def _readings(position: int, printer: Printer, factor: Factor) -> Iterator[Finding]:
    """A card goes as far as a printer was read, so readings keep to what it may reach."""
    bounds, limits = _ceiling(printer), printer.limits.get(factor.name)
    if limits is not None:
        allowed = f"this printer's limit is {show(limits[1])} °C, and cards go as far as readings"
        bounds.append(HeatLimit(limits[1], False, allowed, "leave the reading out, or correct the limit"))
    for number, check in enumerate(printer.checks):
        highest = max((value for value in check.set if check.factor == factor.name), default=None)
        broken = next((one for one in bounds if highest is not None and one.broken_by(highest)), None)
        if broken is not None:
            place: Place = ("printers", position, "checks", number, "set")
            yield Finding(place, f"read at {show(highest)} °C", broken.allowed, broken.remedy)


def _most(printer: Printer) -> str:
    return f"{LINED_ENDS - 1:g}" if printer.hot_end == "lined" else show(printer.rated or 300.0)


def _kind(printer: Printer) -> str:
    return "lined" if printer.hot_end == "lined" else "all metal"


def _of_spool(oven: Oven) -> Iterator[HeatLimit]:
    softens, source = _SPOOLS[oven.spool]
    if oven.spool_softens_at is not None:
        softens, source = oven.spool_softens_at, "as the study states"
    if softens is not None:
        yield HeatLimit(
            softens - MARGIN, True,
            f"spools are dried below {softens - MARGIN:g} °C, {MARGIN:g} below where they soften, {softens:g} °C (spool: "
            f"{oven.spool}; {source})",
            "dry cooler and longer, or say what the spools are made of: spool or spool_softens_at under [oven]",
        )  # fmt: skip


def _drying(draft: Draft) -> Iterator[Finding]:
    if draft.source.value(("material",)) is not None and draft.material is None:
        return
    oven = draft.oven or Oven()
    temperatures: list[tuple[Place, float | None, str]] = [(("oven", "temperature"), oven.temperature, "found")]
    for position, factor in draft.factors:
        if oven_temperature_factor([factor]) is not None:
            temperatures.append((("factors", position, "high"), factor.high, f"'{factor.name}' goes up to"))
    for place, temperature, what in temperatures:
        for bound in drying_limits(draft.material or Material(), oven) if temperature is not None else ():
            assert temperature is not None
            if bound.broken_by(temperature):
                yield Finding(place, f"{what} {show(temperature)} °C", bound.allowed, bound.remedy)


def _near_the_end(study: Study) -> Iterator[Verdict]:
    factor = nozzle_factor(study.factors)
    lined = [one.name for one in study.printers if one.hot_end == "lined"]
    if factor is not None and factor.high is not None and factor.high >= LINED_WARNS and lined:
        yield Verdict(
            "lined hot end near its end",
            f"'{factor.name}' goes up to {factor.high:g} °C on {_printers(lined)} with a PTFE liner, which a shop keeps at or "
            f"below {LINED_WARNS:g} °C (common practice, no source), since the reading strays and PTFE ends at {LINED_ENDS:g} °C",
            f"Keep the range below {LINED_WARNS:g} °C, or print these settings on all-metal hot ends.",
            factor.name,
        )


def _not_stated(study: Study) -> Iterator[Verdict]:
    factor = nozzle_factor(study.factors)
    silent = [one.name for one in study.printers if one.hot_end is None]
    if factor is not None and factor.high is not None and factor.high >= LINED_WARNS and silent:
        yield Verdict(
            "hot end not stated",
            f"'{factor.name}' goes up to {factor.high:g} °C, and {_printers(silent)} may have a PTFE liner, which ends at "
            f"{LINED_ENDS:g} °C",
            'Look into the hot end, then write hot_end = "all-metal" or hot_end = "lined" under [[printers]].',
            factor.name,
        )


def _brass(study: Study) -> Iterator[Verdict]:
    if study.material.fibres == "none":
        return
    general = any("nozzle" in key and _is_brass(text) for key, text in study.conditions.items())
    worn = [one.name for one in study.printers if (general if one.nozzle is None else _is_brass(one.nozzle))]
    if worn or (general and not study.printers):
        where = f"{_printers(worn)} has" if len(worn) == 1 else f"{_printers(worn)} have" if worn else "the conditions name"
        yield Verdict(
            "brass nozzle for fibres",
            f"the filament holds {study.material.fibres} fibres and {where} a brass nozzle: fibres widen its bore while the "
            "study runs, and the first-layer gap with it (common practice, no source)",
            "Mount a hardened nozzle of 0.4 mm or more, better 0.6 mm, and write it under [conditions].",
        )


def _is_brass(text: str) -> bool:
    return re.search(r"\bbrass\b", text, re.IGNORECASE) is not None


def _above_advice(study: Study) -> Iterator[Verdict]:
    factor, advised = nozzle_factor(study.factors), study.material.nozzle_advised_to
    if factor is not None and factor.high is not None and advised is not None and factor.high > advised:
        yield Verdict(
            "nozzle above what the material is advised for",
            f"'{factor.name}' goes up to {factor.high:g} °C, above {advised:g} °C "
            f"({_source(study.material.nozzle_advised_to_source)})",
            "Check the spool maker's data sheet for what it gives off and when it degrades, or narrow the range.",
            factor.name,
        )


def _printers(names: list[str]) -> str:
    return f"printer{'s' if len(names) > 1 else ''} {', '.join(names)}"
