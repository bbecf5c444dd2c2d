"""The headings by which columns are known, in every language that workbooks are written in."""

from doe.design.plan import Design
from doe.record.cells import key_of
from doe.sheet import layout
from doe.sheet.columns import Column
from doe.study.operators import ENGLISH, in_language, languages, texts
from doe.study.spec import Study

_LANGUAGES = tuple(texts(language) for language in languages())
REASON = Column("reason", texts(ENGLISH)("columns.reason"), fill=True, optional=True)
"""Where a row says why a value in it, which was collected before, is another one now; a column that sheets may lack."""
REASONS = frozenset(
    key_of(heading) for say in _LANGUAGES for heading in (say("columns.reason"), *say("columns.reason_or").split("|"))
)
"""Its headings in every language, as of :func:`doe.record.cells.key_of`."""
TITLES = frozenset(key_of(title) for say in _LANGUAGES for title in say.table("sheets").values())
"""The names of a workbook's own sheets in every language, as of :func:`doe.record.cells.key_of`."""


def known_headings(study: Study, design: Design, round_number: int) -> dict[str, dict[str, str]]:
    """
    Return, by sheet, every heading that a column has in any language, with the column's key.

    Parameters
    ----------
    study : Study
    design : Design
    round_number : int
        It must be in the design.

    Returns
    -------
    dict of str to dict of str to str
        Sheets as the package names them, headings as of :func:`doe.record.cells.key_of`. A heading that two languages give to
        two columns is left out.
    """
    found: dict[str, dict[str, set[str]]] = {}
    for language in languages():
        for sheet in layout.sheets(in_language(study, language), design, round_number):
            of_sheet = found.setdefault(sheet.name, {heading: {REASON.key} for heading in REASONS})
            for column in sheet.columns:
                of_sheet.setdefault(key_of(column.header), set()).add(column.key)
    return {name: {heading: keys.pop() for heading, keys in said.items() if len(keys) == 1} for name, said in found.items()}
