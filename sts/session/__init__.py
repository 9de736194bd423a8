"""The session: one HDF5 file; this folder alone knows its layout."""

from sts.session.adding import ImportResult, add_files
from sts.session.annotating import annotate, take_back
from sts.session.export import export_csv, export_npz, export_originals, inert, safe_file_name
from sts.session.merging import identities, merge
from sts.session.rescuing import rescue
from sts.session.store import Session
from sts.session.tables import NotWritten, SessionError

__all__ = [
    "ImportResult",
    "NotWritten",
    "Session",
    "SessionError",
    "add_files",
    "annotate",
    "export_csv",
    "export_npz",
    "export_originals",
    "identities",
    "inert",
    "merge",
    "rescue",
    "safe_file_name",
    "take_back",
]
