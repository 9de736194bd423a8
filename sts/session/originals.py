"""The original bytes of all files, one after the other, written in chunks that are deflated where that gains."""

from __future__ import annotations

import hashlib
import zlib
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

import h5py
import numpy as np

from sts.session import layout, picking, tables
from sts.session.tables import SessionError

CHUNK_BYTES = 1 << 20
SAMPLE = 1 << 16  # [bytes] at both ends of a chunk, to see whether it shrinks
WAITING = 4  # chunks that may be shrunk while others are read
STORED_AS_IS = 1  # HDF5 filter mask: the first filter, deflate, was skipped for this chunk


class Originals:
    """Adds original bytes to a session; `finish` must be called once, at the end.

    Text shrinks to a third; arrays of measured numbers do not shrink, and trying would take ten times as long as
    writing them. HDF5 notes for each chunk whether its filter was used, so any reader reads both.
    """

    def __init__(self, sources: h5py.Group) -> None:
        if "content" not in sources:
            sources.create_dataset(
                "content", (0,), np.uint8, maxshape=(None,), chunks=(CHUNK_BYTES,), compression="gzip",
                compression_opts=1,
            )  # fmt: skip
        self._data = sources["content"]
        self.size = int(self._data.size)
        full = self.size // CHUNK_BYTES * CHUNK_BYTES
        self._begun = bytearray(tables.read_array(self._data, slice(full, None)).tobytes())
        self._thread = ThreadPoolExecutor(1)  # zlib lets other threads run
        self._waiting: deque[tuple[int, Future[bytes]]] = deque()  # where a chunk begins, and what it shrinks to

    def add(self, piece: bytes | memoryview) -> None:
        """Add bytes behind those that are there.

        Parameters
        ----------
        piece : bytes
        """
        view = memoryview(piece)
        self.size += len(view)
        if self._begun:
            room = CHUNK_BYTES - len(self._begun)
            self._begun += view[:room]
            view = view[room:]
            if len(self._begun) < CHUNK_BYTES:
                return
            self._write(self.size - len(view), [memoryview(self._begun)])
            self._begun = bytearray()
        full = len(view) // CHUNK_BYTES * CHUNK_BYTES
        self._write(self.size - len(view) + full, [view[i : i + CHUNK_BYTES] for i in range(0, full, CHUNK_BYTES)])
        self._begun += view[full:]

    def _write(self, end: int, chunks: list[memoryview]) -> None:
        if not chunks:
            return
        start = end - CHUNK_BYTES * len(chunks)
        self._data.resize(self.size, axis=0)  # never beyond it: HDF5 2.0 fails to shrink onto a chunk stored as is
        gains = len(zlib.compress(chunks[0][:SAMPLE], 1)) + len(zlib.compress(chunks[0][-SAMPLE:], 1)) < 1.6 * SAMPLE
        for number, chunk in enumerate(chunks):
            offset = (start + number * CHUNK_BYTES,)
            if gains:
                self._waiting.append((offset[0], self._thread.submit(zlib.compress, bytes(chunk), 1)))
            else:
                self._data.id.write_direct_chunk(offset, chunk, filter_mask=STORED_AS_IS)

        while len(self._waiting) > WAITING:
            self._write_waiting()

    def _write_waiting(self) -> None:
        start, shrunk = self._waiting.popleft()
        self._data.id.write_direct_chunk((start,), shrunk.result())

    def finish(self) -> None:
        """Write what waits; the last chunk is filled up with zeros."""
        if self._begun:
            padded = bytes(self._begun) + bytes(CHUNK_BYTES - len(self._begun))
            end = self.size - len(self._begun) + CHUNK_BYTES
            self._write(end, [memoryview(padded)])
        while self._waiting:
            self._write_waiting()
        self._thread.shutdown()


def stored_contents(file: h5py.File) -> h5py.Dataset:
    """The original bytes of all files, one after the other.

    Parameters
    ----------
    file : h5py.File
    """
    return tables.part_of(file, "sources")["content"]


def contents_of(file: h5py.File, names: Sequence[str]) -> Iterator[bytes]:
    """The bytes of imported files, as they were, one after the other.

    Parameters
    ----------
    file : h5py.File
    names : sequence of str
        As in the sources.

    Raises
    ------
    SessionError
        If no file of a name was imported, or its bytes no longer have the hash stored with them.
    """
    sources = tables.read_log(file, "sources")
    rows = dict(zip(sources["name"], sources.to_dict("records"), strict=True))
    for name in names:
        if name not in rows:
            near = picking.near(name, sources["name"], "sts list --sources")
            raise SessionError(f"no file '{name}' was imported{near}.")
        content = read_content(stored_contents(file), rows[name])
        if hashlib.sha256(content).hexdigest() != rows[name]["sha256"]:
            raise SessionError(
                f"{file.filename}: the stored copy of '{name}' is damaged or lost: its SHA-256 is not the one noted at "
                "import. The sweeps read from it are not touched by this."
            )
        yield content


def read_content(stored: h5py.Dataset, source: Any) -> bytes:
    """The original bytes of one imported file.

    Parameters
    ----------
    stored : h5py.Dataset
        Those of all (`stored_contents`).
    source : mapping
        Its row of the sources.
    """
    return b"".join(content_pieces(stored, source))


def content_pieces(stored: h5py.Dataset, source: Any) -> Iterator[bytes]:
    """The same in pieces of at most `BLOCK_BYTES`.

    Parameters
    ----------
    stored, source
        As for `read_content`.
    """
    start, size = int(source["offset"]), int(source["size"])
    for at in range(start, start + size, layout.BLOCK_BYTES):
        yield tables.read_array(stored, slice(at, min(at + layout.BLOCK_BYTES, start + size))).tobytes()
