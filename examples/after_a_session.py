"""After a session: what was kept, what was found, and what would help most next time.

Run it with the folder of the sweeps and the figure to write::

    python examples/after_a_session.py data/demo after_a_session.svg
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import sts
from sts.figures import plot_session_timeline
from sts.report import Summary


def main(folder: Path, picture: Path) -> None:
    with tempfile.TemporaryDirectory() as made:
        session = Path(made) / "session.h5"
        sts.import_files([folder / "iv", folder / "iz"], session, logbook=folder / "logbook.csv")
        results = sts.analyse(session)
    said = Summary(results)

    judged = results.judged
    print(f"{len(judged)} sweeps, {int(judged['used'].sum())} used. Left out:")
    print(judged.loc[~judged["used"].astype(bool), ["sweep", "reasons"]].to_string(index=False))
    for answer in said.answers:
        print(f"\n{answer.question} {answer.sentence} {answer.warning}".rstrip())
    print("\nNext time:")
    for step in said.improvements:
        print(f"- {step}")

    ax = plot_session_timeline(said.sweeps)
    ax.figure.savefig(picture)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
