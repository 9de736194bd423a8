"""Several sessions analysed as one, without a merged file that stays."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from sts.session import Session, SessionError, merge


@dataclass(frozen=True)
class Together:
    """Sessions opened as one.

    Attributes
    ----------
    session : Session
        What is to be analysed.
    name : str
        Of all of them.
    notes : tuple[str, ...]
        What they share, and where they contradict each other.
    """

    session: Session
    name: str
    notes: tuple[str, ...] = ()


@contextmanager
def as_one(sessions: Session | str | Path | Sequence[Session | str | Path]) -> Iterator[Together]:
    """One session, or several as one for as long as the block lasts; they are left as they are.

    Parameters
    ----------
    sessions : Session, path, or sequence of these

    Raises
    ------
    SessionError
        If one of them is no usable session, none is given, or one twice.
    """
    several = [sessions] if isinstance(sessions, (Session, str, Path)) else list(sessions)
    opened = [one if isinstance(one, Session) else Session.open(one) for one in several]
    if not opened:
        raise SessionError("No session is given; name one or more made by 'sts import'.")
    if len(opened) == 1:
        yield Together(opened[0], opened[0].path.name)
        return
    with tempfile.TemporaryDirectory() as folder:
        whole = Path(folder) / "together.h5"
        result = merge(whole, *(one.path for one in opened), create=True)
        twice = len(result.repeated)
        notes = (
            [f"{twice} file{'s are' if twice > 1 else ' is'} in more than one session; counted once."] if twice else []
        )
        yield Together(Session(whole), ", ".join(one.path.name for one in opened), (*notes, *result.conflicts))
