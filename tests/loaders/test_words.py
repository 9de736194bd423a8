"""The table of words, units by their dimension, and what a key of a header says."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from sts.loaders import UnreadableFile, words
from sts.sweeps import COLUMNS

TABLES = tomllib.loads((Path(words.__file__).parent / "words.toml").read_text(encoding="utf-8"))


@pytest.mark.parametrize("table", ["quantities", "keys", "directions", "sorts", "not_itself", "logarithms", "names"])
def test_no_word_means_two_things(table):
    every = [word for meaning in TABLES[table].values() for word in meaning]
    assert len(every) == len(set(every))


@pytest.mark.parametrize("table", ["quantities", "keys"])
def test_every_word_is_found_as_it_is_looked_up(table):
    """A word that `words_of` writes in another way could never be found."""
    assert [w for w in words.meanings(table) if words.words_of(w) != w] == []


def test_keys_are_columns_of_the_table_or_settled_by_the_reader():
    settled = {"date", "time", "set point", "tip bias", "current", *words.DIMENSIONS}
    assert {m for m in TABLES["keys"] if m not in (*COLUMNS, *settled)} == {
        "bias applied to", "bias reference", "grounded", "current sign", "current inverted", "bias sign", "bias inverted",
        "height sign", "height inverted", "height grows",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("Temperature (K)", ("temperature_K", "K", "")),
        ("temperature_K", ("temperature_K", "K", "")),
        ("Set-Point Current [pA]", ("setpoint_current_A", "pA", "")),
        ("modulation (rms)", ("modulation_V", "", "rms")),
        ("modulation rms (mV)", ("modulation_V", "mV", "rms")),
        ("Bias (tip)", ("tip bias", "", "")),
        ("T / °C", ("", "", "")),  # no unit that a factor reaches: said in brackets only
        ("#", ("repeat", "", "")),
        ("colour", ("", "", "")),
    ],
)
def test_what_a_key_says(text, key):
    assert words.key_of(text) == key


@pytest.mark.parametrize(
    ("text", "dimension", "factor"),
    [("nA", "current", 1e-9), ("A", "length", 1e-10), ("A", "current", 1.0), ("10^-9 A", "current", 1e-9),
     ("(mV)", "bias", 1e-3), ("×10⁻⁹ A", "current", 1e-9), ("MV", "bias", 1e6), ("nA", "bias", None), ("", "bias", None),
     ("wobbles", "bias", None)],
)  # fmt: skip
def test_the_factor_of_a_unit(text, dimension, factor):
    assert words.factor_to_si(text, dimension) == (factor if factor is None else pytest.approx(factor, rel=1e-12))


def test_a_column_of_the_users_own_keeps_its_name_unless_the_toolkit_has_it():
    assert words.own_column("coarse position") == "coarse_position"
    with pytest.raises(UnreadableFile, match="'my_flags'"):
        words.own_column("flags")
