"""The words of column names and header keys, in visible tables, and what a name of a column says."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, replace
from functools import lru_cache

from sts.quantities import Unit, find_unit

# What a column may hold: words of its name, lower case, without unit, direction and number.
QUANTITIES: dict[str, str] = {
    **dict.fromkeys(
        ("v", "u", "bias", "voltage", "bias voltage", "sample bias", "sample voltage", "sample bias voltage",
         "tunnel voltage", "tunnelling voltage", "tunneling voltage", "gap voltage", "v bias", "vbias", "u bias",
         "ubias", "bias v", "v sample", "v s", "vs"), "bias"),
    **dict.fromkeys(("tip bias", "tip voltage", "tip bias voltage", "v tip", "vtip"), "tip bias"),
    **dict.fromkeys(
        ("z", "height", "distance", "displacement", "tip height", "tip displacement", "z displacement",
         "z distance", "z height", "relative height", "relative z", "z rel", "dz", "δz", "delta z", "tip distance",
         "tip sample distance", "separation"), "height"),
    **dict.fromkeys(
        ("i", "current", "tunnel current", "tunnelling current", "tunneling current", "i t", "it", "i tunnel",
         ), "current"),
    **dict.fromkeys(
        ("didv", "lockin", "lockin x", "didv x", "x lockin", "lockin signal", "lockin didv", "didv lockin",
         "differential conductance", "didz", "didz x", "lockin didz", "didz lockin"), "lockin"),
    **dict.fromkeys(("dvdi", "differential resistance"), "differential resistance"),
    **dict.fromkeys(("t", "time", "elapsed time", "elapsed"), "time"),
}  # fmt: skip

# Keys of headers, logbook columns and columns of long tables: words, lower case -> column of the sweep table.
KEYS: dict[str, str] = {
    **dict.fromkeys(("sweep", "sweep name", "curve"), "sweep"),
    **dict.fromkeys(("sample", "sample name", "specimen"), "sample"),
    **dict.fromkeys(("tip", "tip name", "tip id"), "tip"),
    **dict.fromkeys(("site", "site name", "place", "spot", "location"), "site"),
    **dict.fromkeys(("direction", "sweep direction"), "direction"),
    **dict.fromkeys(("repeat", "repetition", "repeat number", "sweep number"), "repeat"),
    **dict.fromkeys(("x", "x position", "position x", "x pos", "pos x", "x coordinate"), "x_m"),
    **dict.fromkeys(("y", "y position", "position y", "y pos", "pos y", "y coordinate"), "y_m"),
    **dict.fromkeys(("started", "start", "start time", "time started", "date and time", "date time", "datetime",
                     "timestamp", "recorded", "acquired", "measured on"), "started"),
    "date": "date",
    "time": "time",
    **dict.fromkeys(("temperature", "temp", "sample temperature", "initial temperature", "t"), "temperature_K"),
    **dict.fromkeys(("set point current", "setpoint current", "set current", "current set point", "current setpoint",
                     "i set", "iset", "i setpoint", "i set point", "stabilisation current", "stabilization current",
                     "i stab", "feedback current"), "setpoint_current_A"),
    **dict.fromkeys(("set point bias", "setpoint bias", "set bias", "bias set point", "bias setpoint", "v set", "vset",
                     "u set", "v setpoint", "set point voltage", "setpoint voltage", "stabilisation bias",
                     "stabilization bias", "stabilisation voltage", "stabilization voltage", "v stab", "u stab",
                     ), "setpoint_bias_V"),
    **dict.fromkeys(("bias", "bias voltage", "sample bias", "sample voltage", "tunnel voltage", "gap voltage", "v",
                     "u", "v bias"), "bias_V"),
    **dict.fromkeys(("tip bias", "tip voltage", "tip bias voltage", "v tip"), "tip bias"),
    **dict.fromkeys(("current", "tunnel current", "tunnelling current", "tunneling current", "i"), "current"),
    **dict.fromkeys(("duration", "sweep time", "sweep duration", "time per sweep", "acquisition time"), "duration_s"),
    **dict.fromkeys(("full scale", "full scale current", "current full scale", "current range", "current limit",
                     "compliance", "compliance current", "saturation current"), "full_scale_A"),
    **dict.fromkeys(("modulation", "modulation amplitude", "modulation voltage", "bias modulation",
                     "lockin modulation", "lockin amplitude", "v mod", "vmod", "excitation", "modulation v",
                     "ac modulation"), "modulation_V"),
    **dict.fromkeys(("bias applied to", "bias is applied to", "bias to", "bias on", "voltage applied to",
                     "bias applied at", "biased electrode"), "bias applied to"),
    **dict.fromkeys(("current inverted", "current is inverted", "current polarity", "current sign",
                     "polarity of current", "amplifier inverted", "inverted current"), "current polarity"),
    **dict.fromkeys(("bias inverted", "bias polarity", "bias sign"), "bias polarity"),
}  # fmt: skip

DIRECTION_WORDS = {
    "forward": "forward", "forwards": "forward", "fwd": "forward", "trace": "forward",
    "backward": "backward", "backwards": "backward", "bwd": "backward", "retrace": "backward", "reverse": "backward",
    "up": "up", "down": "down",
    "retract": "retract", "retraction": "retract", "withdraw": "retract", "approach": "approach",
}  # fmt: skip

DIMENSIONS = {"bias": "bias", "tip bias": "bias", "height": "length", "current": "current", "time": "time"}
KEY_DIMENSIONS = {
    "x_m": "length", "y_m": "length", "temperature_K": "temperature", "setpoint_current_A": "current",
    "setpoint_bias_V": "bias", "bias_V": "bias", "duration_s": "time", "full_scale_A": "current",
    "modulation_V": "bias", "tip bias": "bias", "current": "current",
}  # fmt: skip
SI_UNITS = {
    "bias": "V", "length": "m", "current": "A", "time": "s", "temperature": "K", "conductance": "S",
    "resistance": "ohm", "frequency": "Hz", "number": "1",
}  # fmt: skip
UNITLESS = {"", "a.u.", "a. u.", "arb.", "arb. u.", "arb. units", "arb units", "arbitrary units", "au", "arb.u."}
LONGEST_NAME = 200  # characters looked at
_FILLERS = {"sweep", "run", "repeat", "curve", "no", "nr", "channel", "ch"}


@dataclass(frozen=True)
class Meaning:
    """What the name of a column says."""

    quantity: str = ""  # a value of QUANTITIES or KEYS; "" if not understood
    unit: str = ""  # as written; "" if none
    direction: str = ""  # forward, backward, up, down, retract, approach, ""
    repeat: int | None = None


def words_of(text: str) -> str:
    """A name as the words of the tables: lower case, single spaces, ``dI/dV`` and ``lock-in`` as one word."""
    text = unicodedata.normalize("NFC", text).strip().strip("\"'").lower()
    text = re.sub(r"\bd\s*i\s*[/_ ]?\s*d\s*([vz])\b", r"did\1", text)
    text = re.sub(r"\bd\s*v\s*[/_ ]?\s*d\s*i\b", "dvdi", text)
    text = re.sub(r"\block[\s_-]*in\b", "lockin", text)
    return re.sub(r"[\s_\-.:,/#]+", " ", text).strip()


def is_unit(text: str, *, expected: str = "") -> Unit | None:
    """The unit of a text in brackets or alone, `None` if it is none."""
    return find_unit(text.strip().strip("()[]{}"), expected=expected)


@lru_cache(4096)  # the files of a bench are alike
def understand(name: str, unit: str = "") -> Meaning:
    """What a column's name says: quantity, unit, direction and number of the repeat.

    Parameters
    ----------
    name : str
        As written, for example ``V (mV)``, ``I [nA] forward``, ``z / nm``, ``bias_mV`` or ``dI/dV_3``.
    unit : str
        From a row of units below the names; the name's own unit goes first.
    """
    text = unicodedata.normalize("NFC", name[:LONGEST_NAME]).strip().strip("\"'").strip()
    found = Meaning()
    for part in re.findall(r"[(\[{]([^()\[\]{}]*)[)\]}]", text):
        word = part.strip()
        if word.lower() in DIRECTION_WORDS:
            found = replace(found, direction=DIRECTION_WORDS[word.lower()])
        elif re.fullmatch(r"\d{1,9}", word) and word != "1":
            found = replace(found, repeat=int(word))
        elif not found.unit or is_unit(word):
            found = replace(found, unit=word)
    text = re.sub(r"[(\[{][^()\[\]{}]*[)\]}]", " ", text).strip()
    if not found.unit:
        text, found = _unit_after_slash(text, found)
    tokens = [t for t in re.split(r"[\s_:,#]+", re.sub(r"(?i)\block[\s_-]*in\b", "lockin", text)) if t]
    words: list[str] = []
    for position, token in enumerate(tokens):
        low = token.lower().strip("-.")
        numbered = re.fullmatch(r"(?i)(v|u|i|z|di/dv|didv|di/dz|didz|s|sweep|run|lockin|current|bias)(\d{1,9})", token)
        if low in DIRECTION_WORDS:
            found = replace(found, direction=DIRECTION_WORDS[low])
        elif re.fullmatch(r"\d{1,9}", token) and position:
            found = replace(found, repeat=int(token))
        elif numbered and (position == 0 or numbered.group(1).lower() in ("s", "sweep", "run")):
            found = replace(found, repeat=int(numbered.group(2)))
            words += [numbered.group(1)] if position == 0 else []
        elif position and "_" in text and not found.unit and is_unit(token):
            found = replace(found, unit=token)
        else:
            words.append(token)
    quantity = _look_up(words)
    if not quantity and len(words) > 1:
        quantity = _look_up([w for w in words if w.lower() not in _FILLERS])
    return replace(found, quantity=quantity, unit=found.unit or unit.strip().strip("()[]{}").strip())


def count_known(cells: list[str]) -> int:
    """How many of these names of columns are understood as a quantity of a sweep."""
    meanings = [understand(c).quantity for c in cells]
    return sum(m in QUANTITIES.values() for m in meanings)


def _look_up(words: list[str]) -> str:
    text = words_of(" ".join(words))
    return QUANTITIES.get(text) or KEYS.get(text, "")


def _unit_after_slash(text: str, found: Meaning) -> tuple[str, Meaning]:
    """Take ``/ mV`` or ``in mV`` off a name where it is a unit of what stands before it (``dI/dV`` stays)."""
    for cut in re.finditer(r"\s*/\s*|\s+in\s+", text):
        before, after = text[: cut.start()], re.split(r"[\s_]+", text[cut.end() :], maxsplit=1)
        quantity = _look_up([w for w in re.split(r"[\s_]+", before) if w.lower() not in DIRECTION_WORDS])
        expected = DIMENSIONS.get(quantity) or KEY_DIMENSIONS.get(quantity, "")
        unit = is_unit(after[0], expected=expected)
        if unit and quantity and (not expected or unit.dimension == expected):
            return " ".join([before, *after[1:]]), replace(found, unit=after[0])
    return text, found


@lru_cache(4096)
def key_of(text: str) -> tuple[str, str, str]:
    """A header key or a logbook's column: (what it is in `KEYS`, "" if unknown; unit as written; words left over).

    ``Temperature (K)`` and ``temperature_K`` carry a unit; ``modulation (rms)`` carries a word that matters.
    """
    text = unicodedata.normalize("NFC", text[:LONGEST_NAME]).strip().strip("\"'").strip()
    unit, extra = "", ""
    for part in re.findall(r"[(\[{]([^()\[\]{}]*)[)\]}]", text):
        if is_unit(part):
            unit = part.strip()
        else:
            extra += " " + part
    bare = re.sub(r"[(\[{][^()\[\]{}]*[)\]}]", " ", text)
    slash = re.fullmatch(r"(.+?)\s*/\s*([^\s/]+)", bare)
    if slash and not unit and is_unit(slash[2]) and words_of(slash[1]) in KEYS:
        bare, unit = slash[1], slash[2]
    words = words_of(bare)
    if words in KEYS:
        return KEYS[words], unit, extra.strip().lower()
    for word in ("rms", "peak to peak", "pp", "peak"):
        if re.search(rf"\b{word}\b", words):
            return KEYS.get(re.sub(rf"\s*\b{word}\b\s*", " ", words).strip(), ""), unit, f"{extra} {word}".strip()
    head, _, tail = bare.strip().rpartition("_")
    if head and not unit and is_unit(tail) and words_of(head) in KEYS:
        return KEYS[words_of(head)], tail, extra.strip().lower()
    return "", unit, extra.strip().lower()
