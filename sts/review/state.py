"""What a session file held when it was last read, and what another program has changed in it since."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import pandas as pd

from sts.review.writing import Waiting
from sts.session import Session, SessionError
from sts.session.deciding import read_logs
from sts.sweeps import SAID_BY

FATES = {"omit": "omitted", "keep": "kept", "undo": "decision taken back"}
MOST_NAMED = 3


@dataclass(frozen=True, eq=False)
class State:
    """The logs of a session as they were read."""

    stamp: tuple[int, ...]  # time, size and number of the file before it was read
    decisions: pd.DataFrame
    sources: pd.DataFrame
    calibrations: pd.DataFrame
    annotations: pd.DataFrame
    looked: tuple[str, ...]
    own: tuple[tuple[str, str, str], ...] = field(default=())  # decisions written from here since: sweep, action, why

    @classmethod
    def of(cls, session: Session) -> State:
        """Read it.

        Parameters
        ----------
        session : Session
        """
        stamp = _stamp(session)  # first: what is changed while it is read shows in the next stamp
        names = ("decisions", "looked", "sources", "calibrations", "annotations")
        decisions, looked, sources, calibrations, annotations = read_logs(session.path, *names)
        known = annotations[annotations["column"] != SAID_BY]
        return cls(stamp, decisions, sources, calibrations, known, tuple(looked["sweep"]))

    def again(self, session: Session) -> State:
        """The state now; itself where the file has not changed.

        Parameters
        ----------
        session : Session
        """
        return self if _stamp(session) == self.stamp else State.of(session)

    def decided(self, written: Sequence[Waiting]) -> State:
        """The same, knowing of decisions that were written from here.

        Parameters
        ----------
        written : sequence of Waiting
        """
        own = [(sweep, one.action, one.why) for one in written for sweep in one.sweeps]
        return replace(self, own=(*self.own, *own)) if own else self

    def same_sweeps(self, other: State) -> bool:
        """Whether the sweeps, what is known of them and their scales are those of another state.

        Parameters
        ----------
        other : State
        """
        return self._sweeps == other._sweeps

    @cached_property
    def _sweeps(self) -> tuple[int, int, int]:
        return len(self.sources), len(self.calibrations), len(self.annotations)


def changes_between(before: State, after: State) -> list[str]:
    """What others changed, in words.

    Parameters
    ----------
    before, after : State
    """
    said = []
    new = list(
        after.decisions[["sweep", "action", "why"]].iloc[len(before.decisions) :].itertuples(index=False, name=None)
    )
    for mine in before.own:
        if mine in new:
            new.remove(mine)
    for action, fate in FATES.items():
        if sweeps := [sweep for sweep, did, _ in new if did == action]:
            more = f" and {len(sweeps) - MOST_NAMED} more" if len(sweeps) > MOST_NAMED else ""
            said.append(f"{fate} from outside: {', '.join(sweeps[:MOST_NAMED])}{more}")
    if added := len(after.sources) - len(before.sources):
        said.append(f"{added} {'file was' if added == 1 else 'files were'} imported from outside: measured again")
    if len(after.calibrations) != len(before.calibrations):
        said.append("a scale was calibrated from outside: measured again")
    if len(after.annotations) != len(before.annotations):
        said.append("what is known of sweeps was changed from outside: measured again")
    return said


def _stamp(session: Session) -> tuple[int, ...]:
    try:
        found = session.path.stat()
    except OSError as error:
        raise SessionError(
            f"{session.path}: is not there any more ({error.strerror}). Put it back, or end the review."
        ) from error
    return found.st_mtime_ns, found.st_size, found.st_ino
