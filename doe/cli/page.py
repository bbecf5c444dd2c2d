"""The report as one page of HTML, from what the report is made of."""

from typing import TYPE_CHECKING

from doe.cli.desk import Desk

if TYPE_CHECKING:
    from doe.report.sections import ReportInputs

PAGE = "report.html"


def report_page(desk: Desk, inputs: "ReportInputs") -> bytes:
    """Return the page; the models are fitted once more, unexamined, for the arrays that its explorer computes from."""
    from doe.model.fit import fit_model
    from doe.model.request import FitRequest
    from doe.report.page import write_page

    asked = FitRequest(declared=desk.declared(inputs.study), examine=False)
    _, fitted = fit_model(inputs.study, inputs.design, inputs.record, asked)
    return write_page(inputs, fitted)
