"""The demo's study file, as shipped with the templates."""

from doe.files import templates_path


def demo_study() -> bytes:
    """Return the text of the study of an invented material."""
    return (templates_path() / "demo" / "study.toml").read_bytes()
