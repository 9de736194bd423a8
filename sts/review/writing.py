"""What goes from a review into the session: decisions and looks; what cannot be written now waits and is not lost."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from sts.session import NotWritten, SessionError
from sts.session.deciding import decide, note_looked
from sts.session.locking import heard_by

PATIENCE = 5.0  # [s] how long a decision waits for another program that changes the session
KEPT_HERE = " It is kept here and written with the next one, or when you try again."


@dataclass(frozen=True)
class Waiting:
    """A decision that could not be written yet."""

    sweeps: tuple[str, ...]
    action: str
    why: str


@dataclass
class Writing:
    """Decisions and looks on their way into a session."""

    path: Path
    by: str | None = None  # who decides; None: the account's name
    waiting: list[Waiting] = field(default_factory=list)
    done: list[Waiting] = field(default_factory=list)  # written since somebody last asked
    said: list[str] = field(default_factory=list)  # what can never be written, or not be promised
    cautions: set[str] = field(default_factory=set)  # said once
    looks: dict[str, None] = field(default_factory=dict)  # looked at, not yet in the session

    def decide(self, sweeps: Sequence[str], action: str, why: str) -> None:
        """Write what waits, and then this.

        Parameters
        ----------
        sweeps : sequence of str
            Names.
        action, why : str

        Raises
        ------
        NotWritten
            If it cannot be written now; it waits.
        SessionError
            If it can never be written as it is.
        """
        own = Waiting(tuple(sweeps), action, " ".join(why.split()))
        if own not in self.waiting:
            self.waiting.append(own)
        self.write(own)

    def write(self, own: Waiting | None = None) -> None:
        """Write what waits, in order, and what was looked at with it.

        Parameters
        ----------
        own : Waiting, optional
            The one that somebody asks for now: it fails aloud. Others that can never be written (a sweep that is gone, nothing
            left to undo) are dropped, and said.

        Raises
        ------
        NotWritten, SessionError
            As `decide`.
        """
        while self.waiting:
            first = self.waiting[0]
            try:
                with heard_by(self._caution):
                    decide(self.path, first.action, {first.why: first.sweeps}, by=self.by, looked=self.looks,
                           timeout=PATIENCE)  # fmt: skip
            except NotWritten as error:
                raise NotWritten(f"{error}{KEPT_HERE}") from error
            except SessionError as error:
                del self.waiting[0]
                if first == own:
                    raise
                self.said.append(
                    f"a decision that waited ({first.action} {', '.join(first.sweeps)}) was not taken: {error}"
                )
            else:
                self.done.append(self.waiting.pop(0))
                self.looks.clear()

    def write_looks(self) -> bool:
        """Write what was looked at; False if it cannot be written now, and stays here."""
        try:
            if self.looks:
                with heard_by(self._caution):
                    note_looked(self.path, list(self.looks), timeout=PATIENCE)
        except NotWritten:
            return False
        self.looks.clear()
        return True

    def _caution(self, text: str) -> None:
        if text not in self.cautions:
            self.cautions.add(text)
            self.said.append(text)


def may_write(session: Path) -> bool:
    """Whether a session and its folder may be written.

    Parameters
    ----------
    session : path
    """
    return os.access(session, os.W_OK) and os.access(session.absolute().parent, os.W_OK)
