"""What is said of a sweep above its curves."""

from __future__ import annotations

from typing import Any

from sts.review.listed import MEASURING
from sts.review.look import safe
from sts.review.marked import words_of


def heading_of(view: Any, note: str, why: str, *, measuring: bool) -> str:
    """Markup: its name and labels, what became of it, its flags.

    Parameters
    ----------
    view : HeightView or BiasView
    note : str
        What cannot be seen of it in the plots.
    why : str
        Why it stands where it stands in the list.
    measuring : bool
        Whether all sweeps are still being measured: then nothing is said that they have a say in.
    """
    told = ("sample", "tip", "site", "direction", "repeat")
    labels = ", ".join(f"{name} {safe(value)}" for name, value in view.labels.items() if name in told)
    state = "used" if view.used else "left out"
    by = f"by {safe(view.by or 'a person')} ({safe(view.decision)})" if view.decided_by == "person" else "by rule"
    if measuring:
        decided = f" <b>{state}</b>, {by}." if view.decided_by == "person" else ""
        return (
            f"<h3 class=sweep-name>{safe(view.sweep)}</h3><p>{labels}.{decided}</p>"
            f"<p>{MEASURING.capitalize()} Flags, barrier and answer follow; until then fit and group are of this site alone.</p>"
        )
    flags = "".join(f"<li>{safe(words_of(place))}</li>" for place in dict.fromkeys(view.places))
    barrier = ""
    if hasattr(view, "barrier_eV") and view.barrier_eV == view.barrier_eV:
        barrier = (
            f" Apparent barrier {view.barrier_eV:.3f} eV ({view.barrier_low_eV:.3f} to {view.barrier_high_eV:.3f})."
        )
    return (
        f"<h3 class=sweep-name>{safe(view.sweep)}</h3><p>{labels}. <b>{state}</b>, {by}.{barrier}</p>"
        f"{f'<p>Why it stands here: {safe(why)}.</p>' if why else ''}"
        f"{f'<ul>{flags}</ul>' if flags else '<p>No flag.</p>'}{f'<p>{safe(note)}</p>' if note else ''}"
    )
