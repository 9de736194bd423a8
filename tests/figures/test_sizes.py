"""A figure is as wide as a column, or as said."""

from __future__ import annotations

import pytest
from numpy.testing import assert_allclose

from sts import figures
from sts.figures.sizes import width_in


def test_a_figure_is_as_many_mm_wide_as_asked_for() -> None:
    """An inch is 25.4 mm (international yard and pound agreement, 1959)."""
    assert_allclose(figures.new_figure(width=86)[0].figure.get_figwidth() * 25.4, 86)
    assert_allclose(width_in("double"), 178 / 25.4)


@pytest.mark.parametrize(
    ("width", "words"), [("triple", "'single' or 'double'.*mm"), (3.4, "3.4 mm.*between 30 and 400")]
)
def test_a_width_that_cannot_be_is_refused(width: str | float, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        width_in(width)
