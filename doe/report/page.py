"""
The report as one page of HTML: what ``sections.document`` says, with the response explorer, in one file.

Texts and numbers go in as JSON inside two data blocks, where no letter of theirs can end the block, and the page's program sets
them as text. The page's policy (Content Security Policy, W3C) lets nothing run but that program, by its digest, and lets
nothing be fetched. Figures are shown as images, in which no program runs. Equal inputs give equal bytes.
"""

import base64
import hashlib
import json
import re
from collections.abc import Mapping
from typing import Any

from doe.design import calibrated
from doe.files import templates_path
from doe.report.explorer import explorer
from doe.report.inputs import ReportInputs
from doe.report.sections import document

_SHOWN = ("title", "id", "material", "simulated", "day", "loud", "facts", "digests", "answer", "sections")
_PARTS = ("page.html", "page.css", "page.js", "explorer.js", "numbers.js")
_MARK = re.compile(r"@@([a-z-]+)@@")


def write_page(inputs: ReportInputs) -> bytes:
    """
    Return the report as one page of HTML that needs nothing else.

    Parameters
    ----------
    inputs : ReportInputs
        All that is shown, as for the PDF; the files of the study are not carried in the page.

    Returns
    -------
    bytes
        UTF-8; the same for the same inputs.
    """
    made = document(inputs)
    lines = calibrated.lines_of(inputs.study, inputs.record.checks)
    return page({name: made[name] for name in _SHOWN}, explorer(inputs, inputs.fitted, lines))


def page(report: Mapping[str, Any], exploring: Mapping[str, Any] | None) -> bytes:
    """
    Return the page of a report.

    Parameters
    ----------
    report : mapping
        JSON values, of ``sections.document``.
    exploring : mapping or None
        JSON values, of ``explorer.explorer``; None leaves the explorer out.
    """
    parts = page_templates()
    style = parts["page.css"]
    program = "\n".join(parts[name] for name in ("numbers.js", "explorer.js", "page.js"))
    fill = {
        "policy": policy(program, style), "style": style, "program": program, "report": as_json(report),
        "explorer": as_json(exploring),
    }
    return _MARK.sub(lambda found: fill[found.group(1)], parts["page.html"]).encode()


def page_templates() -> dict[str, str]:
    """Return the text of every template of the page, by its name."""
    folder = templates_path() / "report"
    return {name: (folder / name).read_text(encoding="utf-8") for name in _PARTS}


def policy(program: str, style: str) -> str:
    """Return the content security policy: one program and one style sheet by their digests, images inside the page, no more."""
    return (
        f"default-src 'none'; script-src '{_digest(program)}'; style-src '{_digest(style)}'; img-src data:;"
        " base-uri 'none'; form-action 'none'"
    )


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def as_json(value: Any) -> str:  # noqa: ANN401 - JSON values
    """Return JSON that can stand inside an element of HTML: no letter in it begins a tag, a comment or an entity."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for letter in "<>&":
        text = text.replace(letter, f"\\u{ord(letter):04x}")
    return text
