"""From the entries of a header to columns of the sweep table, in SI units, and to the signs of bias, current, height."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from sts.loaders.block import Entry
from sts.loaders.loaded import UnreadableFile, shown
from sts.loaders.magnitudes import out_of_range
from sts.loaders.recipe import Recipe
from sts.loaders.words import CELSIUS, KEY_DIMENSIONS, SI_UNITS, UNKNOWN, is_unit, key_of, words_of
from sts.sweeps import COLUMNS, NUMBER_COLUMNS

_VALUE = re.compile(r"([+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eEdD][+-]?\d+)?)\s*(.*)", re.DOTALL)
_PLUS = {"1", "+1", "+", "1.0", "+1.0", "positive", "pos", "normal", "not inverted", "non-inverted", "non-inverting",
         "as is", "unchanged"}  # fmt: skip
_MINUS = {"-1", "-", "-1.0", "negative", "neg", "inverted", "inverting", "reversed"}
_YES = {"yes", "y", "true", "1", "on", "inverted"}
_NO = {"no", "n", "false", "0", "off", "normal", "not inverted", "none"}
RMS = {"rms": 1.0, "peak": np.sqrt(0.5), "pp": np.sqrt(0.125), "peak-to-peak": np.sqrt(0.125)}
SIGN_KEYS = ("bias applied to", "bias reference", "grounded", "current sign", "current inverted", "bias sign", "bias inverted",
              "height sign", "height inverted", "height grows")  # fmt: skip
_MAY_TURN = re.compile(r"\b(?:polarity|sign|invert\w*|reversed)\b")
_INVERTS = re.compile(r"(?<!non-)(?<!non )(?<!not )\b(?:invert(?:s|ed|ing)|reversed)\b")
_MAY_SCALE = re.compile(r"\b(?:multipl\w*|scale|scaling|scale factor|(?:pre)?factor|divider|attenuat\w*)\b")
_ELSEWHERE = re.compile(
    r"\b(?:scan|image|x|y|lockin|display|plot|colou?r|map|drift|tilt|line|lines|frame|quality|fill|averag\w*|duty|"
    r"oversampling|crest|form|sign off)\b"
)
_FACTOR = re.compile(r"[x×]?\s*[+-]?\d*[.,]?\d+(?:e[+-]?\d+)?\s*x?|\d*\s*[:/]\s*\d+(?:\.\d+)?|10\s*\^\s*-?\d+")
_LOGARITHM = re.compile(r"(?:current |i )?(?:log|log10|ln|logarithm|logarithmic|log scale)")
_NOTHING_DONE = {"1", "1.0", "none", "off", "no", "linear", "lin", "1x", "x1", "1:1"}


@dataclass
class Metadata:
    """What a header says."""

    values: dict[str, str | float] = field(default_factory=dict)  # column of the table -> value
    signs: dict[str, int] = field(default_factory=dict)  # of bias, current, height, where said; -1: turned against ours
    taken: list[tuple[Entry, str]] = field(default_factory=list)  # entry, what it was taken for ("" if unused)
    notes: list[str] = field(default_factory=list)
    _said: dict[str, Entry] = field(default_factory=dict)  # who said a value or a sign

    def state(self, quantity: str, sign: int, entry: Entry) -> None:
        """Take the sign of a quantity.

        Raises
        ------
        UnreadableFile
            If another entry says the other sign.
        """
        before = self._said.setdefault(f"{quantity} sign", entry)
        if self.signs.setdefault(quantity, sign) != sign:
            raise UnreadableFile(
                f"{shown(entry.key)} is {shown(entry.value)} and {shown(before.key)} is {shown(before.value)}, which contradict "
                f"each other about the sign of the {quantity}. Say {quantity}_sign = 1 (or -1) in a recipe and mark both as "
                '"unused" under [header].',
                place=entry.place,
            )

    def put(self, column: str, value: str | float, entry: Entry) -> None:
        """Take a value; where another entry says another one, neither is used."""
        before = self._said.setdefault(column, entry)
        if before is entry:
            self.values[column] = value
        elif column in self.values and not _alike(self.values[column], value):
            del self.values[column]
            self.notes.append(
                f"{entry.place}: {shown(entry.key)} is {shown(entry.value)}, and {shown(before.key)} ({before.place}) is "
                f"{shown(before.value)}; neither is used"
            )

    @property
    def unread(self) -> list[str]:
        """The keys of entries of which nothing was taken, each once."""
        keys = [e.key.strip() for e, what in self.taken if not what and e.value.strip().lower() not in UNKNOWN]
        return list(dict.fromkeys(keys))


def _alike(one: str | float, other: str | float) -> bool:
    if isinstance(one, float) and isinstance(other, float):
        return bool(np.isclose(one, other, rtol=1e-6, atol=0))
    return str(one).strip().casefold() == str(other).strip().casefold()


def number_of(text: str, decimal: str = ".") -> tuple[float, str] | None:
    """A number and what stands behind it (a unit), or None. ``0,5`` is read either way where nothing is in doubt."""
    match = _VALUE.fullmatch(text.strip())
    if not match:
        return None
    digits = match[1].replace("d", "e").replace("D", "e")
    if "," in digits:
        if decimal != "," and re.search(r"(?<!^0),\d{3}(?!\d)", digits):
            return None  # 1,500: a thousand or one and a half
        digits = digits.replace(",", ".")
    elif decimal == "," and re.fullmatch(r"[+-]?[1-9]\d{0,2}\.\d{3}", digits):
        return None  # 1.500 where the comma is the decimal mark
    return float(digits), match[2].strip()


def scaled(values: Any, factor: float) -> Any:
    """Values times a factor to SI; divided by 1/factor where that is whole: 0.1 nm is 1e-10 m to the last digit."""
    inverse = round(1 / factor) if 0 < abs(factor) < 1 else 0
    if inverse and abs(inverse * factor - 1) < 1e-12:
        return values / inverse
    return values if factor == 1 else values * factor


def modulation_kind(text: str) -> str:
    """``rms``, ``peak`` or ``peak-to-peak`` if a text says so, else ""."""
    low = text.lower()
    if re.search(r"\brms\b|r\.m\.s|_rms", low):
        return "rms"
    if re.search(r"peak[\s-]*(?:to[\s-]*)?peak|\bpp\b|p-p|vpp", low):
        return "peak-to-peak"
    return "peak" if re.search(r"\bpeak\b|\bpk\b|zero-to-peak", low) else ""


def in_si(column: str, text: str, unit: str, decimal: str) -> tuple[float | None, str]:
    """A value of a number column in SI, or None and the reason why not.

    Of several quantities in one value, such as ``0.2 mV rms, 811 Hz``, the one of the column's dimension.
    """
    expected = KEY_DIMENSIONS.get(column, "")
    found = number_of(text, decimal)
    if expected and len(parts := _parts(text)) > 1:
        fitting = [part for part in parts if _dimension(part, expected) == expected]
        if len(fitting) == 1 and all(_dimension(part) for part in parts):
            found = number_of(fitting[0], decimal)
    if found is None:
        return None, "is not a number that can be read without doubt"
    number, tail = found
    if not expected:
        return (number, "") if not tail else (None, "should be a plain number")
    written = _bare_unit(tail) or unit
    if unit and written != unit and not _same_unit(written, unit, expected):
        return None, f"has the unit {shown(written)}, and its name {shown(unit)}"
    if expected == "temperature" and written in CELSIUS:
        number, written = number + 273.15, "K"
    if not written:
        return None, f"has no unit (expected one of {expected}, such as {SI_UNITS[expected]})"
    known = is_unit(written, expected=expected)
    if known is None or known.dimension != expected:
        return None, f"has the unit {shown(written)}, which is none of {expected} (such as {SI_UNITS[expected]})"
    value = float(scaled(number, known.factor))
    why = out_of_range(column, value, SI_UNITS[expected])
    return (None, why) if why else (value, "")


def _same_unit(one: str, other: str, expected: str) -> bool:
    if {one, other} <= set(CELSIUS):
        return True
    a, b = is_unit(one, expected=expected), is_unit(other, expected=expected)
    return a is not None and b is not None and (a.dimension, a.factor) == (b.dimension, b.factor)


def _parts(text: str) -> list[str]:
    """The quantities of a value such as ``100 pA, 0.5 V`` or ``50 pA @ 0,1 V``."""
    return [p for p in re.split(r"\s*(?:,\s+|;|@|\bat\b|\band\b|/(?=\s*[+-]?\d))\s*", text.strip()) if p]


def _bare_unit(tail: str) -> str:
    """The unit behind a number, without what says rms or peak."""
    kind = r"(?i)[\s,(]*(?:rms|r\.m\.s\.?|peak[\s-]*(?:to[\s-]*)?peak|peak|pk|pp|p-p)[\s)]*$"
    return re.sub(kind, "", tail).strip(" ()[]")


def _dimension(part: str, expected: str = "") -> str:
    found = number_of(part, ",")
    unit = is_unit(_bare_unit(found[1]), expected=expected) if found else None
    return unit.dimension if unit else ""


def read_metadata(entries: Iterable[Entry], kind: str, decimal: str, recipe: Recipe) -> Metadata:
    """The columns of the table that header entries give.

    An entry that cannot be used without a guess (no unit, rms or peak not said) is left out, with a note.

    Raises
    ------
    UnreadableFile
        If an entry may turn a sign or scale the numbers, and what it says is not understood.
    """
    result = Metadata()
    parts: dict[str, str] = {}
    own = {key.strip().lower(): column for key, column in recipe.header.items()}
    for entry in entries:
        column, unit, extra = key_of(entry.key)
        name = own.get(entry.key.strip().lower(), "")
        if name == "unused":
            result.taken.append((entry, "unused"))
            continue
        if name:
            column, extra = key_of(name)[0] or name, ""
            unit = key_of(name)[1] if name in COLUMNS and not unit and not _has_unit(entry.value) else unit
        elif not column:
            _refuse_what_may_change(entry)
        if entry.value.strip().lower() in UNKNOWN - ({"-", "none"} if column in SIGN_KEYS else set()) or not column:
            result.taken.append((entry, ""))
            continue
        if column in ("date", "time"):
            if column == "time" and _has_unit(entry.value):
                column = "duration_s"
            else:
                parts[column] = entry.value
                result.taken.append((entry, "started"))
                continue
        result.taken.append((entry, _take(result, entry, column, unit, extra, kind, decimal, recipe)))
    if parts:
        result.values.setdefault("started", " ".join(parts[k] for k in ("date", "time") if k in parts))
    return result


def _has_unit(value: str) -> bool:
    found = number_of(value)
    return bool(found and found[1] and is_unit(found[1]))


def _refuse_what_may_change(entry: Entry) -> None:
    """Refuse an entry that is not understood where it may turn a sign or multiply the numbers."""
    words, value = words_of(entry.key), entry.value.strip().lower()
    if _ELSEWHERE.search(words) or value in _NO - {"0"} or value in _PLUS:
        return
    what = ""
    if _MAY_TURN.search(words) or (_INVERTS.search(value) and len(value) < 40):
        what = "turn a sign"
    elif _LOGARITHM.fullmatch(words) and value in _YES:
        what = "be of a logarithm"
    elif _MAY_SCALE.search(words) and value not in _NOTHING_DONE:
        number = all(_FACTOR.fullmatch(part) for part in value.split(", "))
        what = "multiply the numbers" if number or re.search(r"\b(?:log\w*|ln|db)\b", value) else ""
    if what:
        raise UnreadableFile(
            f"the header entry {shown(entry.key)} is {shown(entry.value)}, which may {what}, and is not understood. Say in "
            f"a recipe what it does (bias_sign, current_sign, height_sign, or scale under [[column]]), or under [header]: "
            f'"{entry.key}" = "unused".',
            place=entry.place,
        )


_SIDE_ONLY = {"tip", "sample", "to tip", "to sample", "on tip", "on sample", "to the tip", "to the sample"}
_GROUND = {"ground", "grounded", "at ground", "on ground", "earthed", "is grounded"}
_HARMLESS = ("mean", "sample", "measured", "set", "nominal", "average")  # in brackets of a key; changes nothing
_DATE_OR_TIME = re.compile(
    r"\d{1,4}[-./]\d{1,2}[-./]\d{1,4}|\d{1,2}:\d{2}|\d{4}-\d{2}|\d{8}|"
    r"(?i:\b(?:jan|feb|mar|apr|may|mai|jun|jul|aug|sep|o[ck]t|nov|de[cz])[a-z]*\b)"
)


def _take(
    result: Metadata, entry: Entry, column: str, unit: str, extra: str, kind: str, decimal: str, recipe: Recipe
) -> str:
    """Use one entry; returns what it was taken for, "" if it was not."""
    value = entry.value.strip()
    low = value.lower()
    if column in SIGN_KEYS:
        return _take_sign(result, entry, column)
    if column in ("bias_V", "tip bias") and low in _SIDE_ONLY:
        return _take_sign(result, entry, "bias applied to")
    if column in ("tip", "sample", "tip bias") and (electrode := _electrode(column, value)):
        return _take_electrode(result, entry, column.split()[0], electrode, kind, decimal)
    if extra and column != "modulation_V" and extra not in _HARMLESS:
        return ""  # a bracket that is not understood: listed among what was not read
    if column == "set point":
        return _take_set_point(result, entry, unit, decimal)
    if column == "started" and not _DATE_OR_TIME.search(value):
        return ""
    if column == "current":
        column = "setpoint_current_A"  # the current a sweep started from
    if column in ("bias_V", "tip bias"):
        value = _without_polarity(result, entry, value)
        if column == "tip bias" or "sample" in words_of(entry.key).split():
            result.state("bias", -1 if column == "tip bias" else 1, entry)
        column = "bias_V" if kind == "iz" else "setpoint_bias_V"
    if column not in NUMBER_COLUMNS:
        result.put(column, value, entry)
        return column
    factor = 1.0
    if column == "modulation_V":
        said = modulation_kind(f"{entry.key} {extra} {value}") or (
            "rms" if entry.key.strip() == column else recipe.modulation
        )
        if not said:
            result.notes.append(
                f"{entry.place}: modulation {shown(value)} does not say rms or peak, a factor of 1.41; not used. Say "
                'modulation = "rms" (or "peak") in a recipe'
            )
            return ""
        factor = float(RMS[said])
    if _INVERTS.search(low):
        raise _not_understood(entry, "a quantity and no sign", "current" if "current" in column else "bias")
    number, why = in_si(column, value, unit, decimal)
    if number is None:
        result.notes.append(f"{entry.place}: '{entry.key}' is {shown(value)}, which {why}; not used")
        return ""
    result.put(column, number * factor, entry)
    return column


def _electrode(column: str, value: str) -> str:
    """What an entry called tip or sample says of an electrode and not of a name: grounded, biased, voltage; else ""."""
    low = value.lower().strip(" ()")
    found = number_of(value, ",")
    volts = found is not None and _dimension(value) == "bias"
    bare = found is not None and not found[1] and column == "tip bias"
    if low in _GROUND or (low == "off" and column == "tip bias") or (found and found[0] == 0 and (volts or bare)):
        return "grounded"
    if column == "tip bias":
        return ""  # its value is the bias
    return "biased" if low in ("biased", "at bias") else "voltage" if volts else ""


def _take_electrode(result: Metadata, entry: Entry, side: str, what: str, kind: str, decimal: str) -> str:
    biased = side if what != "grounded" else "sample" if side == "tip" else "tip"
    result.state("bias", 1 if biased == "sample" else -1, entry)
    column = "bias_V" if kind == "iz" else "setpoint_bias_V"
    number = in_si(column, entry.value, "", decimal)[0] if what == "voltage" else None
    if number is not None:
        result.put(column, number, entry)
    return column if number is not None else "grounded"


def set_point_of(text: str, unit: str, decimal: str) -> tuple[dict[str, float], str]:
    """A set-point that may hold the current, the bias, or both, as the units tell; and what is wrong with it."""
    found: dict[str, float] = {}
    wrong = ""
    for part in _parts(text):
        written = re.sub(r"^[A-Za-z]\w*\s*[:=]\s*", "", part)  # ``I = 50 pA, V = 0.1 V``
        column = {"current": "setpoint_current_A", "bias": "setpoint_bias_V"}.get(
            _dimension(f"{written} {unit}" if not _dimension(written) else written), ""
        )
        if not column and _dimension(written):
            continue  # a third quantity, such as a gain in Hz
        number, why = (
            in_si(column, written, unit, decimal) if column else (None, "is no current and no bias with a unit")
        )
        if number is None:
            wrong = wrong or f"{shown(part)} {why}"
        elif found.get(column, number) != number:
            wrong = f"two values, {found[column]:.6g} and {number:.6g}"
        else:
            found[column] = number
    return found, wrong


def _take_set_point(result: Metadata, entry: Entry, unit: str, decimal: str) -> str:
    value = _without_polarity(result, entry, entry.value.strip())
    found, wrong = set_point_of(value, unit, decimal)
    if wrong or not found:
        result.notes.append(
            f"{entry.place}: '{entry.key}' is {shown(entry.value)}; not used: {wrong or 'no quantity in it'}"
        )
        return ""
    for column, number in found.items():
        result.put(column, number, entry)
    return ", ".join(found)


_SIDE = r"(?:the\s+)?(tip|sample)"
_AGAINST = r"(?:relative to|with respect to|w\.?\s?r\.?\s?t\.?|vs\.?|versus|against|referred to|with reference to)"
_POLARITIES = (  # phrase about the bias, and whether the electrode in its first group is the biased one
    (re.compile(rf"{_SIDE}(?:\s+bias(?:ed)?)?\s+{_AGAINST}\s+(?:the\s+)?(?:tip|sample|ground)"), True),
    (re.compile(rf"{_AGAINST}\s+{_SIDE}"), False),
    (re.compile(rf"{_SIDE}\s+(?:is\s+)?(?:grounded|earthed|(?:at |on )?ground)"), False),
    (re.compile(rf"(?:grounded|earthed|ground)\s*[:=]?\s*{_SIDE}"), False),
    (re.compile(rf"(?:(?:bias\s+)?(?:is\s+)?(?:applied\s+)?(?:on|at|of|to)\s+)?{_SIDE}(?:\s+(?:is\s+)?bias(?:ed)?)?"), True),
)  # fmt: skip


def polarity_of(text: str) -> int | None:
    """What a text says of the bias: +1 of the sample against the tip, -1 the other way; None if neither, or both."""
    found = set()
    for part in re.split(r"[,;()\[\]]|\band\b", re.sub(r"\s+", " ", text.lower())):
        if not re.search(r"\b(?:tip|sample|ground\w*|earthed)\b", part):
            continue
        match, biased = next(
            ((m, b) for phrase, b in _POLARITIES if (m := phrase.fullmatch(part.strip()))), (None, True)
        )
        named = re.findall(r"\b(tip|sample)\b", part)
        if match:
            found.add(1 if (match[1] == "sample") == biased else -1)
        elif len(set(named)) == 1 and not re.search(rf"\bground\w*|\bearth\w*|{_AGAINST}", part):
            found.add(1 if named[0] == "sample" else -1)
        else:
            return None
    return found.pop() if len(found) == 1 else None


def _without_polarity(result: Metadata, entry: Entry, value: str) -> str:
    """A value without the phrase behind it that says whose bias it is, or that something is inverted.

    Raises
    ------
    UnreadableFile
        If the phrase speaks of tip, sample, ground or a sign, and is not understood.
    """
    match = re.search(
        r"[\s,;(\[]*(?:\b(?:on|at|of|to|the|is|bias|applied|relative|with|w\.?r\.?t|vs|versus|against|referred|tip|sample|"
        r"ground\w*|earthed|sign|polarity|invert\w*|reversed|negative)\b).*$",
        value,
        re.IGNORECASE | re.DOTALL,
    )
    if not match or not re.search(
        r"(?i)\b(?:tip|sample|ground\w*|earthed|sign|polarity|invert\w*|reversed)\b", match.group()
    ):
        return value
    sign = polarity_of(match.group())
    if sign is None:
        raise _not_understood(entry, "tip or sample, relative to the other", "bias")
    result.state("bias", sign, entry)
    return value[: match.start()].strip(" ,;([")


def _take_sign(result: Metadata, entry: Entry, column: str) -> str:
    """An entry about the sign of bias, current or height.

    Raises
    ------
    UnreadableFile
        If what it says is not understood.
    """
    low = re.sub(r"\s+", " ", entry.value.replace("\N{MINUS SIGN}", "-").strip().lower())
    quantity, _, about = column.partition(" ")
    sign: int | None = None
    if column in ("bias applied to", "grounded"):
        quantity, sign, expected = "bias", polarity_of(low), "tip or sample"
        if sign is not None and column == "grounded" and "ground" not in low:
            sign = -sign
    elif column == "bias reference":
        quantity, expected = "bias", "sample relative to tip, or tip relative to sample"
        sign = polarity_of(low) if {"tip", "sample"} <= set(re.findall(r"\w+", low)) else None
    elif column == "height grows":
        away, towards = (
            re.search(r"\b(?:away|out|up|retract\w*)\b", low),
            re.search(r"\b(?:towards?|into|down|approach\w*)\b", low),
        )
        sign = None if bool(away) == bool(towards) else 1 if away else -1
        expected = "away from or towards the surface"
    elif about == "sign":
        sign = 1 if low in _PLUS else -1 if low in _MINUS else polarity_of(low) if quantity == "bias" else None
        if low in ("bipolar", "unipolar", "both"):
            return ""  # of the range
        expected = "+1 or -1, normal or inverted"
    else:
        sign = 1 if low in _NO else -1 if low in _YES else None
        expected = "yes or no, inverted or normal"
    if sign is None:
        raise _not_understood(entry, expected, quantity)
    result.state(quantity, sign, entry)
    return column


def _not_understood(entry: Entry, expected: str, quantity: str) -> UnreadableFile:
    return UnreadableFile(
        f"the header entry {shown(entry.key)} is {shown(entry.value)}; expected {expected}, since it turns a sign. Say "
        f'{quantity}_sign = 1 (or -1) in a recipe and under [header]: "{entry.key}" = "unused".',
        place=entry.place,
    )
