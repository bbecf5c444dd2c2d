"""The study folder on disk: atomic writes, digests, the append-only log, the lock.

A command stages everything it will write, and ``Folder.commit`` makes all of it appear at once: the new contents and a
list of what goes where are made durable first, then the files are moved into place, then the log gets its line. A
command that was killed in between is completed by the next one that opens the folder.
"""

import contextlib
import datetime
import hashlib
import json
import os
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path, PurePosixPath
from typing import Any, TypeVar

from doe.errors import InputRefused, InternalFault, Problem, StudyBusy

T = TypeVar("T")

LOG = "log.jsonl"
_LOCK = ".doe.lock"
_STAGING = ".doe-staging"
_INTENT = ".doe-intent.json"
_WAIT_SECONDS = 3.0
_KEYS = {"time", "command", "version", "read", "wrote", "detail", "previous", "own"}
NO_LINE = "0" * 64
"""What the first line of a log gives as the digest of the one before it."""


def digest(content: bytes) -> str:
    """Return the SHA-256 of some bytes, as 64 hexadecimal digits."""
    return hashlib.sha256(content).hexdigest()


def digest_of(data: Any) -> str:  # noqa: ANN401 - any JSON value
    """Return the SHA-256 of a JSON value in its canonical form (sorted keys, no spaces, UTF-8)."""
    text = json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return digest(text.encode())


def log_line(text: bytes) -> dict[str, Any] | None:
    """
    Return a line of the log as data; None where it is not one that ``Folder.commit`` wrote.

    Each line ends in the digest of all else in it (``own``), so that a slip in the last line is seen before another follows.
    """
    try:
        line = json.loads(text)
    except ValueError:
        return None
    if not isinstance(line, dict) or set(line) | {"own"} != _KEYS:
        return None
    own = line.get("own")
    rest = {key: value for key, value in line.items() if key != "own"}
    same = json.dumps(line, sort_keys=True, ensure_ascii=False).encode() == text
    return line if same and own in (None, digest_of(rest)) else None


def dump_json(data: Any) -> bytes:  # noqa: ANN401 - any JSON value
    """Return a JSON value as indented text that ends in a newline; numbers keep every digit."""
    return (json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()


def load_json(name: str, content: bytes, *keys: str) -> dict[str, Any]:
    """
    Return the JSON object that a file of the study holds.

    Parameters
    ----------
    name : str
        Of the file, for messages.
    content : bytes
    keys : str
        What must be in it.

    Raises
    ------
    InputRefused
        A file that was cut off or edited, so that it is none or lacks a key.
    """
    try:
        data = json.loads(content)
    except ValueError:
        data = None
    if not isinstance(data, dict) or any(key not in data for key in keys):
        raise unreadable(name)
    return data


def unreadable(name: str) -> InputRefused:
    """Return the refusal of a result that is not as doe wrote it."""
    return InputRefused(
        Problem(
            name, "it cannot be read: it was cut off or edited", "a file as doe wrote it",
            "bring it back from a copy, or run the command again that writes it; 'doe check' says which files were altered",
        )
    )  # fmt: skip


def now() -> datetime.datetime:
    """Return the time, UTC, whole seconds; ``SOURCE_DATE_EPOCH`` fixes it for reproducible outputs."""
    fixed = os.environ.get("SOURCE_DATE_EPOCH")
    if fixed is not None and fixed.isdigit():
        return datetime.datetime.fromtimestamp(int(fixed), datetime.UTC)
    return datetime.datetime.now(datetime.UTC).replace(microsecond=0)


def stamp() -> str:
    """Return the time as ISO 8601 text that ends in Z."""
    return now().isoformat().replace("+00:00", "Z")


def templates_path() -> Path:
    """
    Return the folder of the templates: inside the package where it was installed, beside it in a checkout.

    Raises
    ------
    InternalFault
        Where neither is there.
    """
    package = Path(__file__).resolve().parent
    for candidate in (package / "templates", package.parent / "templates"):
        if (candidate / "materials").is_dir():
            return candidate
    raise InternalFault(f"the templates are missing beside {package}; install the package again")


class Folder:
    """A study folder. Names are relative to it, with forward slashes, and cannot leave it."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def locate(self, name: str) -> Path:
        """Return the path of a file of the study; a name that would leave the folder is refused."""
        relative = PurePosixPath(name)
        if relative.is_absolute() or ".." in relative.parts or not relative.parts:
            raise InputRefused(
                Problem(name, "a path that leaves the study folder", "paths inside it are allowed", "use a plain name")
            )
        return self.path / Path(*relative.parts)

    def has(self, name: str) -> bool:
        """Whether the study holds this file."""
        return self.locate(name).is_file()

    def names(self, pattern: str) -> list[str]:
        """Return the names of the files that match a glob pattern, sorted."""
        return sorted(p.relative_to(self.path).as_posix() for p in self.path.glob(pattern) if p.is_file())

    def read(self, name: str) -> bytes:
        """Return the bytes of one file; a missing or unreadable file is refused with its name."""
        try:
            return self.locate(name).read_bytes()
        except FileNotFoundError:
            raise InputRefused(
                Problem(name, "there is no such file in the study", "the study must hold it", "run 'doe status'")
            ) from None
        except OSError as error:
            raise InputRefused(
                Problem(name, f"it cannot be read ({error.strerror})", "a readable file is needed", "check its rights")
            ) from None

    def log(self) -> list[dict[str, Any]]:
        """Return the lines of the log, oldest first; a log that cannot be read is refused with the lines that are damaged."""
        lines = list(enumerate(self.log_texts(), 1))
        damaged = [number for number, text in lines if log_line(text) is None]
        if damaged:
            raise InputRefused(
                Problem(
                    f"{LOG}, line {number}", "it is not a line that doe wrote", "the log is never edited",
                    "bring the file back from a copy, then run 'doe check'",
                )
                for number in damaged
            )
        return [line for _, text in lines if (line := log_line(text)) is not None]

    def log_texts(self) -> list[bytes]:
        """Return the lines of the log as they stand in the file, oldest first, without the newlines."""
        return self.read(LOG).removesuffix(b"\n").split(b"\n") if self.has(LOG) else []

    def log_head(self, except_by: str | None = None) -> str:
        """
        Return the SHA-256 of the log's last line, or 64 zeros where there is none yet.

        With ``except_by`` the lines of one command are passed over: a second report then shows the same head as the first.
        """
        kept = self.log_texts()
        if except_by is not None:
            kept = [text for text, line in zip(kept, self.log(), strict=True) if line["command"] != except_by]
        return digest(kept[-1]) if kept else NO_LINE

    @contextlib.contextmanager
    def locked(self, command: str) -> Iterator[None]:
        """Hold the study's lock; a second command waits a few seconds, then raises StudyBusy, which says who holds it."""
        import socket

        from filelock import FileLock, Timeout

        path = self.path / _LOCK
        lock = FileLock(path)
        try:
            lock.acquire(timeout=_WAIT_SECONDS)
        except Timeout:
            raise StudyBusy(
                Problem(
                    str(self.path),
                    f"it is in use by {_holder(path)}",
                    "one command at a time works on a study",
                    "wait for it to end, then run this again",
                )
            ) from None
        except OSError as error:
            raise _cannot_write(self.path, error) from None
        try:
            with contextlib.suppress(OSError):  # some systems let nobody write to a locked file; the name is a courtesy
                path.write_text(f"doe {command}, process {os.getpid()} on {socket.gethostname()}, since {stamp()}")
            self._finish_interrupted()
            yield
        finally:
            # Removing the file while the lock is held is safe: a waiting process checks that the file it locked
            # still has its name, and starts over where it has not.
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)
            lock.release()

    @contextlib.contextmanager
    def settled(self, command: str) -> Iterator[str | None]:
        """
        Read the study while no other command works on it; gives the command that was interrupted and is finished now.

        In a folder where nobody may write there is nothing to wait for, and nothing is finished.
        """
        if not os.access(self.path, os.W_OK):
            yield None
            return
        stopped = self.interrupted()
        with self.locked(command):
            yield stopped

    def undisturbed(self, read: Callable[[], T | None]) -> T | None:
        """
        Return what ``read`` finds in the study, without its lock; None where that may be half of one state and half of another.

        So it is where another command works on the study or was interrupted, or where one ended while it was read: each
        ends in a line of the log.
        """
        before = self._at_rest()
        found = None if before is None else read()
        return found if found is not None and self._at_rest() == before else None

    def _at_rest(self) -> bytes | None:
        """Return the log as it stands, or None where a command works on the study or left something to be finished."""
        if any((self.path / name).exists() for name in (_LOCK, _INTENT, _STAGING)):
            return None
        try:
            return self.read(LOG) if self.has(LOG) else b""
        except InputRefused:
            return None

    def commit(
        self,
        command: str,
        writes: Mapping[str, bytes],
        *,
        reads: Mapping[str, bytes],
        version: str,
        detail: Mapping[str, Any] | None = None,
    ) -> None:
        """
        Write several files and one line of the log, all or nothing.

        Parameters
        ----------
        command : str
            What is recorded as the writer, for example ``plan``.
        writes : mapping of str to bytes
            Name in the study -> new content.
        reads : mapping of str to bytes
            What the command read, for the log's digests.
        version : str
            Version of this software.
        detail : mapping, optional
            Anything else the log should hold, as JSON values (seed, reason, before and after).

        Raises
        ------
        InputRefused
            Where the folder cannot be written to: nothing is changed then.
        """
        line: dict[str, Any] = {
            "time": stamp(),
            "command": command,
            "version": version,
            "read": {name: digest(content) for name, content in sorted(reads.items())},
            "wrote": {name: digest(content) for name, content in sorted(writes.items())},
            "detail": dict(detail or {}),
            "previous": self.log_head(),
        }
        line["own"] = digest_of(line)
        text = json.dumps(line, sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n"
        contents = dict(writes)
        contents[LOG] = b"".join(before + b"\n" for before in self.log_texts()) + text.encode()
        try:
            self._stage(contents)
            self._finish_interrupted()
        except OSError as error:
            if not (self.path / _INTENT).exists():
                with contextlib.suppress(OSError):  # what was half staged takes space that may be what is missing
                    self._finish_interrupted()
            raise _cannot_write(self.path, error) from None

    def interrupted(self) -> str | None:
        """Return the command that was stopped while its results were put in place, or None; the next one finishes it."""
        intent, staging = self.path / _INTENT, self.path / _STAGING
        if not intent.is_file():
            return None
        number = next(number for number, name in json.loads(intent.read_text()).items() if name == LOG)
        staged = staging / number
        texts = staged.read_bytes().removesuffix(b"\n").split(b"\n") if staged.is_file() else self.log_texts()
        line = log_line(texts[-1])
        return None if line is None else str(line["command"])

    def _stage(self, contents: Mapping[str, bytes]) -> None:
        staging = self.path / _STAGING
        staging.mkdir(exist_ok=True)
        intent = {}
        for number, (name, content) in enumerate(contents.items()):
            _write_durably(staging / str(number), content)
            intent[str(number)] = self.locate(name).relative_to(self.path).as_posix()
        _write_durably(staging / _INTENT, json.dumps(intent).encode())
        (staging / _INTENT).replace(self.path / _INTENT)  # from here on the command is done, come what may
        _sync_directory(self.path)

    def _finish_interrupted(self) -> None:
        """Move staged files into place; where no intent was made durable, throw the half-staged ones away."""
        intent, staging = self.path / _INTENT, self.path / _STAGING
        if intent.is_file():
            for number, name in json.loads(intent.read_text()).items():
                target = self.locate(name)
                target.parent.mkdir(parents=True, exist_ok=True)
                if (staging / number).is_file():
                    (staging / number).replace(target)
                    _sync_directory(target.parent)
            intent.unlink()
        if staging.is_dir():
            for left in staging.iterdir():
                left.unlink()
            staging.rmdir()


def _write_durably(path: Path, content: bytes) -> None:
    with path.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _sync_directory(path: Path) -> None:
    if hasattr(os, "O_DIRECTORY"):  # not on Windows, where a directory cannot be opened
        handle = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _holder(path: Path) -> str:
    try:
        return path.read_text().strip() or "another command"
    except OSError:
        return "another command"


def _cannot_write(path: Path, error: OSError) -> InputRefused:
    return InputRefused(
        Problem(
            str(path),
            f"nothing can be written there ({error.strerror})",
            "a writable folder with free space is needed",
            "free space or check the folder's rights, then run this again",
        )
    )
