"""The report as PDF/A-3a that is also PDF/UA-1: the document's data set by the templates.

The data go in as one JSON text and come out as text: no template evaluates them. No font of the machine, no clock and no
network takes part, so that equal inputs give equal bytes.
"""

import datetime
import json

import typst

from doe.errors import InternalFault
from doe.files import templates_path
from doe.report.inputs import ReportInputs
from doe.report.sections import document

__all__ = ["ReportInputs", "write_report"]


def write_report(inputs: ReportInputs) -> bytes:
    """
    Return the report as a PDF that claims, and is made to meet, PDF/A-3a (ISO 19005-3) and PDF/UA-1 (ISO 14289-1).

    Parameters
    ----------
    inputs : ReportInputs
        All that is shown; ``prepared_at`` becomes the date of the document.

    Returns
    -------
    bytes
        The same for the same inputs.

    Raises
    ------
    InternalFault
        Where the templates and the data do not fit each other.
    """
    folder = templates_path() / "report"
    prepared = datetime.datetime.fromisoformat(inputs.prepared_at)
    try:
        made = typst.compile(
            folder / "report.typ", root=folder, format="pdf", pdf_standards=["a-3a", "ua-1"], ignore_system_fonts=True,
            sys_inputs={"report": json.dumps(document(inputs), ensure_ascii=False, allow_nan=False)},
            timestamp=prepared if prepared.tzinfo is not None else prepared.replace(tzinfo=datetime.UTC),
        )
    except typst.TypstError as error:
        raise InternalFault(f"the report could not be set: {error.message}") from error
    assert isinstance(made, bytes)
    return made
