"""Files that people lay beside the record, such as force curves or photographs: hashed when collected, compared when checked."""

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from doe.errors import InputRefused, Problem
from doe.files import Folder
from doe.record.findings import listed

FOLDER = "evidence"
_PATTERN = f"{FOLDER}/**/*"


@dataclass(frozen=True)
class Gathered:
    """What a collection finds in the folder of evidence."""

    detail: Mapping[str, Mapping[str, str]]
    """For the log: under ``evidence`` the SHA-256 of each file that is new or altered, by name; empty where none is."""
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Logged:
    """The last that the log says of one file."""

    digest: str
    time: str
    altered: tuple[str, ...]
    """Times of earlier collections between which and the next it had changed."""


def digests(folder: Folder) -> dict[str, str]:
    """
    Return the SHA-256 of every file of evidence by its name in the study; hidden files are passed over.

    Files may be large: they are read piece by piece.

    Raises
    ------
    InputRefused
        With every file that cannot be read.
    """
    found, problems = {}, []
    for name in folder.names(_PATTERN):
        if any(part.startswith((".", "~$")) for part in name.split("/")):
            continue
        try:
            with folder.locate(name).open("rb") as file:
                found[name] = hashlib.file_digest(file, "sha256").hexdigest()
        except OSError as error:
            found_out = f"it cannot be read ({error.strerror})"
            problems.append(Problem(name, found_out, "a readable file is needed", "check its rights"))
    if problems:
        raise InputRefused(problems)
    return found


def logged(lines: Iterable[Mapping[str, Any]]) -> dict[str, Logged]:
    """Return the last that some lines of the log say of each file of evidence, by name."""
    known: dict[str, Logged] = {}
    for line in lines:
        for name, value in line["detail"].get(FOLDER, {}).items():
            before = known.get(name)
            altered = () if before is None else before.altered + ((before.time,) if before.digest != value else ())
            known[name] = Logged(str(value), str(line["time"]), altered)
    return known


def gathered(folder: Folder) -> Gathered:
    """Return what is new or altered among the evidence since the log last spoke of it."""
    known, here = logged(folder.log()), digests(folder)
    fresh = {name: value for name, value in here.items() if name not in known or known[name].digest != value}
    altered = [name for name in fresh if name in known]
    gone = sorted(set(known) - set(here))
    lines = []
    if fresh:
        lines.append(f"Files of {FOLDER}/ that the log covers from now on: {len(fresh)}; in all {len(here)}.")
    if altered:
        lines.append(f"Altered since they were collected: {listed(altered)}. The log keeps both digests; say in a note why.")
    if gone:
        lines.append(f"Collected before, and gone now: {listed(gone)}. Bring them back from a copy.")
    return Gathered({FOLDER: fresh} if fresh else {}, tuple(lines))
