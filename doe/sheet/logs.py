"""What is written down beside settings or results because an analysis may ask for it later.

All of it is optional and kept as it is. What the study asks for by itself (a covariate of the same name, the reading of a
factor) has a column of its own, and none here. Keys begin with ``log.``.
"""

from typing import Literal

from doe.sheet import usual
from doe.sheet.columns import Column, shown
from doe.study.operators import Texts, texts_of
from doe.study.spec import Study

PREFIX = "log."
CONDITIONS = f"{PREFIX}conditions"
DRYER = f"{PREFIX}dryer"
"""In which dryer a load was, where there are several."""
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
    say = texts_of(study)
    nozzle, bed = _range_of(study, "nozzle_temperature", usual.NOZZLE), _range_of(study, "bed_temperature", usual.BED)
    return [
        *([_conditions(say)] if study.conditions else []),
        _column("out_of_dry_box", say("columns.out_of_dry_box"), "datetime", 17, say("hints.out_of_dry_box")),
        _figure("nozzle_temperature_actual", say("columns.nozzle_actual"), say("hints.nozzle_actual"), nozzle),
        _figure("bed_temperature_actual", say("columns.bed_actual"), say("hints.bed_actual"), bed),
        _figure("grams_through_nozzle", say("columns.grams_through_nozzle"), say("hints.grams_through_nozzle"), usual.GRAMS),
        _photograph(say),
    ]


def _of_coupon(study: Study) -> list[Column]:
    say = texts_of(study)
    return [
        _column("tested_by", say("columns.tested_by"), "text", 9, say("hints.initials")),
        _column("tested_on", say("columns.tested_on"), "date", 12, say("hints.a_date")),
        _column("conditioning", say("columns.conditioning"), "text", 15, say("hints.conditioning")),
        _column("break_location", say("columns.break_location"), "text", 14, say("hints.break_location")),
        _photograph(say),
    ]


def _of_load(study: Study) -> list[Column]:
    say = texts_of(study)
    return [
        _figure("empty_spool", say("columns.empty_spool"), say("hints.empty_spool"), usual.EMPTY_SPOOL, positive=True),
        _column("dried_by", say("columns.dried_by"), "text", 9, say("hints.initials")),
        *([] if any(f"{PREFIX}{one.name}" == DRYER for one in study.factors) else [_dryer(say)]),
    ]


def _dryer(say: Texts) -> Column:
    return _column("dryer", say("columns.dryer"), "text", 9, say("hints.dryer"))


def _conditions(say: Texts) -> Column:
    header, choices, hint = say("columns.as_listed"), shown(say, "conditions", (AS_LISTED, CHANGED)), say("hints.as_listed")
    return Column(CONDITIONS, header, "choice", True, choices, optional=True, width=13, hint=hint, part="more")


def _photograph(say: Texts) -> Column:
    return _column("photographs", say("columns.photographs"), "text", 16, say("hints.photographs"))


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
