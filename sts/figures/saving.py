"""Figures as bytes, the same figure as the same bytes; and bytes as files that are never half there."""

from __future__ import annotations

import io
import os
from pathlib import Path
from typing import Any

from matplotlib.figure import Figure

from sts.figures.style import DPI

# Neither dates nor versions: equal input gives equal bytes.
_METADATA: dict[str, dict[str, Any]] = {
    "svg": {"Date": None, "Creator": None, "Format": None, "Type": None},
    "png": {"Software": None},
    "pdf": {"CreationDate": None, "Creator": None, "Producer": None},
}


def save(figure: Figure, suffix: str, *, dpi: int = DPI) -> bytes:
    """A figure as ``"svg"``, ``"png"`` or ``"pdf"``; call it within `house_style`.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    suffix : str
        The format.
    dpi : int
        Dots per inch.
    """
    packing: Any = {"pil_kwargs": {"compress_level": 1}} if suffix == "png" else {}  # hardly larger, and faster
    buffer = io.BytesIO()
    figure.savefig(buffer, format=suffix, dpi=dpi, metadata=_METADATA[suffix], **packing)
    return buffer.getvalue()


def write_whole(path: Path, content: bytes) -> None:
    """Write a file whole or not at all; folders above it are made, and one that is there is replaced.

    Parameters
    ----------
    path : pathlib.Path
    content : bytes

    Raises
    ------
    OSError
        If it cannot be written; a file that was there is as it was.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_bytes(content)
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)
