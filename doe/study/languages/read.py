"""The files of ``templates/operators``, as they are shipped."""

import functools
import tomllib
from typing import Any

from doe.files import templates_path


@functools.cache
def language_files() -> dict[str, dict[str, Any]]:
    """Return the content of every file by its language's code, sorted."""
    paths = sorted((templates_path() / "operators").glob("*.toml"))
    return {path.stem: tomllib.loads(path.read_text(encoding="utf-8")) for path in paths}
