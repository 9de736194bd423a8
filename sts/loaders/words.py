"""The words of column names and header keys (the tables of ``words.toml``), units, and what a key of a header says."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

from sts.loaders.loaded import UnreadableFile, shown
from sts.quantities import Unit, find_unit

_TABLES: dict[str, dict[str, list[str]]] = tomllib.loads(Path(__file__).with_name("words.toml").read_text("utf-8"))


def meanings(table: str) -> dict[str, str]:
    """The words of a table of ``words.toml``, each with what it means.

    Parameters
    ----------
    table : str

    Raises
    ------
    KeyError
        If there is no such table.
    """
    return {word: meaning for meaning, words in _TABLES[table].items() for word in words}


def among(table: str, meaning: str) -> frozenset[str]:
    """The words of one meaning.

    Parameters
    ----------
    table : str
    meaning : str

    Raises
    ------
    KeyError
        If there is no such table or meaning.
    """
    return frozenset(_TABLES[table][meaning])


QUANTITIES = meanings("quantities")  # what a column may hold
KEYS = meanings("keys")  # what a header, a logbook or a column of a long table says of sweeps
DIRECTION_WORDS = meanings("directions")
DIMENSIONS = {  # of quantities and of columns of the table
    "bias": "bias", "height": "length", "time": "time",
    "x_m": "length", "y_m": "length", "temperature_K": "temperature", "setpoint_current_A": "current",
    "setpoint_bias_V": "bias", "bias_V": "bias", "duration_s": "time", "full_scale_A": "current",
    "modulation_V": "bias", "tip bias": "bias", "current": "current",
}  # fmt: skip
SI_UNITS = {
    "bias": "V", "length": "m", "current": "A", "time": "s", "temperature": "K", "conductance": "S",
    "resistance": "ohm", "frequency": "Hz", "number": "1",
}  # fmt: skip
CELSIUS, UNITLESS, UNKNOWN = (among("values", meaning) for meaning in ("celsius", "unitless", "unknown"))
RESERVED = {  # of the toolkit itself
    "kind", "set", "points", "used", "flags", "channel", "unassigned", "replicate", "sweep", "source", "said_by",
}  # fmt: skip
LONGEST_NAME = 200  # characters looked at
_SUPERSCRIPTS = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁻⁺−", "0123456789-+-")
_POWER_UNIT = re.compile(  # 1e-9 A, 10^-9 A, ×10^{-9} A, x10⁻⁹ A: the unit is a power of ten of another
    r"[x×*·]?\s*(?:1(?:\.0*)?[eE](?P<e>[+-]?\d{1,2})|10\s*(?:(?:\^|\*\*)\s*(?P<ten>[+-]?\d{1,2})|(?P<bare>[+-]\d{1,2})))\s*[·*]?\s*"
    r"(?P<unit>[^\W\d]\S{0,11})"
)


def words_of(text: str) -> str:
    """A name as the words of the tables: lower case, single spaces, ``dI/dV`` and ``lock-in`` as one word.

    Parameters
    ----------
    text : str
    """
    text = unicodedata.normalize("NFC", text).strip().strip("\"'").lower()
    text = re.sub(r"\bd\s*i\s*[/_ ]?\s*d\s*([vz])\b", r"did\1", text)
    text = re.sub(r"\bd\s*v\s*[/_ ]?\s*d\s*i\b", "dvdi", text)
    text = re.sub(r"\block[\s_-]*in\b", "lockin", text)
    return re.sub(r"[\s_\-.:,/#]+", " ", text).strip()


def own_column(words: str) -> str:
    """The name of a column of the user's own.

    Parameters
    ----------
    words : str
        Of its head, lower case.

    Raises
    ------
    UnreadableFile
        If the toolkit has a column of that name.
    """
    name = "".join(c for c in words.strip().replace(" ", "_") if c.isalnum() or c == "_")
    if name in RESERVED:
        raise UnreadableFile(
            f"{shown(name)} is a word that the toolkit uses itself. Give your column another name, such as 'my_{name}'."
        )
    return name


def is_unit(text: str, *, expected: str = "") -> Unit | None:
    """The unit of a text in brackets or alone, ``10^-9 A`` among them; `None` if it is none.

    Parameters
    ----------
    text : str
    expected : str
        The dimension that the place calls for, such as ``"length"``.
    """
    text = text.strip().strip("()[]{}").strip()
    found = find_unit(text, expected=expected)
    if found is None and (power := _POWER_UNIT.fullmatch(text.translate(_SUPERSCRIPTS))):
        plain = find_unit(power["unit"], expected=expected)
        exponent = int(power["e"] or power["ten"] or power["bare"])
        found = plain and replace(plain, factor=plain.factor * float(f"1e{exponent}"))
    return found


def factor_to_si(unit: str, dimension: str) -> float | None:
    """What to multiply with to reach SI; None if a text is no unit of this dimension.

    Parameters
    ----------
    unit : str
        As written.
    dimension : str
        Such as ``"bias"`` or ``"length"``.
    """
    found = is_unit(unit, expected=dimension)
    return found.factor if found is not None and found.dimension == dimension else None


@lru_cache(4096)
def key_of(text: str) -> tuple[str, str, str]:
    """A header key or a logbook's column: (what it is in `KEYS`, "" if unknown; unit as written; words left over).

    ``Temperature (K)`` and ``temperature_K`` carry a unit; ``modulation (rms)`` carries a word that matters.

    Parameters
    ----------
    text : str
    """
    text = unicodedata.normalize("NFC", text[:LONGEST_NAME]).strip().strip("\"'").strip()
    unit, extra = "", ""
    for part in re.findall(r"[(\[{]([^()\[\]{}]*)[)\]}]", text):
        if is_unit(part) or part.strip() in CELSIUS:
            unit = part.strip()
        else:
            extra += " " + part
    bare = re.sub(r"[(\[{][^()\[\]{}]*[)\]}]", " ", text)
    slash = re.fullmatch(r"(.+?)\s*/\s*([^\s/]+)", bare)
    if slash and not unit and is_unit(slash[2]) and words_of(slash[1]) in KEYS:
        bare, unit = slash[1], slash[2]
    words = words_of(bare)
    if bare.strip() == "#":
        return "repeat", unit, extra.strip().lower()
    if extra and (both := words_of(f"{bare} {extra}")) in KEYS:  # ``Bias (tip)``
        return KEYS[both], unit, ""
    if words in KEYS:
        return KEYS[words], unit, extra.strip().lower()
    for word in ("rms", "peak to peak", "pp", "peak"):
        if re.search(rf"\b{word}\b", words):
            return KEYS.get(re.sub(rf"\s*\b{word}\b\s*", " ", words).strip(), ""), unit, f"{extra} {word}".strip()
    head, _, tail = bare.strip().rpartition("_")
    if head and not unit and is_unit(tail) and words_of(head) in KEYS:
        return KEYS[words_of(head)], tail, extra.strip().lower()
    return "", unit, extra.strip().lower()
