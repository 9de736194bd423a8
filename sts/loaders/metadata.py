"""From the entries of a header to columns of the sweep table, in SI units."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from sts.loaders.block import Entry
from sts.loaders.loaded import UnreadableFile, shown
from sts.loaders.recipe import Recipe
from sts.loaders.signs import INVERTS, SIGN_KEYS, not_understood, refuse_what_may_change, sign_of, without_polarity
from sts.loaders.values import RMS, alike, dimension_of, has_unit, in_si, modulation_kind, number_of, set_point_of
from sts.loaders.words import UNKNOWN, among, key_of, words_of
from sts.sweeps import COLUMNS, NUMBER_COLUMNS

_SIDE_ONLY, _GROUND = among("electrodes", "side_only"), among("electrodes", "grounded")
_HARMLESS = among("beside", "key")  # in brackets of a key
_DATE_OR_TIME = re.compile(
    r"\d{1,4}[-./]\d{1,2}[-./]\d{1,4}|\d{1,2}:\d{2}|\d{4}-\d{2}|\d{8}|"
    r"(?i:\b(?:jan|feb|mar|apr|may|mai|jun|jul|aug|sep|o[ck]t|nov|de[cz])[a-z]*\b)"
)


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

        Parameters
        ----------
        quantity : str
            ``"bias"``, ``"current"`` or ``"height"``.
        sign : int
            -1 if it is turned against ours.
        entry : Entry
            That says so.

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
        """Take a value; where another entry says another one, neither is used.

        Parameters
        ----------
        column : str
            Of the table of sweeps.
        value : str or float
            In SI.
        entry : Entry
            That says so.
        """
        before = self._said.setdefault(column, entry)
        if before is entry:
            self.values[column] = value
        elif column in self.values and not alike(self.values[column], value):
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


def read_metadata(entries: Iterable[Entry], kind: str, decimal: str, recipe: Recipe) -> Metadata:
    """The columns of the table that header entries give.

    An entry that cannot be used without a guess (no unit, rms or peak not said) is left out, with a note.

    Parameters
    ----------
    entries : iterable of Entry
    kind : str
        ``"iv"`` or ``"iz"``.
    decimal : str
        The decimal mark of the file.
    recipe : Recipe

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
            unit = key_of(name)[1] if name in COLUMNS and not unit and not has_unit(entry.value) else unit
        elif not column:
            refuse_what_may_change(entry)
        if entry.value.strip().lower() in UNKNOWN - ({"-", "none"} if column in SIGN_KEYS else set()) or not column:
            result.taken.append((entry, ""))
            continue
        if column in ("date", "time"):
            if column == "time" and has_unit(entry.value):
                column = "duration_s"
            else:
                parts[column] = entry.value
                result.taken.append((entry, "started"))
                continue
        result.taken.append((entry, _take(result, entry, column, unit, extra, kind, decimal, recipe)))
    if parts:
        result.values.setdefault("started", " ".join(parts[k] for k in ("date", "time") if k in parts))
    return result


def _take(
    result: Metadata, entry: Entry, column: str, unit: str, extra: str, kind: str, decimal: str, recipe: Recipe
) -> str:
    """Use one entry; returns what it was taken for, "" if it was not."""
    value = entry.value.strip()
    low = value.lower()
    if column in ("bias_V", "tip bias") and low in _SIDE_ONLY:
        column = "bias applied to"
    if column in SIGN_KEYS:
        stated = sign_of(entry, column)
        if stated is not None:
            result.state(*stated, entry)
        return column if stated else ""
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
        value = _value_of_bias(result, entry, value)
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
    if INVERTS.search(low):
        raise not_understood(entry, "a quantity and no sign", "current" if "current" in column else "bias")
    number, why = in_si(column, value, unit, decimal)
    if number is None:
        result.notes.append(f"{entry.place}: '{entry.key}' is {shown(value)}, which {why}; not used")
        return ""
    result.put(column, number * factor, entry)
    return column


def _value_of_bias(result: Metadata, entry: Entry, value: str) -> str:
    """A value without the words about its polarity, which are taken."""
    value, sign = without_polarity(entry, value)
    if sign is not None:
        result.state("bias", sign, entry)
    return value


def _electrode(column: str, value: str) -> str:
    """What an entry called tip or sample says of an electrode and not of a name: grounded, biased, voltage; else ""."""
    low = value.lower().strip(" ()")
    found = number_of(value, ",")
    volts = found is not None and dimension_of(value) == "bias"
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


def _take_set_point(result: Metadata, entry: Entry, unit: str, decimal: str) -> str:
    value = _value_of_bias(result, entry, entry.value.strip())
    found, wrong = set_point_of(value, unit, decimal)
    if wrong or not found:
        result.notes.append(
            f"{entry.place}: '{entry.key}' is {shown(entry.value)}; not used: {wrong or 'no quantity in it'}"
        )
        return ""
    for column, number in found.items():
        result.put(column, number, entry)
    return ", ".join(found)
