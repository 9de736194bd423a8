"""The session: one HDF5 file; this folder alone knows its layout."""

from sts.session.change import SessionError
from sts.session.store import ImportResult, Session

__all__ = ["ImportResult", "Session", "SessionError"]
