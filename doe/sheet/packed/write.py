"""Pack a workbook so that equal inputs give equal bytes."""

import datetime
import io
import zipfile
from pathlib import Path
from typing import Any

from openpyxl import Workbook
from openpyxl.writer.excel import ExcelWriter


class _Dated(zipfile.ZipFile):
    """An archive in which everything has one time, so that equal inputs give equal bytes."""

    moment: tuple[int, ...] = (1980, 1, 1, 0, 0, 0)

    def writestr(self, name: Any, data: Any, *_: Any) -> None:  # noqa: ANN401 - as the library calls it
        """Add a part."""
        entry = zipfile.ZipInfo(str(name), self.moment)  # type: ignore[arg-type]
        entry.compress_type, entry.external_attr, entry.create_system = zipfile.ZIP_DEFLATED, 0o600 << 16, 3
        super().writestr(entry, data)

    def write(self, filename: Any, arcname: Any = None, *_: Any) -> None:  # noqa: ANN401 - as the library calls it
        """Add a part that the library has written to a file of its own."""
        self.writestr(arcname, Path(filename).read_bytes())


def repeatable(book: Workbook, made_at: datetime.datetime) -> bytes:
    """Return the file's bytes with every time in it replaced by the given one."""
    written = io.BytesIO()
    archive = _Dated(written, "w", zipfile.ZIP_DEFLATED)
    archive.moment = max(made_at.timetuple()[:6], archive.moment)
    # Workbook.save would stamp the present time as the time of modification; its writer does not.
    ExcelWriter(book, archive).save()
    return written.getvalue()
