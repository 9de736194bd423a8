"""The session: one HDF5 file; this folder alone knows its layout."""

from sts.session.layout import SessionError
from sts.session.store import ImportResult, Session, add_files

__all__ = ["ImportResult", "Session", "SessionError", "add_files"]
