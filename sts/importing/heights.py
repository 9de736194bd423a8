"""Which way the heights of an import grow: by the current of all its I(z) sweeps, where no file says it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd

from sts.loaders import LoadedFile, UnreadableFile
from sts.loaders.conventions import HEIGHT_TURNED
from sts.loaders.folders import FoundFile
from sts.loaders.how import HowToRead
from sts.quantities import MAD_SCALE

GROWS = {"": 0, "away": 1, "towards": -1}  # as said on import
BLOCKS = 16  # of a sweep; medians of them are ranked
LEAST_RANK = 0.5  # rank correlation of 16 medians; one of them alone above the others, at an end, has 0.42
MOST_STEPS = 3  # of the converter: less is a drift from one to the next
HIDDEN = 6.0  # standard errors of a median above the far end: below, medians count as equal
CLEAR = 10.0  # standard errors of a median between the two ends
MOST_IN_THE_MIDDLE = 0.42  # share of the rise reached half way; a decay by a factor of 2 has reached 0.41, a drift 0.5
LEAST_SIZE = 0.1  # of the median over the sweeps that tell; a dead channel that drifts is smaller
MOST_OF_A_SET = 50  # sweeps that are looked at
ENOUGH = 3  # falling sweeps after which the others need not be waited for


def growth(height: np.ndarray, current: np.ndarray) -> tuple[int, float]:
    """Whether the current of one I(z) sweep grows with the height (+1), falls (-1), or does not tell (0); and by how much.

    Parameters
    ----------
    height : ndarray, shape (n,)
        Ascending [m].
    current : ndarray, shape (n,)
        [A], of either sign and with any offset; NaN is passed over.

    Returns
    -------
    sense : int
    size : float
        Difference of the two ends [A].

    Notes
    -----
    Medians of 16 blocks must be in order by their ranks (Spearman), differ from end to end by 10 standard errors of the
    noise between neighbouring points and by more than three converter steps, and bend as a decay does: half way less than
    42 % of the rise is reached. Common practice, no source. Of sweeps of noise, white or 1/f, 1 % pass, of straight drifts none,
    of random walks a quarter: `Heights` passes over what is small beside the other sweeps, and turns nothing where two
    disagree. `tests/importing/test_heights.py` counts them.
    """
    known = np.isfinite(height) & np.isfinite(current)
    if known.sum() < 2 * BLOCKS:
        return 0, 0.0
    current = current[known]
    size, longer = divmod(current.size, BLOCKS)
    first = longer * (size + 1)  # blocks that are longer by a sample stand first, as numpy splits an array
    level = np.concatenate(
        [
            np.median(current[:first].reshape(longer, size + 1), axis=1),
            np.median(current[first:].reshape(-1, size), axis=1),
        ]
    )
    rise = level[-1] - level[0] if abs(level[-1]) >= abs(level[0]) else level[0] - level[-1]
    sense = 1 if abs(level[-1]) >= abs(level[0]) else -1
    noise = MAD_SCALE * np.median(np.abs(np.diff(current, 2))) / np.sqrt(6)
    steps = np.abs(np.diff(current))
    if abs(rise) <= MOST_STEPS * np.min(steps[steps > 0], initial=np.inf):
        return 0, abs(float(rise))
    error = 1.2533 * noise / np.sqrt(current.size / BLOCKS)  # of a median
    if abs(rise) <= CLEAR * error:
        return 0, abs(float(rise))
    share = (level - level[0 if sense > 0 else -1]) / rise
    above = np.where(np.abs(share * rise) > HIDDEN * error, share, 0.0)  # what noise hides is in no order
    ranked = float(np.corrcoef(np.arange(BLOCKS), pd.Series(sense * above).rank())[0, 1])
    tells = ranked >= LEAST_RANK and np.median(share[BLOCKS // 2 - 1 : BLOCKS // 2 + 1]) <= MOST_IN_THE_MIDDLE
    return (sense if tells else 0), abs(float(rise))


class Heights:
    """Files on their way into a session; those whose height may be turned wait until the sweeps of all have been seen.

    Parameters
    ----------
    how : HowToRead
    said : str
        ``"away"`` or ``"towards"`` the surface, as said on import; "" if it is to be found out.
    """

    def __init__(self, how: HowToRead, said: str = "") -> None:
        self.how, self.sign = how, GROWS[said]
        self._waiting: list[FoundFile] = []
        self._usual = False  # whether enough currents fall to let files through as they come
        self._votes: list[tuple[int, float]] = []
        self.left_out: list[tuple[str, str]] = []  # that could be read once, and not again
        self.note = ""  # what there is to tell at the end

    def take(self, file: FoundFile, loaded: LoadedFile) -> Iterator[LoadedFile]:
        """The files that need not wait (any more), in order.

        Parameters
        ----------
        file, loaded : FoundFile, LoadedFile
            What was just read.
        """
        unsaid = [part for part in loaded.sets if part.kind == "iz"] if not loaded.height_said else []
        if self.sign < 0 and unsaid:
            loaded = self._turned(file, "--height-grows")
        elif not self.sign:
            rows = (
                (part, part.current[i]) for part in unsaid for i in range(0, len(part), 1 + len(part) // MOST_OF_A_SET)
            )
            self._votes += [growth(part.axis, row) for part, row in rows]
        if self.sign or self._usual or not (unsaid or self._waiting):
            yield loaded
            return
        growing, falling = self._count()
        self._usual = falling >= ENOUGH and falling > growing
        if self._usual:
            yield from self._released()
            yield loaded
        else:
            self._waiting.append(file)

    def rest(self) -> Iterator[LoadedFile]:
        """Those that waited for the end, turned if the currents of all that tell grow with the height."""
        growing, falling = self._count()
        if growing and falling:
            self.note = (
                f"the current grows with the height in {growing} I(z) sweeps and falls in {falling}: no height was turned. If the "
                "height of some files grows towards the surface, import those by themselves with --height-grows towards, or "
                "with height_sign = -1 in a recipe for them."
            )
        turn = bool(growing) and not falling and not self._usual
        if turn:
            self.note = (
                f"the current of all I(z) sweeps that tell ({growing}) grows with the height, which is then the piezo's position "
                "and grows towards the surface: height turned, as height_sign = -1 in a recipe does. --height-grows away on "
                "import leaves it."
            )
        yield from self._released(turn=turn)

    def _count(self) -> tuple[int, int]:
        """How many sweeps grow and how many fall, of those that are not small beside the others."""
        telling = [(sense, size) for sense, size in self._votes if sense]
        least = LEAST_SIZE * float(np.median([size for _, size in telling])) if telling else 0.0
        senses = [sense for sense, size in telling if size >= least]
        return senses.count(1), senses.count(-1)

    def _released(self, *, turn: bool = False) -> Iterator[LoadedFile]:
        """The files that wait, read again: what they hold would fill the memory."""
        waiting, self._waiting = self._waiting, []
        growing, _ = self._count()
        by = f"the current of all {growing} I(z) sweeps of the import that tell, and no file,"
        for file in waiting:
            try:
                loaded = self.how.read(file)
                if turn and not loaded.height_said:
                    loaded = self._turned(file, by)
            except UnreadableFile as error:
                self.left_out.append((str(file.path), str(error)))
                continue
            yield loaded

    def _turned(self, file: FoundFile, by: str) -> LoadedFile:
        """A file with its height turned, and a note on who says so: not a recipe of the user."""
        loaded = self.how.read(file, height_sign=-1)
        before, now = HEIGHT_TURNED.format("the recipe"), HEIGHT_TURNED.format(by)

        def told(notes: tuple[str, ...]) -> tuple[str, ...]:
            return tuple(now if note == before else note for note in notes)

        parts = tuple(replace(part, notes=told(part.notes)) for part in loaded.sets)
        return replace(loaded, notes=told(loaded.notes), sets=parts)
