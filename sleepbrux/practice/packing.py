"""Files of one kind as one file to save; the same files make the same bytes."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable
from pathlib import Path
from typing import IO
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

PART = 1 << 20


def packed(paths: Iterable[Path]) -> IO[bytes]:
    """A zip archive of files, without their times, open at its beginning; it is gone once it is closed."""
    whole = tempfile.TemporaryFile()  # noqa: SIM115
    with ZipFile(whole, "w", ZIP_DEFLATED, compresslevel=1) as archive:
        for path in paths:
            about = ZipInfo(path.name)
            about.compress_type = ZIP_DEFLATED
            with path.open("rb") as source, archive.open(about, "w", force_zip64=True) as target:
                while part := source.read(PART):
                    target.write(part)
    whole.seek(0)
    return whole
