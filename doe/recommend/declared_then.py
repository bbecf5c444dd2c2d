"""What the values of a confirmation are judged by, as the study had it when the prints were planned."""

from typing import Any

from doe.recommend.confirmation import Confirmation
from doe.study.amend import protocol
from doe.study.spec import Response, Study

BESIDE = ("name", "method", "instrument", "orientation", "grader_check")
"""Of a response, what does not judge a value: an instrument's due day may be put right."""


def declared(study: Study) -> dict[str, dict[str, Any]]:
    """Return, per response, what its values are judged by, as plain data for JSON."""
    return {
        one["name"]: {key: value for key, value in one.items() if key not in BESIDE} for one in protocol(study)["responses"]
    }


def as_declared(study: Study, confirmation: Confirmation) -> Study:
    """Return the study with what a confirmation's prints are judged by as it was then; as it is where the plan has no such."""
    then, conformance = confirmation.declared, confirmation.conformance
    if then is None or conformance is None:
        return study
    responses = tuple(
        Response.model_validate({**one.model_dump(mode="json", by_alias=True), **then.get(one.name, {})})
        for one in study.responses
    )
    header = study.header.model_copy(update={"conformance": conformance})
    return study.model_copy(update={"header": header, "responses": responses})
