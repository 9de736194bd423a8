"""Libraries that a damaged file can crash, or hold for ever, read in a process of their own."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from sts.loaders.loaded import UnreadableFile
from sts.processes import Ended, Guard

T = TypeVar("T")
GUARD = Guard("sts.loaders.formats")


def read_guarded(function: Callable[[bytes], T], content: bytes) -> T:
    """What a function makes of the bytes of a file, in a process that it may crash.

    Parameters
    ----------
    function : callable(content)
        Of a module; raises nothing but `UnreadableFile` and `MemoryError`.
    content : bytes

    Raises
    ------
    UnreadableFile
        As the function, or if it crashes, or takes more time or memory than a whole file would.
    """
    try:
        return GUARD.read(function, content)
    except Ended as ended:
        raise UnreadableFile(
            f"{ended}, in the library for such files; it may be damaged. Copy it again from where it was written, or "
            "export it as text or .npz."
        ) from None
