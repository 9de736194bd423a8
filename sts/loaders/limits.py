"""How much a file may hold or claim, checked before memory is taken for it."""

from __future__ import annotations

import io
import zipfile

from sts.loaders.loaded import UnreadableFile, library_words

LARGEST_FILE = 2**31  # bytes
LARGEST_ARRAY = 2**31  # bytes in all
LARGEST_UNPACKED = 2**30  # bytes
LARGEST_RATIO = 300  # unpacked to packed; workbooks of numbers reach about 20


def check_array_size(size: int, place: str = "") -> None:
    """Refuse arrays of more bytes than are read.

    Parameters
    ----------
    size : int
        All numbers so far [bytes].
    place : str
        In the file, for the message.

    Raises
    ------
    UnreadableFile
    """
    if size > LARGEST_ARRAY:
        raise UnreadableFile(
            f"claims {size / 1e9:.1f} GB of numbers; up to {LARGEST_ARRAY / 1e9:.1f} GB are read. Split the file.",
            place=place,
        )


def largest_unpacked(packed: int) -> int:
    """The most bytes that so many packed ones may unpack to.

    Parameters
    ----------
    packed : int
        [bytes]
    """
    return min(LARGEST_UNPACKED, max(10_000_000, LARGEST_RATIO * packed))


def check_zip(content: bytes) -> list[str]:
    """The members of a zip file that does not claim an absurd size when unpacked.

    Parameters
    ----------
    content : bytes

    Raises
    ------
    UnreadableFile
        If it is damaged or claims too much.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            claimed = sum(item.file_size for item in archive.infolist())
            names = archive.namelist()
    except (zipfile.BadZipFile, ValueError, OSError, EOFError, NotImplementedError, OverflowError) as error:
        raise UnreadableFile(f"is a damaged archive ({library_words(error)}). Export or copy it again.") from None
    if claimed > largest_unpacked(len(content)):
        raise UnreadableFile(
            f"claims {claimed / 1e6:.0f} MB unpacked from {len(content) / 1e6:.3f} MB; not opened. Export again in parts."
        )
    return names
