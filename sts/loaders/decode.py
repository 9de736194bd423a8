"""From bytes to text: byte-order mark, else UTF-8, else UTF-16 by its zeros, else Windows-1252, and say so."""

from __future__ import annotations

import codecs
import re

from sts.loaders.loaded import UnreadableFile

_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),  # before UTF-16, whose mark it starts with
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_NOT_TEXT = re.compile("[\x00-\x08\x0e-\x19\x1b-\x1f\x7f\ufffe\uffff]")  # \x1a ends text files of old systems
CONTROLS = bytes(code for code in range(128) if _NOT_TEXT.match(chr(code)) or chr(code) == "\x1a")
_MINUS = str.maketrans({"\N{MINUS SIGN}": "-", "\N{NO-BREAK SPACE}": " ", "\N{NARROW NO-BREAK SPACE}": " "})


def decode(content: bytes, *, encoding: str = "") -> tuple[str, list[str]]:
    r"""The text of a file, line ends as ``\\n``, and notes on any doubt.

    Parameters
    ----------
    content : bytes
    encoding : str
        That a recipe says; "" to find it out.

    Raises
    ------
    UnreadableFile
        If the file is empty or is not text.
    """
    if not content.strip(b"\x00 \t\r\n\x1a"):
        raise UnreadableFile("is empty; expected a table of sweeps. Export it again.")
    text, notes = _decode(content, encoding)
    if text.isascii() and len(content.translate(None, CONTROLS)) == len(text):  # as most files are
        return _unix(text), notes
    bad = _NOT_TEXT.search(text)
    if bad:
        raise UnreadableFile(
            f"is not text (character {ord(bad.group()):#04x} at position {bad.start() + 1}), and "
            f"not an array "
            "format that is known here. Export it as text, or as .npz, .mat, .xlsx or HDF5."
        )
    text = text.removeprefix("\ufeff").rstrip("\x1a").translate(_MINUS)
    return _unix(text), notes


def _unix(text: str) -> str:
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _decode(content: bytes, encoding: str) -> tuple[str, list[str]]:
    if encoding:
        try:
            return content.decode(encoding), []
        except (LookupError, UnicodeDecodeError, UnicodeError) as error:
            raise UnreadableFile(
                f"is not {encoding} ({error}). Correct or leave out 'encoding' in the recipe."
            ) from None
    for mark, codec in _MARKS:
        if content.startswith(mark):
            return _decode_marked(content[len(mark) :], codec)
    if b"\x00" in content:
        half = len(content) // 2
        for codec, zeros in (("utf-16-le", content[1::2]), ("utf-16-be", content[0::2])):
            if zeros.count(0) > 0.7 * half and len(content) >= 4:
                text, notes = _decode_marked(content, codec)
                return text, [*notes, "no byte-order mark: read as UTF-16 since every second byte is zero"]
    try:
        return content.decode("utf-8"), []
    except UnicodeDecodeError as error:
        if error.reason == "unexpected end of data" and error.start:
            return content[: error.start].decode("utf-8"), ["the last character is cut off"]
    # Windows-1252 where it has a letter; the five codes without one are no text in any case.
    text = content.decode("cp1252", errors="replace")
    return text, ["not UTF-8: read as Windows-1252 (Latin-1); check µ, Å and names"]


def _decode_marked(content: bytes, codec: str) -> tuple[str, list[str]]:
    width = {"utf-8": 1, "utf-16-le": 2, "utf-16-be": 2}.get(codec, 4)
    extra = len(content) % width
    try:
        text = content[: len(content) - extra].decode(codec)
    except UnicodeDecodeError as error:
        raise UnreadableFile(
            f"says it is {codec.upper()} but byte {error.start + 1} is not ({error.reason}). Save it again as UTF-8."
        ) from None
    return text, ["the last character is cut off"] if extra else []
