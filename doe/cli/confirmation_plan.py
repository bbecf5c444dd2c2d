"""The plan of a confirmation with what it is made from, before anything is written."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from doe.cli.confirmation_state import numbers_of
from doe.cli.open_study import RECOMMENDATION, OpenStudy
from doe.errors import InputRefused, Problem
from doe.files import digest, load_json

if TYPE_CHECKING:
    from doe.design.plan import Design
    from doe.recommend.confirmation import Confirmation
    from doe.record.match import Record
    from doe.study.spec import Study


@dataclass(frozen=True)
class Asked:
    """What was asked of ``doe confirm``."""

    loads: int | None = None
    recommendation: int | None = None
    override: str = ""
    seed: int = 0
    replacing: bool = False


@dataclass(frozen=True)
class There:
    """What stands in the study before a confirmation is planned."""

    design: "Design"
    record: "Record"
    files: dict[str, str]
    """Digests of study, plan and record as they are."""
    declared: dict[str, str]
    """The same as if no confirmation were there: what the declared fit rests on."""


def made_plan(
    opened: OpenStudy, study: "Study", there: There, asked: Asked, tried: tuple[dict[str, Any], bytes]
) -> "tuple[Design, Confirmation]":
    """
    Plan the prints of a confirmation; writes nothing.

    Parameters
    ----------
    opened : OpenStudy
    study : Study
    there : There
        Its plan without the confirmation.
    asked : Asked
    tried : tuple of dict and bytes
        The recommendation that is tried, as :func:`advice_to_try` returns it.

    Returns
    -------
    Design
        All rounds, the new one last.
    Confirmation

    Raises
    ------
    InputRefused
        As :func:`doe.recommend.confirm.plan_confirmation` has it.
    """
    from doe.model.fit import fit_model
    from doe.model.request import FitRequest
    from doe.recommend.beside import COMPLETION
    from doe.recommend.confirm import ConfirmRequest, plan_confirmation
    from doe.record.declared import without_confirmations

    design, inputs, (advice, content) = there.design, there.declared, tried
    before, rest = without_confirmations(design, there.record)
    _, fitted = fit_model(study, before, rest, FitRequest(declared=opened.declared(study), examine=False), inputs)
    number, refuted = _history(opened, design, advice)
    completes = next((one["lower"] for one in advice["beside"] if one["what"] == COMPLETION), None)
    request = ConfirmRequest(
        number, advice, digest(content), inputs, asked.seed, asked.loads, asked.override, completes, refuted
    )
    return plan_confirmation(study, design, rest, fitted, request)


def advice_to_try(opened: OpenStudy, asked: Asked, there: There) -> tuple[dict[str, Any], bytes]:
    """Return the recommendation that is to be confirmed, with its file; refused where it does not rest on what stands there."""
    opened.require(RECOMMENDATION, "a confirmation tries a recommended setting, and there is none", "doe recommend")
    name = RECOMMENDATION if asked.recommendation is None else f"recommendation-{asked.recommendation}.json"
    if not opened.folder.has(name):
        numbers = ", ".join(map(str, numbers_of(opened.folder, "recommendation")))
        raise InputRefused(
            Problem(
                "--recommendation",
                f"there is no recommendation {asked.recommendation}",
                f"there are {numbers}",
                "name one",
            )
        )
    content = opened.take(name)
    stored = load_json(name, content, "inputs", "number", "settings", "verdicts")
    if content != opened.take(RECOMMENDATION):
        raise InputRefused(
            Problem(
                "--recommendation",
                f"number {asked.recommendation} is not the latest",
                "only the latest rests on all that is known",
                f"confirm number {load_json(RECOMMENDATION, opened.take(RECOMMENDATION), 'number')['number']}, by leaving "
                "--recommendation out",
            )
        )
    if stored["inputs"] not in (there.files, there.declared):
        raise InputRefused(
            Problem(
                name,
                "the study or the record changed since it was made",
                "a confirmation tries what follows from what stands there now",
                "run 'doe fit' and 'doe recommend' again",
            )
        )
    return stored, content


def _history(opened: OpenStudy, design: "Design", advice: dict[str, Any]) -> tuple[int, tuple[int, ...]]:
    """Return the number of the next confirmation, and the earlier ones that found this setting not confirmed."""
    from doe.recommend.confirmation import NOT_CONFIRMED

    refuted, last = [], 0
    settings = {name: one["value"] for name, one in advice["settings"].items()}
    for number in numbers_of(opened.folder, "confirmation"):
        planned = f"confirmation-{number}.json"
        stored = load_json(planned, opened.folder.read(planned), "round", "settings")
        if stored["round"] not in design.confirmations:
            continue
        last, name = number, f"judgement-{number}.json"
        said = load_json(name, opened.folder.read(name), "verdict")["verdict"] if opened.folder.has(name) else ""
        if said == NOT_CONFIRMED and {key: one["value"] for key, one in stored["settings"].items()} == settings:
            refuted.append(number)
    return last + 1, tuple(refuted)
