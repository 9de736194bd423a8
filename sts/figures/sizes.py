"""How wide a figure is: the columns of a journal page, or any number of mm."""

from __future__ import annotations

WIDTHS_MM = {"single": 85.0, "double": 178.0}  # one and two columns of a journal page
NARROWEST_MM, WIDEST_MM = 30.0, 400.0


def width_in(width: str | float) -> float:
    """The width of a figure [inch].

    Parameters
    ----------
    width : str or float
        ``"single"`` (85 mm) or ``"double"`` (178 mm), the columns of a journal page, or a number of mm.

    Raises
    ------
    ValueError
        If it is neither, or not between 30 and 400 mm.

    >>> round(width_in(86), 3)
    3.386
    """
    if isinstance(width, str):
        if width not in WIDTHS_MM:
            known = " or ".join(map(repr, WIDTHS_MM))
            raise ValueError(f"width is '{width}'; it must be {known} (columns of a page), or a number of mm.")
        return WIDTHS_MM[width] / 25.4
    if not NARROWEST_MM <= width <= WIDEST_MM:
        raise ValueError(
            f"width is {width:g} mm; it must be between {NARROWEST_MM:g} and {WIDEST_MM:g} mm (a column is about 85)."
        )
    return width / 25.4
