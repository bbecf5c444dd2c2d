"""``doe new``: a study folder from a material family's starting points."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from doe.cli.open_study import STUDY, Done, OpenStudy
from doe.cli.steps import make_folder, require_unused
from doe.errors import InputRefused, Problem
from doe.files import Folder

if TYPE_CHECKING:
    from doe.report.tables import Table
    from doe.study.spec import Study
    from doe.verdicts import Verdict


@dataclass(frozen=True)
class Wanted:
    """What a new study is asked for."""

    family: str | None
    title: str | None = None
    printers: int = 2
    responses: str | None = None
    """Names separated by commas; None: the family's usual ones."""


def new(folder: Folder, wanted: Wanted) -> Done:
    """Make a study folder from a material family's starting points; without a family, say which there are."""
    from doe.study import heat, materials, read

    family = _known_family(wanted.family)
    require_unused(folder, "a study", "choose another name")
    printers = [chr(ord("A") + number) for number in range(wanted.printers)]
    text = materials.new_study_text(
        family, folder.path.resolve().name, printers, wanted.title, responses=_names(wanted.responses)
    )
    study = read.parse_study(text)
    make_folder(folder)
    OpenStudy(folder).commit("new", {STUDY: text.encode()}, family=family)
    warned = heat.heat_warnings(study)
    return Done(_data(study, warned), _tables(warned), tuple(_said(folder, study)))


def _tables(warned: "Sequence[Verdict]") -> "tuple[Table, ...]":
    if not warned:
        return ()
    from doe.report import screens

    return screens.verdict_tables(warned)


def _known_family(family: str | None) -> str:
    from doe.study import materials
    from doe.study.wording import meant

    if family is not None and family in materials.families():
        return family
    about = "".join(f"\n    {name:<8}{materials.template(name).description}" for name in materials.families())
    remedy = "add --family with one of them; 'other' has the general cautions for a material that is not there"
    likely = "" if family is None else meant(family, materials.families(), "")
    advised = f"{likely}; a material of its own kind is 'other', which has the general cautions" if likely else remedy
    raise InputRefused(
        Problem(
            "--family",
            "no family is named" if family is None else f"no family is named '{family}'",
            "a material is of one of the families below",
            f"{advised}{about}",
        )
    )


def _names(written: str | None) -> Sequence[str] | None:
    return None if written is None else [name.strip() for name in written.split(",") if name.strip()]


def _data(study: "Study", warned: "Sequence[Verdict]") -> dict[str, object]:
    from doe.study import materials

    return {
        "study": study.header.id,
        "file": STUDY,
        "cautions": list(materials.template(study.header.family).cautions),
        "verdicts": [one.as_data() for one in warned],
    }


def _said(folder: Folder, study: "Study") -> Sequence[str]:
    from doe.study import materials

    starting = materials.template(study.header.family)
    own = {one.name for one in study.responses}
    others = [one.name for one in (*starting.responses, *starting.offers) if one.name not in own]
    return (
        f"Made {folder.path / STUDY} for {study.header.family}, measuring {', '.join(one.name for one in study.responses)}.",
        *([f"Also offered, with --responses: {', '.join(others)}."] if others else []),
        "",
        "Before anybody heats anything:",
        *(f"- {caution}" for caution in starting.cautions),
        "",
        f"Next: read {STUDY}, put in your own requirements, then run 'doe plan --study {folder.path}'.",
    )
