"""What to look at next: the order, its reasons, filters, and every planted fault of the demo among the first."""

from __future__ import annotations

import json
import time
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from review.conftest import DEMO

from sts.review import Desk, Filters
from sts.review.worklist import COLUMNS, order_of_work, worklist_of


def test_every_fault_planted_in_the_demo_stands_among_the_first_fifteen(looked_at: Desk) -> None:
    faults = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))["faults"]
    planted = {sweep for names in faults.values() for sweep in names}
    assert len(planted) == 5
    assert planted <= set(looked_at.worklist["sweep"].head(15))
    assert looked_at.worklist.set_index("sweep").loc[list(planted), "why"].str.len().min() > 10


def test_the_rest_stands_in_order_of_measurement_and_nothing_is_missing(looked_at: Desk) -> None:
    listed = looked_at.worklist
    assert list(listed.columns) == list(COLUMNS)
    assert sorted(listed["sweep"]) == sorted(looked_at.analysis.judged["sweep"])
    rest = listed.loc[(listed["why"] == "") | listed["why"].str.startswith("as most"), "sweep"].tolist()
    measured = [name for name in looked_at.measured.order.names if name in set(rest)]
    assert rest == measured
    assert listed["sweep"].tolist()[-len(rest) :] == rest


def test_a_flag_that_most_sweeps_of_a_tip_carry_makes_none_of_them_doubtful(looked_at: Desk) -> None:
    low = looked_at.worklist[looked_at.worklist["flags"] == "low barrier"]
    assert len(low) == 32
    assert set(low["why"]) == {"as most of its tip: low barrier"}


def flagged(desk: Desk, rows: list[tuple[str, str, float]], omitted: list[str]) -> pd.DataFrame:
    """The order of a desk's sweeps if these flags were all that is said of them."""
    flags = pd.DataFrame(rows, columns=["sweep", "flag", "times_limit"]).assign(detail="x")
    judged = desk.rule.judged
    own = flags.groupby("sweep")["flag"].agg(";".join)
    judged = judged.assign(
        flags=judged["sweep"].map(own).fillna(""), used=~judged["sweep"].isin(omitted)
    )  # fmt: skip
    return order_of_work(desk.measured, replace(desk.rule, judged=judged, flags=flags))


def test_near_the_limit_comes_first_then_what_is_used_in_spite_of_a_flag(looked_at: Desk) -> None:
    names = [f"heron_s3_r{repeat}_{way}" for repeat in (1, 2, 3) for way in ("retract", "approach")]
    rows = [
        (names[0], "jump", 1.4), (names[1], "jump", 1.1), (names[2], "jump", 9.0), (names[3], "lag", np.nan),
        (names[4], "curved", 1.2), (names[5], "curved", 3.0), (names[1], "curved", 30.0),
    ]  # fmt: skip
    order = flagged(looked_at, rows, names[:3])
    assert order["sweep"].tolist()[:5] == [names[1], names[0], names[5], names[4], names[3]]
    assert order["why"].tolist()[0] == "left out by rule but near the limit (1.1 times it): jump, curved"
    assert order["why"].tolist()[2] == "flagged and used: curved"
    # the planted faults carry no flag here, but their slopes and shapes are unusual
    assert order["why"].str.startswith("unusual for its site")[5:8].all()
    assert order["sweep"].tolist()[8] == names[2]
    assert order["why"].tolist()[8] == "left out by rule: jump"


def test_decisions_change_what_is_used_but_not_the_order(looked_at: Desk) -> None:
    name = looked_at.worklist["sweep"].iloc[40]
    log = pd.DataFrame({"time": ["2026-01-01"], "sweep": [name], "action": ["omit"], "why": ["x"]})
    listed = worklist_of(looked_at.worklist[["sweep", "why"]], looked_at.measured.summarise(log), {name})
    assert listed["sweep"].equals(looked_at.worklist["sweep"])
    row = listed.iloc[40]
    assert (row["used"], row["decided_by"], row["looked"]) == (False, "person", True)
    assert listed["looked"].sum() == 1


@pytest.mark.parametrize(
    ("filters", "count"),
    [
        (Filters(), 218),
        (Filters(kind="iz"), 128),
        (Filters(kind="iz", tip="heron", site="2"), 8),
        (Filters(flag="jump"), 3),
        (Filters(used=False), 3),
        (Filters(used=True, flag="saturated"), 2),
        (Filters(text="PLOVER_s4"), 8),
        (Filters(text="unusual", kind="iv"), 1),
        (Filters(unseen=True), 218),
        (Filters(decided_by="person"), 0),
        (Filters(sample="gold film", tip="curlew"), 32),
    ],
)
def test_filters_narrow_the_list(looked_at: Desk, filters: Filters, count: int) -> None:
    assert len(looked_at.filtered(filters)) == count


def test_fifty_thousand_rows_are_listed_and_filtered_in_time(looked_at: Desk) -> None:
    """Bound: 2 s for the list of 50,000 sweeps on a quiet machine; four times that where others run."""
    copies = 556
    judged = pd.concat(
        [looked_at.rule.judged.assign(sweep=looked_at.rule.judged["sweep"] + f"#{i}") for i in range(copies)],
        ignore_index=True,
    )
    flags = pd.concat(
        [looked_at.rule.flags.assign(sweep=looked_at.rule.flags["sweep"] + f"#{i}") for i in range(copies)],
        ignore_index=True,
    )
    sets = tuple(
        replace(
            part,
            current=np.tile(part.current, (copies, 1)),
            lockin=None if part.lockin is None else np.tile(part.lockin, (copies, 1)),
            table=pd.concat(
                [part.table.assign(sweep=part.table["sweep"] + f"#{i}", site=part.table["site"] + f"#{i}") for i in range(copies)],
                ignore_index=True,
            ),
        )
        for part in looked_at.measured.sets if part.kind == "iv"
    )  # fmt: skip
    judged = judged[judged["kind"] == "iv"].reset_index(drop=True)
    measured = replace(looked_at.measured, sets=sets, fits=())
    start = time.process_time()  # of this process: other work on the machine does not count
    order = order_of_work(measured, replace(looked_at.rule, judged=judged, flags=flags))
    listed = worklist_of(order, replace(looked_at.rule, judged=judged), set())
    Filters(text="unusual", unseen=True).rows(listed)
    assert len(listed) == 90 * copies
    assert time.process_time() - start < 8
