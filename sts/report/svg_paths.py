"""Paths of an SVG in half the bytes: as steps of a hundredth of a point, which add up to the same places."""

from __future__ import annotations

from functools import lru_cache
from operator import sub

_NUMBERS = {"M": 2, "L": 2, "Q": 4, "C": 6}  # that follow a command


def shorter_path(path: str) -> str:
    """A path of absolute places as relative steps (SVG 2, section 9.3), rounded to a hundredth before they are taken.

    Parameters
    ----------
    path : str
        As the plotting library writes it: commands M, L, Q, C and z and numbers, with spaces between them.

    Raises
    ------
    KeyError
        If there is another command.
    """
    words = path.split()
    if len(words) % 3 == 0 and set(words[::3]) <= {"M", "L"}:
        return _shorter_lines(words)
    said: list[str] = []
    here = start = (0, 0)
    command = implied = ""
    at = 0
    while at < len(words):
        if words[at].isalpha():
            command = words[at]
            at += 1
        if command == "z":
            said.append("z")
            here, command, implied = start, "", ""
            continue
        count = _NUMBERS[command]
        places = [round(100 * float(word)) for word in words[at : at + count]]
        at += count
        if command.lower() != implied:
            said.append(command.lower())
        said += [_said(place - here[i % 2]) for i, place in enumerate(places)]
        here = (places[-2], places[-1])
        if command == "M":
            start = here
        implied = "l" if command == "M" else command.lower()  # what follows is a line unless it says otherwise
    return "".join(said).strip()


def _shorter_lines(words: list[str]) -> str:
    """The same of straight lines only, which most paths are, in a third of the time."""
    said: list[str] = [""] * len(words)
    said[::3] = ["m" if command == "M" else "" for command in words[::3]]  # what follows is a line
    for axis in (1, 2):
        places = [round(100 * float(word)) for word in words[axis::3]]
        said[axis::3] = map(_said, map(sub, places, [0, *places]))
    return "".join(said)


@lru_cache(maxsize=1 << 12)
def _said(hundredths: int) -> str:
    """A number, set apart from the one before it."""
    number = f"{abs(hundredths) / 100:.2f}".rstrip("0").rstrip(".").lstrip("0") or "0"
    return f"-{number}" if hundredths < 0 else f" {number}"
