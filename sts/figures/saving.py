"""Figures as bytes: the same figure gives the same bytes."""

from __future__ import annotations

import io
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
