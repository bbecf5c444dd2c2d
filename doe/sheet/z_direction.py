"""What operators are told about the sign of a Z offset, which may differ between printers."""

from collections.abc import Iterator

from doe.study.operators import Texts
from doe.study.spec import Factor, Printer, Study
from doe.study.z_direction import is_turned

_Z_OFFSET = "z_offset"


def z_senses(study: Study, say: Texts) -> Iterator[str]:
    """Yield which sign brings the nozzle closer, where the printers say so: once for those that agree."""
    for factor, printers in _shared(study):
        key = "on_turned" if is_turned(factor, printers[0]) else "on_printer"
        yield _said(say, factor, printers, key if _differ(study) else "on_all")


def z_senses_of_readings(study: Study, say: Texts) -> Iterator[str]:
    """Yield the same where readings are written down; nothing where all printers agree."""
    if _differ(study):
        yield from (_said(say, factor, printers, "on_printer") for factor, printers in _shared(study))
        yield say("z_sense.as_shown")


def _said(say: Texts, factor: Factor, printers: list[Printer], key: str) -> str:
    sense = say(f"z_sense.{printers[0].z_closer}", factor=say.name(factor.name))
    return say(f"z_sense.{key}", sense=sense, printer=", ".join(one.name for one in printers))


def _differ(study: Study) -> bool:
    return len({one.z_closer for one in study.printers} - {None}) > 1


def _shared(study: Study) -> Iterator[tuple[Factor, list[Printer]]]:
    """Yield the factor that the senses are about with the printers of each sense, in their order."""
    factor = next((one for one in study.factors if one.z_closer is not None or one.name == _Z_OFFSET), None)
    for sense in dict.fromkeys(one.z_closer for one in study.printers if one.z_closer is not None):
        if factor is not None:
            yield factor, [one for one in study.printers if one.z_closer == sense]
