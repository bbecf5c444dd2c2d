"""What the page's sliders need beyond their values: where these are on a scale that is not linear."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from doe.report.inputs import ReportInputs
from doe.study.spec import Factor


def on_scale(inputs: ReportInputs, factor: Factor, values: Sequence[float | str]) -> dict[str, Any]:
    """
    Return where a factor's values are on its scale, so that the page need not know the scale.

    Parameters
    ----------
    inputs : ReportInputs
    factor : Factor
    values : sequence
        Those of its slider, natural units.

    Returns
    -------
    dict
        Nothing for a linear factor. Else ``coded``, and where its setpoint scatters ``scattered``: one row a value with the coded
        value at every node of the conformance.
    """
    if not factor.has_nonlinear_scale:
        return {}
    coded = factor.coding.coded(np.array(values, dtype=float))
    view, place = None if inputs.chosen is None else inputs.chosen.view, inputs.study.factors.index(factor)
    if view is None or not factor.setpoint_sd > 0:
        return {"coded": coded.tolist()}
    settings = np.zeros((len(coded), len(inputs.study.factors)))
    settings[:, place] = coded
    return {"coded": coded.tolist(), "scattered": view.around(settings)[:, :, place].T.tolist()}
