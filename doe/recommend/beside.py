"""What stands beside the conformance at a setting: chances that prints complete, that judged responses are met."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from doe.design.plan import Design
from doe.model import graded
from doe.model.completion import chance_at, completion_model
from doe.model.data import response_data
from doe.model.fit import cannot_fit
from doe.recommend.results import Beside
from doe.record.declared import without_confirmations
from doe.record.match import Record
from doe.study import scale
from doe.study.spec import Study

Array = NDArray[np.float64]

COMPLETION = "completion"


def beside(study: Study, design: Design, record: Record, coded: Array) -> tuple[Beside, ...]:
    """
    Return completion and every graded or pass-fail response that has a model, at one setting.

    Parameters
    ----------
    study : Study
    design : Design
    record : Record
        Prints of confirmations are left out, as in the fit.
    coded : ndarray of shape (1, k)

    Returns
    -------
    tuple of Beside
        The setting was not chosen by them, so that their intervals are those of a setting fixed beforehand.
    """
    design, record = without_confirmations(design, record)
    return (*_completion(study, design, record, coded), *_judged(study, design, record, coded))


def _completion(study: Study, design: Design, record: Record, coded: Array) -> Iterator[Beside]:
    model = completion_model(study, design, record, scale.model_terms(study))
    if model is None:
        return
    found = chance_at(model, coded, study.header.confidence)[0]
    of = "a coupon of a new print, on a load taken at random, is printed"
    yield Beside(COMPLETION, of, found.chance, found.low, found.high, found.lower)


def _judged(study: Study, design: Design, record: Record, coded: Array) -> Iterator[Beside]:
    terms = scale.model_terms(study)
    for response in study.responses:
        if response.kind == "measured":
            continue
        data = response_data(study, design, record, response, terms)
        refusal = cannot_fit(study, data, response, limited=False)
        found = graded.chance_at(study, data, refusal, coded)
        if found is not None:
            required = scale.describe_requirement(response, "{:.10g}".format)
            yield Beside(response.name, f"a print that completes, on a load taken at random, has it {required}", *found, None)
