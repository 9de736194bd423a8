"""What a desk shows of a session: the list, one sweep, the answer before and now, the settings in use."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from sts.analysis import Analysis, Curve, Measured
from sts.barrier.windows import WindowFit
from sts.plan import Plan
from sts.review.answer import Answer, spectrum_with, tips_then_and_now
from sts.review.listed import MEASURING, Listed
from sts.review.previews import preview
from sts.review.settings import changed_settings
from sts.review.standing import Standing
from sts.review.worklist import Filters
from sts.session import SessionError
from sts.spectra.spectrum import Spectrum


class Shown:
    """A session as it stands; nothing here changes it."""

    _now: Standing | Listed

    @property
    def plan(self) -> Plan:
        """The settings in use."""
        return self._now.plan

    @property
    def measuring(self) -> bool:
        """Whether the sweeps are still being measured, so that there is no answer yet."""
        return isinstance(self._now, Listed)

    @property
    def _measured(self) -> Standing:
        if isinstance(self._now, Listed):
            raise SessionError(
                f"{MEASURING.capitalize()} Try again when the answer is there; decisions can be taken before."
            )
        return self._now

    @property
    def opened(self) -> Analysis:
        """The results when the session was opened."""
        return self._measured.opened

    @property
    def measured(self) -> Measured:
        """Every sweep measured under the settings in use."""
        return self._measured.measured

    @property
    def analysis(self) -> Analysis:
        """The results under the decisions in force."""
        return self._measured.analysis

    @property
    def rule(self) -> Analysis:
        """The results if nobody had decided anything."""
        return self._measured.rule

    @property
    def worklist(self) -> pd.DataFrame:
        """Every sweep in the order in which it wants to be looked at; see `sts.review.worklist.COLUMNS`."""
        return self._now.worklist

    def filtered(self, filters: Filters) -> pd.DataFrame:
        """The rows of the worklist that pass.

        Parameters
        ----------
        filters : Filters
        """
        return self.worklist[filters.rows(self.worklist)]

    @property
    def looked_at(self) -> tuple[int, int]:
        """How many sweeps have been looked at, and how many there are."""
        return int(self.worklist["looked"].sum()), len(self.worklist)

    def view(self, sweep: str) -> Any:
        """One sweep as arrays, with its fit, masks and flags.

        Parameters
        ----------
        sweep : str
        """
        return self._now.view(sweep)

    def curves(self, sweeps: Sequence[str]) -> tuple[Curve, ...]:
        """The currents of some sweeps of one site, to be drawn behind another.

        Parameters
        ----------
        sweeps : sequence of str
        """
        return self._now.curves(sweeps)

    def reasons(self, sweep: str) -> list[str]:
        """Words offered for leaving a sweep out: its flags with their sizes.

        Parameters
        ----------
        sweep : str

        Raises
        ------
        SessionError
            If there is no such sweep.
        """
        self._now.row(sweep)
        if self.measuring:
            return []
        rows = self.analysis.flags[self.analysis.flags["sweep"] == sweep]
        return [
            f"{flag}: {detail}" if detail else flag for flag, detail in zip(rows["flag"], rows["detail"], strict=True)
        ]

    def answer(self) -> Answer:
        """The tips with their numbers when opened and now, what was decided and which way, and cautions."""
        spectra = self.analysis.spectra.spectra if self.analysis.spectra is not None else ()
        return Answer(
            tips=tips_then_and_now(self.opened, self.analysis),
            spectra=tuple(s.label for s in spectra),
            decided=self.analysis.by_hand.tips,
            sentence=self.analysis.by_hand.sentence,
            cautions=self.analysis.by_hand.cautions,
        )

    def spectrum(self, sweep: str) -> tuple[Spectrum | None, Spectrum | None]:
        """The averaged spectrum of the group of a sweep when the session was opened, and now.

        Parameters
        ----------
        sweep : str
        """
        self._now.row(sweep)
        return spectrum_with(self.opened, sweep), spectrum_with(self.analysis, sweep)

    @property
    def changed(self) -> list[tuple[str, Any, Any]]:
        """Settings that differ from the defaults: key, default, now."""
        return changed_settings(self.plan, Plan())

    def preview_window(self, sweep: str, from_nm: float | None, to_nm: float | None) -> WindowFit:
        """The fit of one I(z) sweep over another window, at once; `change` measures all under it.

        Parameters
        ----------
        sweep : str
        from_nm, to_nm : float or None
            Heights from the near end of the ramp [nm]; None: as far as the rules allow.

        Raises
        ------
        SessionError
            If there is no such I(z) sweep.
        """
        self._now.row(sweep)
        return preview(self.measured, sweep, from_nm, to_nm)
