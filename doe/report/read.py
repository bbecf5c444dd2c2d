"""The templates of the page, as they are shipped."""

from doe.files import templates_path

_PARTS = ("page.html", "page.css", "page.js", "explorer.js", "numbers.js")


def page_templates() -> dict[str, str]:
    """Return the text of every template of the page, by its name."""
    folder = templates_path() / "report"
    return {name: (folder / name).read_text(encoding="utf-8") for name in _PARTS}
