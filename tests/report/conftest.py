import pytest

from doe.report import drawn


@pytest.fixture
def undrawn(monkeypatch):
    """Leave figures undrawn, which take most of a report's time, where a test asks for texts and tables alone."""
    monkeypatch.setattr(drawn, "_DRAWN", dict.fromkeys(drawn._DRAWN, lambda _: b"<?xml?>"))
