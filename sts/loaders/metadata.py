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
from sts.loaders.words import CELSIUS, KEY_DIMENSIONS, SI_UNITS, is_unit, key_of, words_of
from sts.sweeps import COLUMNS, NUMBER_COLUMNS

_VALUE = re.compile(r"([+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eEdD][+-]?\d+)?)\s*(.*)", re.DOTALL)
_PLUS = {"1", "+1", "+", "1.0", "+1.0", "positive", "pos", "normal", "not inverted", "non-inverted", "non-inverting",
         "as is", "unchanged"}  # fmt: skip
_MINUS = {"-1", "-", "-1.0", "negative", "neg", "inverted", "inverting", "reversed"}
_YES = {"yes", "y", "true", "1", "on", "inverted"}
_NO = {"no", "n", "false", "0", "off", "normal", "not inverted", "none"}
RMS = {"rms": 1.0, "peak": np.sqrt(0.5), "pp": np.sqrt(0.125), "peak-to-peak": np.sqrt(0.125)}
_UNKNOWN = {"", "unknown", "n/a", "na", "-", "--", "?", "none", "nan", "not recorded"}
_SIGN_KEYS = ("bias applied to", "grounded", "current sign", "current inverted", "bias sign", "bias inverted",
              "height sign", "height inverted", "height grows")  # fmt: skip
_MAY_TURN = re.compile(r"\b(?:polarity|sign|invert\w*|reversed)\b")
_MAY_SCALE = re.compile(r"\b(?:multipl\w*|scale|scaling|scale factor|factor|divider|attenuat\w*)\b")
_ELSEWHERE = re.compile(r"\b(?:scan|image|x|y|lockin|display|plot|colou?r|map|drift|tilt|line|lines|frame)\b")
_NOTHING_DONE = {"1", "1.0", "none", "off", "no", "linear", "lin", "1x", "x1", "1:1"}


@dataclass
class Metadata:
    """What a header says."""

    values: dict[str, str | float] = field(default_factory=dict)  # column of the table -> value
    bias_sign: int | None = None  # -1: the file's bias is of the tip against the sample
    current_sign: int | None = None
    height_sign: int | None = None  # -1: the file's height grows towards the surface
    taken: list[tuple[Entry, str]] = field(default_factory=list)  # entry, what it was taken for ("" if unused)
    notes: list[str] = field(default_factory=list)

    @property
    def unread(self) -> list[str]:
        """The keys of entries of which nothing was taken, each once."""
        keys = [e.key.strip() for e, what in self.taken if not what and e.value.strip().lower() not in _UNKNOWN]
        return list(dict.fromkeys(keys))


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
    if expected and _SEVERAL.search(text):
        parts = [part for part in _parts(text) if _dimension(part, expected) == expected]
        found = number_of(parts[0], decimal) if len(parts) == 1 else found
    if found is None:
        return None, "is not a number that can be read without doubt"
    number, tail = found
    if not expected:
        return (number, "") if not tail else (None, "should be a plain number")
    written = _bare_unit(tail) or unit
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


_SEVERAL = re.compile(r",\s|[;@/]|\bat\b|\band\b")


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
        if entry.value.strip().lower() in _UNKNOWN - ({"-", "none"} if column in _SIGN_KEYS else set()) or not column:
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
    if _ELSEWHERE.search(words):
        return
    what = ""
    if _MAY_TURN.search(words):
        what = "turn a sign"
    elif _MAY_SCALE.search(words) and value not in _NOTHING_DONE:
        number = re.fullmatch(
            r"[x×]?\s*[+-]?\d*[.,]?\d+(?:e[+-]?\d+)?\s*x?|1?\s*[:/]\s*\d+(?:\.\d+)?|10\s*\^\s*-?\d+", value
        )
        what = "multiply the numbers" if number or re.search(r"\b(?:log\w*|ln|db)\b", value) else ""
    if what:
        raise UnreadableFile(
            f"the header entry {shown(entry.key)} is {shown(entry.value)}, which may {what}, and is not understood. Say in "
            f"a recipe what it does (bias_sign, current_sign, height_sign, or scale under [[column]]), or under [header]: "
            f'"{entry.key}" = "unused".',
            place=entry.place,
        )


def _take(
    result: Metadata, entry: Entry, column: str, unit: str, extra: str, kind: str, decimal: str, recipe: Recipe
) -> str:
    """Use one entry; returns what it was taken for, "" if it was not."""
    value = entry.value.strip()
    if column in _SIGN_KEYS:
        return _take_sign(result, entry, column)
    if column in ("bias_V", "tip bias") and value.lower() in (
        "tip",
        "sample",
        "to tip",
        "to sample",
        "on tip",
        "on sample",
    ):
        return _take_sign(result, entry, "bias applied to")
    if extra and column != "modulation_V" and extra not in ("mean", "sample", "measured", "set", "nominal", "average"):
        return ""  # a bracket that is not understood: listed among what was not read
    if column == "set point":
        return _take_set_point(result, entry, unit, decimal)
    if column == "current":
        column = "setpoint_current_A"  # the current a sweep started from
    if column in ("bias_V", "tip bias"):
        if side := re.search(r"\(?\b(?:on |at |of )?(?:the )?(tip|sample)\)?\s*$", value, re.IGNORECASE):
            result.bias_sign = -1 if side[1].lower() == "tip" else 1
            value = value[: side.start()].strip(" ,;(")
        if column == "tip bias":
            result.bias_sign = result.bias_sign or -1
        column = "bias_V" if kind == "iz" else "setpoint_bias_V"
    if column not in NUMBER_COLUMNS:
        result.values[column] = value
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
    number, why = in_si(column, value, unit, decimal)
    if number is None:
        result.notes.append(f"{entry.place}: '{entry.key}' is {shown(value)}, which {why}; not used")
        return ""
    result.values[column] = number * factor
    return column


def _take_set_point(result: Metadata, entry: Entry, unit: str, decimal: str) -> str:
    """A set-point that may hold the current, the bias, or both: the units tell."""
    taken = []
    for part in _parts(entry.value):
        written = f"{part} {unit}".strip() if not _dimension(part) else part
        written = re.sub(r"^[A-Za-z]\w*\s*[:=]\s*", "", written)  # ``I = 50 pA, V = 0.1 V``
        column = {"current": "setpoint_current_A", "bias": "setpoint_bias_V"}.get(_dimension(written), "")
        number, _ = in_si(column, written, "", decimal) if column else (None, "")
        if number is not None:
            result.values[column] = number
            taken.append(column)
    if not taken:
        result.notes.append(
            f"{entry.place}: '{entry.key}' is {shown(entry.value)}; expected a current or a bias with its unit. Not used"
        )
    return ", ".join(taken)


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
        quantity, target = "bias", [w for w in ("tip", "sample") if re.search(rf"\b{w}\b", low)]
        if len(target) == 1:
            sign = -1 if (target[0] == "tip") == (column == "bias applied to") else 1
        expected = "tip or sample"
    elif column == "height grows":
        away, towards = (
            re.search(r"\b(?:away|out|up|retract\w*)\b", low),
            re.search(r"\b(?:towards?|into|down|approach\w*)\b", low),
        )
        sign = None if bool(away) == bool(towards) else 1 if away else -1
        expected = "away from or towards the surface"
    elif about == "sign":
        target = [w for w in ("tip", "sample") if re.search(rf"\b{w}\b", low)] if quantity == "bias" else []
        sign = 1 if low in _PLUS or target == ["sample"] else -1 if low in _MINUS or target == ["tip"] else None
        expected = "+1 or -1, normal or inverted"
    else:
        sign = 1 if low in _NO else -1 if low in _YES else None
        expected = "yes or no, inverted or normal"
    if sign is None:
        raise UnreadableFile(
            f"the header entry {shown(entry.key)} is {shown(entry.value)}; expected {expected}, since it turns a sign. Say "
            f'{quantity}_sign = 1 (or -1) in a recipe and under [header]: "{entry.key}" = "unused".',
            place=entry.place,
        )
    setattr(result, f"{quantity}_sign", sign)
    return column
