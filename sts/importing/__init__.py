"""From files to a session: read, label, store, in one change; and labels that come later."""

from sts.importing.files import ImportOptions, how_to_read, import_files
from sts.importing.kinds import preview_kinds
from sts.importing.labels import Annotated, annotate_session, propose_names
from sts.importing.logbooks import read_reasons, write_logbook

__all__ = [
    "Annotated",
    "ImportOptions",
    "annotate_session",
    "how_to_read",
    "import_files",
    "preview_kinds",
    "propose_names",
    "read_reasons",
    "write_logbook",
]
