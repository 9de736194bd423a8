"""Decisions in force as lines of `sts mark`, quoted so that a shell hands them over as they are."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator, Mapping, Sequence

from sts.session.deciding import account_name

LONGEST = 6000  # [characters] of a line; cmd.exe takes 8191
PLAIN = re.compile(r"[\w ,.:;=+@/()\[\]#~×±·–—-]*")  # between double quotes the same to every shell
SHELLS = ("posix", "cmd")


def mark_lines(
    session: str, decisions: Mapping[str, tuple[str, str]], shell: str = "posix", by: Mapping[str, str] | None = None
) -> str:
    """Lines that give the same decisions when they are run on a session without any.

    Parameters
    ----------
    session : str
        Path of the session.
    decisions : mapping
        Sweep to (action, why).
    shell : str
        One of `SHELLS`; what has no special characters is the same for both.
    by : mapping, optional
        Sweep to who decided; said in the lines where that is not the account that runs this.

    Raises
    ------
    ValueError
        If there is no such shell.

    Notes
    -----
    For cmd.exe a word with special characters is quoted as a program's arguments are read and then every special character
    has a caret before it, so that cmd.exe sees no quotes at all (common practice, no source).
    """
    if shell not in SHELLS:
        raise ValueError(f"'{shell}' is not a shell; use {' or '.join(SHELLS)}.")
    here, who = account_name(), by or {}
    groups: dict[tuple[str, str, str], list[str]] = {}
    for sweep, decision in decisions.items():
        groups.setdefault((*decision, who.get(sweep, here)), []).append(sweep)
    lines = []
    for (action, why, name), sweeps in groups.items():
        end = [] if not any(name.startswith("-") for name in sweeps) else ["--"]
        start = ["sts", "mark", session, f"--{action}", "--why", why, *(["--by", name] if name != here else []), *end]
        lines += [
            " ".join(_quoted(word, shell) for word in (*start, *part)) for part in _parts(sweeps, len(str(start)))
        ]
    return "\n".join(lines) + "\n" if lines else ""


def _parts(sweeps: Sequence[str], start: int) -> Iterator[list[str]]:
    """The sweeps in lots that fit into a line."""
    part: list[str] = []
    length = start
    for name in sweeps:
        if part and length + 2 * len(name) > LONGEST:
            yield part
            part, length = [], start
        part.append(name)
        length += 2 * len(name) + 3
    yield part


def _quoted(word: str, shell: str) -> str:
    if re.fullmatch(r"[A-Za-z0-9_./:+=-]+", word):
        return word
    if PLAIN.fullmatch(word if shell == "posix" or word.endswith("\\") else word.replace("\\", "/")):
        return f'"{word}"'
    if shell == "posix":
        return shlex.quote(word)
    as_argument = '"' + re.sub(r'(\\*)("|$)', _doubled, " ".join(word.splitlines())) + '"'
    return re.sub(r'([()%!^"<>&|])', r"^\1", as_argument)


def _doubled(found: re.Match[str]) -> str:
    """Backslashes before a quote, or before the end, which is one; the quote itself after one more."""
    return found[1] * 2 + ('\\"' if found[2] else "")
