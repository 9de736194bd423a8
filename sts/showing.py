"""How results show themselves: a line of text where Python prints them, a table and a figure in a notebook."""

from __future__ import annotations

from dataclasses import fields
from importlib import import_module
from typing import Any

MOST = 90  # letters of one value


class Shown:
    """Base of results. Their arrays and tables would fill pages where a line is wanted."""

    def __repr__(self) -> str:
        return f"<{type(self).__name__}: {self._words()}>"

    def _words(self) -> str:
        """What it is in a few words; a class that knows better says so."""
        return ", ".join(f"{name}={words}" for name, words in told(self).items())

    def _repr_html_(self) -> str:
        """A table, and a figure where there is something to draw; only a notebook asks for it."""
        return str(import_module("sts.notebook").html(self))


def told(result: Any) -> dict[str, str]:
    """Each field of a dataclass in a few words.

    Parameters
    ----------
    result : dataclass
    """
    return {f.name: brief(getattr(result, f.name)) for f in fields(result) if not f.name.startswith("_") and f.repr}


def brief(value: Any) -> str:
    """A value in a few words: shapes of arrays and tables, the number of many, the beginning of long texts.

    Parameters
    ----------
    value : object

    >>> brief((1.5, 2.0)), brief("x" * 200)[-5:]
    ('(1.5, 2.0)', 'xxx …')
    """
    shape = getattr(value, "shape", None)
    if isinstance(shape, tuple) and shape:
        return f"{type(value).__name__} {' × '.join(map(str, shape))}"
    if isinstance(value, float):
        return f"{value:.6g}"
    text = "" if isinstance(value, (tuple, list, frozenset, set, dict)) and len(value) > 6 else repr(value)
    if not text or (len(text) > MOST and isinstance(value, (tuple, list, frozenset, set, dict))):
        return f"{len(value)} {'entries' if isinstance(value, dict) else 'items'}"
    return text if len(text) <= MOST else f"{text[: MOST - 2]} …"
