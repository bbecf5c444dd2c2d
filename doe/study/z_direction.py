"""Which way a Z offset goes on each printer: the study has the sense of its factor, a printer may have the other.

Targets, ranges, constraints, model and maps are in the sense of the study. Whatever is typed into a printer or read from one
(setpoints, limits, readings of probes, what was used or read at a print) is in the sense of that printer. Between the two
only the sign changes, about the gap that counts as 0; :func:`turned` goes both ways.
"""

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from doe.study.draft import Draft, Finding
from doe.study.names import listed, spoken
from doe.study.spec import Factor, Printer, Study

Array = NDArray[np.float64]

_LENGTHS = ("mm", "um", "µm", "μm", "micron", "microns", "mil", "in")


def is_turned(factor: Factor, printer: Printer) -> bool:
    """Whether the values of a factor have the other sign on a printer than in the study."""
    return None not in (factor.z_closer, printer.z_closer) and factor.z_closer != printer.z_closer


def turned(factor: Factor, printer: Printer, values: ArrayLike) -> Array:
    """Return values of a numeric factor from the study's sense in the printer's, or back; its unit, shape as given."""
    given = np.asarray(values, dtype=float)
    return np.asarray(0.0 - given) if is_turned(factor, printer) else given


def turned_prints(study: Study, factor: Factor, values: ArrayLike, printers: Sequence[str]) -> Array:
    """Return values of a numeric factor, of shape (prints,), from the study's sense in that of each print's printer, or back."""
    signs = {one.name: -1.0 for one in study.printers if is_turned(factor, one)}
    return np.asarray(np.asarray(values, dtype=float) * np.array([signs.get(name, 1.0) for name in printers]) + 0.0)


def limits_of(factor: Factor, printer: Printer) -> tuple[float, float] | None:
    """Return a printer's limits of a factor in the study's sense; None where it has none."""
    limits = printer.limits.get(factor.name)
    if limits is None or not is_turned(factor, printer):
        return limits
    return 0.0 - limits[1], 0.0 - limits[0]


def said_of_study(factor: Factor) -> str:
    """Return which way a factor goes in plan and results, in words; empty where it states none."""
    return "" if factor.z_closer is None else f"{_more(factor.z_closer)} is closer to the plate"


def said_of_printers(study: Study) -> tuple[str, ...]:
    """Return, one sentence a factor, on which printers its sign is the other way round; empty where on none."""
    said = []
    for factor in study.factors:
        others = [one.name for one in study.printers if is_turned(factor, one)]
        if factor.z_closer is not None and others:
            said.append(
                f"{spoken(factor.name).capitalize()}: in targets, model and maps {said_of_study(factor)}. On printer"
                f"{'s' if len(others) > 1 else ''} {listed(others)} {_more(_other(factor.z_closer))} is closer: setpoints there "
                "have the other sign, and whatever is typed in or read there is written as that printer shows it."
            )
    return tuple(said)


def said_of_card(turned_factors: Mapping[str, str]) -> str:
    """Return, for a card, which of its setpoints have the other sign: factor -> the printer's sense."""
    return " ".join(
        f"{spoken(name).capitalize()}: on this printer {_more(sense)} is closer to the plate; 'set to' is for it, and the other "
        f"values are in the sense of the study ({_more(_other(sense))} is closer)."
        for name, sense in turned_factors.items()
    )


def sense_findings(draft: Draft) -> Iterator[Finding]:
    """Yield what leaves open which way a Z offset goes on a printer."""
    stated = [(at, one) for at, one in draft.factors if one.z_closer is not None]
    for at, factor in stated:
        if not factor.is_numeric or factor.change != "print":
            found = f"'{factor.name}' is not a number that is set print by print"
            yield Finding(("factors", at, "z_closer"), found, "it belongs to the Z offset alone", "remove the key")
    for at, factor in stated[1:]:
        found = f"'{stated[0][1].name}' has it already, and '{factor.name}' has it too"
        yield Finding(("factors", at, "z_closer"), found, "one factor of a study is its Z offset", "remove one of the two")
    yield from _of_printers(draft, stated[0][1]) if stated else _mixed(draft)


def _of_printers(draft: Draft, factor: Factor) -> Iterator[Finding]:
    for position, printer in draft.printers:
        if printer.z_closer is None and ("printers", position, "z_closer") not in draft.spoiled:
            yield Finding(
                ("printers", position, "z_closer"),
                f"not given, and the factor '{factor.name}' says that {said_of_study(factor)}",
                "each printer must say which sign brings its nozzle closer, since a wrong sign drives it into the plate",
                'try it with a cold nozzle, and write z_closer = "negative" or z_closer = "positive"',
            )


def _mixed(draft: Draft) -> Iterator[Finding]:
    """Printers that differ need a factor that says in which sense its range is written, where one may be a Z offset."""
    named = [(position, one) for position, one in draft.printers if one.z_closer is not None]
    lengths = [one.name for one in draft.numeric.values() if one.change == "print" and one.unit in _LENGTHS]
    other = next(((at, one) for at, one in named[1:] if one.z_closer != named[0][1].z_closer), None)
    if other is not None and lengths:
        first = named[0][1]
        yield Finding(
            ("printers", other[0], "z_closer"),
            f"'{other[1].z_closer}' here and '{first.z_closer}' for printer '{first.name}', and no factor says in which sense "
            "its range is written",
            "one number in the plan must not mean closer on one printer and farther on another",
            f'write z_closer = "{first.z_closer}" (or "{other[1].z_closer}", as its range is meant) under the factor that is '
            f"the Z offset ({listed(lengths)}); setpoints of the other printers get the other sign. If none is, remove z_closer "
            "here",
        )


def _more(sense: str) -> str:
    return f"more {sense}"


def _other(sense: str) -> str:
    return "positive" if sense == "negative" else "negative"
