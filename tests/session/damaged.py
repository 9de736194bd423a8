"""Ways to damage a session, and what is left of it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np

from sts.session import Session, SessionError, rescue


def by_name(session: Session) -> dict[str, np.ndarray]:
    return {name: row for part in session.sets() for name, row in zip(part.names, part.current, strict=True)}


def damage(session: Session, change: Callable[[bytearray], bytes | bytearray]) -> Path:
    path = session.path.with_name("damaged.h5")
    path.write_bytes(change(bytearray(session.path.read_bytes())))
    return path


def message_of(use: Callable[[], object]) -> str:
    """What is said when this cannot be done; "" if it can."""
    try:
        use()
    except SessionError as error:
        return str(error)
    return ""


def rescued(path: Path, new: Path) -> list[str]:
    """What a rescue says; nothing if it says that nothing could be saved."""
    said: list[str] = []
    refusal = message_of(lambda: said.extend(rescue(path, new)))
    assert not refusal or "nothing could be saved" in refusal
    return said


def where(session: Session, name: str) -> int:
    """Where the bytes of a dataset's first chunk lie."""
    with h5py.File(session.path) as file:
        data = file["entry"][name]
        return int(data.id.get_chunk_info(0).byte_offset if data.chunks else data.id.get_offset())


def spoiled(session: Session, change: Callable[[h5py.File], None]) -> Path:
    """A copy of the session with something in it overwritten, its checksums as they were."""
    path = session.path.with_name("damaged.h5")
    path.write_bytes(session.path.read_bytes())
    with h5py.File(path, "r+") as file:
        change(file)
    return path


def zero(place: str) -> Callable[[h5py.File], None]:
    def change(file: h5py.File) -> None:
        file[place][...] = np.zeros((), file[place].dtype)

    return change
