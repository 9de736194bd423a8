"""What a failed read says: that the file is damaged, or that the machine failed, which says nothing about the file."""

from __future__ import annotations

import errno
import math
import os
import re

# What h5py raises where a file is damaged inside; it raises the same for faults of the machine (`of_machine`)
DAMAGE = (OSError, RuntimeError, KeyError, ValueError, TypeError, AttributeError, IndexError, MemoryError)
HELD = {errno.EAGAIN, errno.EWOULDBLOCK, errno.EDEADLK}  # what a lock says that another program holds
OF_PLACE = {errno.EINVAL, errno.EOVERFLOW}  # what a read says of a place that cannot be: damage
ROOM = 16 << 20  # [bytes] a block of sweeps has up to 1 MB, read and unpacked
MOST_ASKED = 1 << 36  # [bytes] no session has arrays so large: a damaged size


def errno_of(error: BaseException) -> int | None:
    """The system's error number; HDF5 hides it in its text.

    Parameters
    ----------
    error : BaseException
    """
    found = re.search(r"errno = (\d+)", str(error))
    return getattr(error, "errno", None) or (int(found[1]) if found else None)


def of_machine(error: BaseException) -> Exception | None:
    """The fault of the machine behind a failed read or write: want of memory, a disk or server that fails; None for damage.

    Parameters
    ----------
    error : BaseException
        As h5py, numpy or the system raised it.
    """
    if isinstance(error, RecursionError):
        return error
    if isinstance(error, MemoryError):
        return None if _asked(error) > MOST_ASKED else error
    if "memory allocation failed" in str(error) or _no_room():
        return MemoryError(str(error))
    number = errno_of(error)
    return OSError(number, os.strerror(number)) if number and number not in OF_PLACE else None


class damage_passed:
    """A block that ends where the file is damaged; faults of the machine are raised from it."""

    def __enter__(self) -> None:
        pass

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> bool:
        if not isinstance(error, DAMAGE):
            return False
        if fault := of_machine(error):
            raise fault from error
        return True


def _asked(error: MemoryError) -> float:
    """The bytes that numpy asked for in vain."""
    shape, dtype = getattr(error, "shape", None), getattr(error, "dtype", None)
    return math.prod(map(int, shape)) * int(dtype.itemsize) if shape is not None and dtype is not None else 0.0


def _no_room() -> bool:
    """Whether there is too little memory to read a block: unpacking then fails as where the block is damaged."""
    try:
        bytearray(ROOM)
    except MemoryError:
        return True
    return False
