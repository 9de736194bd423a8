"""The file under HDF5's hands while a session is changed."""

from __future__ import annotations

import io
import os
from pathlib import Path
from typing import Any


class Stream(io.RawIOBase):
    """The file under HDF5's hands. A write that fails is noted and hidden from it.

    HDF5 cannot close a file on a full disk: it fails over and over, prints, and may crash at the end of the program.
    Here it never learns; `Change` does, and throws the copy away.

    Parameters
    ----------
    path : path
    mode : str
        As for `open`.

    Attributes
    ----------
    failure : OSError or None
        The first write that failed.
    """

    def __init__(self, path: Path, mode: str) -> None:
        self._file = io.FileIO(path, mode.replace("b", ""))
        self.failure: OSError | None = None

    def readable(self) -> bool:
        return True

    def writable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = 0) -> int:
        return self._file.seek(offset, whence)

    def readinto(self, buffer: Any) -> int:
        return self._file.readinto(buffer)

    def write(self, data: Any) -> int:
        rest = memoryview(data).cast("B")
        size = len(rest)
        try:
            while rest and self.failure is None:
                rest = rest[self._file.write(rest) :]
        except OSError as error:
            self.failure = error
        return size

    def truncate(self, size: int | None = None) -> int:
        try:
            return self._file.truncate(size)
        except OSError as error:
            self.failure = self.failure or error
            return size or 0

    def to_disk(self) -> None:
        """Wait until what was written is on the disk."""
        os.fsync(self._file.fileno())

    def close(self) -> None:
        self._file.close()
        super().close()
