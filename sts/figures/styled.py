"""A figure that is made for a drawing is drawn in the house style, whatever the user has set; Axes given stay the user's."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any, TypeVar, cast

from sts.figures.style import house_style

_Plot = TypeVar("_Plot", bound=Callable[..., Any])


def styled(plot: _Plot) -> _Plot:
    """Let a function that draws on `ax` or `axes` draw in the house style where neither is given.

    Parameters
    ----------
    plot : callable
        With a keyword ``ax`` or ``axes``.
    """

    @functools.wraps(plot)
    def drawn(*args: Any, **kwargs: Any) -> Any:
        if kwargs.get("ax") is not None or kwargs.get("axes") is not None:
            return plot(*args, **kwargs)
        with house_style():
            return plot(*args, **kwargs)

    return cast("_Plot", drawn)
