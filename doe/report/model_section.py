"""The sections about the measured responses: their models with figures, then how far the answer hangs on the model."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from doe.model import data as model_data
from doe.model.results import ResponseFit
from doe.model.settings import actual_settings
from doe.record.declared import without_confirmations
from doe.report import drawn, pieces, rows, views
from doe.report.choice import alternatives_rows
from doe.report.diagnostics import print_rows
from doe.report.effect_views import band_views, effect_view, fitted_of
from doe.report.inputs import ReportInputs
from doe.report.level_views import level_views
from doe.report.measured import measured_tables, sensitivity_tables
from doe.report.pieces import Block
from doe.report.residual_views import load_view, residual_views
from doe.report.tables import words
from doe.report.values import reading_rows
from doe.study import scale
from doe.study.spec import Response

_MEANING = (
    "All promises come from the declared model. Beside it stand the smaller model that the prints favour by AICc and the mean of"
    " all smaller ones, weighted by how well each does. Where they lead to about the same setting and the same conformance, the"
    " answer does not hang on which terms are in the model; where they do not, it does, and a confirmation decides."
)
_NONE = "Nothing is compared: the prints are too few beside the model, or no value is in doubt."


def model_blocks(inputs: ReportInputs) -> list[Block]:
    """Return the models of all measured responses."""
    blocks = [] if inputs.fit.responses else [pieces.text("No measured response was fitted.")]
    blocks += [pieces.table(reading_rows(inputs.fit.readings))] if inputs.fit.readings else []
    blocks += pieces.verdicts(inputs.fit.verdicts)
    by_name = {response.name: response for response in inputs.study.responses}
    return blocks + [block for fit in inputs.fit.responses for block in _model(inputs, fit, by_name[fit.response])]


def _model(inputs: ReportInputs, fit: ResponseFit, response: Response) -> list[Block]:
    own = replace(fit, choice=None, sensitivity=None)  # they stand in the section on sensitivity
    first, *rest = (pieces.table(table) for table in measured_tables(own, response.transform == "log"))
    effects = effect_view(inputs.study, response, fit, fitted_of(inputs.fitted, response.name))
    blocks = [pieces.heading(rows.with_unit(response)), first, *([] if effects is None else [drawn.block(effects)]), *rest]
    if fit.diagnostics is not None:
        blocks.append(pieces.table(print_rows(fit.diagnostics, fit.response, response.display_unit)))
    blocks += pieces.verdicts(fit.verdicts)
    return [*blocks, *map(drawn.block, _figures(inputs, fit, response))]


def _figures(inputs: ReportInputs, fit: ResponseFit, response: Response) -> Iterator[drawn.View]:
    """Yield what a verdict calls for, the loads, then the predicted mean over two factors and along each that matters."""
    one = fitted_of(inputs.fitted, response.name)
    yield from residual_views(fit, response, inputs.design)
    loads = None if one is None else load_view(fit, one, inputs.study.header.confidence)
    if loads is not None:
        yield loads
    prints, held = _measured_prints(inputs, response), _recommended(inputs)
    if prints is not None and response.name in inputs.predict:
        predict, interval = inputs.predict[response.name], inputs.interval.get(response.name)
        yield views.measured_view(inputs.study, response, prints, predict, interval, held)
    if one is not None:
        done = (inputs.design, inputs.record)
        yield from band_views(inputs.study, done, response, one, held)
        yield from level_views(inputs.study, done, response, one, held)


def sensitivity_blocks(inputs: ReportInputs) -> list[Block]:
    """Return the declared model, the smaller one and the mean of all side by side, and the fits without values in doubt."""
    found = inputs.recommendation
    tables = [] if found is None or found.alternatives is None else [alternatives_rows(found.alternatives)]
    blocks = [pieces.table(table) for table in tables if table.rows]
    for fit in inputs.fit.responses:
        shown = sensitivity_tables(fit)
        blocks += [pieces.heading(words(fit.response)), *map(pieces.table, shown)] if shown else []
    return [pieces.text(_MEANING), *blocks] if blocks else [pieces.text(_NONE)]


def _recommended(inputs: ReportInputs) -> dict[str, Any] | None:
    found = inputs.recommendation
    return None if found is None else {one.factor: one.value for one in found.settings}


def _measured_prints(inputs: ReportInputs, response: Response) -> views.Prints | None:
    study = inputs.study
    design, record = without_confirmations(inputs.design, inputs.record)
    data = model_data.response_data(study, design, record, response, scale.model_terms(study))
    if data is None:
        return None
    settings = actual_settings(study, design, record).iloc[data.order].reset_index(drop=True)
    return views.Prints(settings, np.exp(data.means) if response.transform == "log" else data.means)
