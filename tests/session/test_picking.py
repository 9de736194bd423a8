"""Sweeps are picked by all labels at once; what is not there is answered with what is."""

from __future__ import annotations

import pandas as pd
import pytest

from sts.session import SessionError
from sts.session.picking import check, fitting, given, near, words

TABLE = pd.DataFrame({"sweep": ["heron_1", "heron_2", "plover_1"], "tip": ["heron", "heron", "plover"],
                      "site": ["s1", "s2", "s1"], "sample": ["", "", ""]})  # fmt: skip


def test_all_labels_must_fit() -> None:
    assert fitting(TABLE, given(None, "heron", "s1")).tolist() == [True, False, False]
    assert fitting(TABLE, given(None, None, None)).all()


def test_labels_are_named_in_an_error() -> None:
    assert words(["a*"], given(None, "heron", None)) == "'a*' and tip 'heron'"


def test_an_unknown_label_is_answered_with_those_there_are() -> None:
    with pytest.raises(SessionError, match=r"no such tip 'hero'; this session has heron, plover\."):
        check([TABLE], {"tip": "hero"}, None)
    with pytest.raises(SessionError, match=r"no such sample 'gold'; this session has none named\."):
        check([TABLE], {"sample": "gold"}, None)


def test_an_unknown_sweep_is_answered_with_those_near_to_it() -> None:
    with pytest.raises(SessionError, match=r"no such sweep 'heron1'; near to it: heron_1"):
        check([TABLE], {}, ["heron1"])
    assert near("zzz", TABLE["sweep"], "sts list") == "; 'sts list' shows what there is"
