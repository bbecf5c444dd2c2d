"""
What is written down beside settings and results because an analysis may ask for it later.

All of it is optional and kept as it is. What the study asks for by itself (a covariate of the same name, the reading of a
factor) has a column of its own, and none here. Keys begin with ``log.``.
"""

from typing import Literal

from doe.sheet import usual
from doe.sheet.columns import Column, Value
from doe.study.spec import Study

PREFIX = "log."
CONDITIONS = f"{PREFIX}conditions"
AS_LISTED, CHANGED = "as listed", "changed"


def log_columns(study: Study, per: Literal["print", "coupon", "load"]) -> list[Column]:
    """
    Return the optional columns of one sheet.

    Parameters
    ----------
    study : Study
        What it asks for by itself is left out.
    per : {"print", "coupon", "load"}

    Returns
    -------
    list of Column
        Kinds ``number``, ``text``, ``choice``, ``date`` and ``datetime``; all to fill, all optional.
    """
    asked = {f"{PREFIX}{one.name}" for one in study.covariates}
    asked |= {f"{PREFIX}{one.name}_actual" for one in study.factors if one.reading_sd is not None}
    made = {"print": _of_print, "coupon": _of_coupon, "load": _of_load}[per](study)
    return [column for column in made if column.key not in asked]


def _of_print(study: Study) -> list[Column]:
    return [
        *([_conditions()] if study.conditions else []),
        _column("out_of_dry_box", "Spool out of dry box (date, time)", "datetime", 17,
                "When the spool left the dryer or dry box for this print: 2026-03-01 14:30."),
        _figure("nozzle_temperature_actual", "Nozzle, actual (°C)", "What a probe showed at the nozzle while it printed.",
                _range_of(study, "nozzle_temperature", usual.NOZZLE)),
        _figure("bed_temperature_actual", "Bed, actual (°C)", "What a probe showed on the bed while it printed.",
                _range_of(study, "bed_temperature", usual.BED)),
        _figure("grams_through_nozzle", "Through the nozzle so far (g)",
                "Filament that this nozzle has extruded since it was new, as far as it is known.", usual.GRAMS),
        _photograph(),
    ]


def _of_coupon(study: Study) -> list[Column]:
    return [
        _column("tested_by", "Tested by", "text", 9, "Initials."),
        _column("tested_on", "Tested on (date)", "date", 12, "A date, for example 2026-03-01."),
        _column("conditioning", "Conditioning", "text", 15,
                "Dry as printed, or the climate and how long: 23 °C, 50 % humidity, 88 h."),
        _column("break_location", "Break location", "text", 14,
                "Where it broke: in the gauge length, at the fillet, in or at the grips; which layer."),
        _photograph(),
    ]


def _of_load(study: Study) -> list[Column]:
    return [
        _figure("empty_spool", "Empty spool (g)", "Mass of the spool without filament; without it, the loss counts per "
                "gram weighed, spool included.", usual.EMPTY_SPOOL, positive=True),
        _column("dried_by", "Dried by", "text", 9, "Initials."),
    ]


def _conditions() -> Column:
    choices: dict[str, Value] = {word: word for word in (AS_LISTED, CHANGED)}
    hint = "Whether all that is held fixed (listed on the first sheet) was so for this print; where not, say what in the note."
    return Column(CONDITIONS, "Conditions as listed", "choice", True, choices, optional=True, width=13, hint=hint, part="more")


def _photograph() -> Column:
    return _column("photographs", "Photographs", "text", 16, "File names, separated by commas.")


def _range_of(study: Study, name: str, otherwise: usual.Range) -> usual.Range:
    return usual.of_factors([one for one in study.factors if one.name == name]) or otherwise


def _column(
    name: str, header: str, kind: Literal["text", "date", "datetime"], width: float, hint: str
) -> Column:
    return Column(f"{PREFIX}{name}", header, kind, fill=True, optional=True, width=width, hint=hint, part="more")


def _figure(name: str, header: str, hint: str, plausible: usual.Range, *, positive: bool = False) -> Column:
    return Column(
        f"{PREFIX}{name}", header, "number", fill=True, optional=True, positive=positive, hint=hint, part="more",
        usual=plausible,
    )
