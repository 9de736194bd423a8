"""The words of column names and header keys, in visible tables, and what a name of a column says."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import replace
from functools import lru_cache

from sts.loaders.loaded import UnreadableFile, shown
from sts.quantities import Unit, find_unit

# What a column may hold: words of its name, lower case, without unit, direction and number.
QUANTITIES: dict[str, str] = {
    **dict.fromkeys(
        ("v", "u", "bias", "voltage", "bias voltage", "sample bias", "sample voltage", "sample bias voltage",
         "tunnel voltage", "tunnelling voltage", "tunneling voltage", "gap voltage", "v bias", "vbias", "u bias",
         "ubias", "bias v", "v sample", "v s", "vs", "vb", "v b", "ub", "u b", "vt", "v t", "ut", "u t"), "bias"),
    **dict.fromkeys(("tip bias", "tip voltage", "tip bias voltage", "v tip", "vtip"), "tip bias"),
    **dict.fromkeys(
        ("z", "height", "distance", "displacement", "tip height", "tip displacement", "z displacement",
         "z distance", "z height", "relative height", "relative z", "z rel", "dz", "δz", "delta z", "tip distance",
         "tip sample distance", "separation"), "height"),
    **dict.fromkeys(
        ("i", "current", "tunnel current", "tunnelling current", "tunneling current", "i t", "it", "i tunnel",
         "itunnel", "i tun", "itun"), "current"),
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
    **dict.fromkeys(("site", "site name", "place", "spot"), "site"),
    **dict.fromkeys(("direction", "sweep direction"), "direction"),
    **dict.fromkeys(("repeat", "repetition", "repeat number", "sweep number", "run", "run number", "run no", "no",
                     "nr"), "repeat"),
    **dict.fromkeys(("x", "x position", "position x", "x pos", "pos x", "x coordinate"), "x_m"),
    **dict.fromkeys(("y", "y position", "position y", "y pos", "pos y", "y coordinate"), "y_m"),
    **dict.fromkeys(("started", "start", "start time", "time started", "date and time", "date time", "datetime",
                     "timestamp", "recorded", "acquired", "measured on"), "started"),
    "date": "date",
    "time": "time",
    **dict.fromkeys(("temperature", "temp", "sample temperature", "initial temperature", "t"), "temperature_K"),
    **dict.fromkeys(("set point current", "setpoint current", "set current", "current set point", "current setpoint",
                     "i set", "iset", "i setpoint", "i set point", "stabilisation current", "stabilization current",
                     "i stab", "feedback current", "set i"), "setpoint_current_A"),
    **dict.fromkeys(("set point bias", "setpoint bias", "set bias", "bias set point", "bias setpoint", "v set", "vset",
                     "u set", "v setpoint", "set point voltage", "setpoint voltage", "stabilisation bias",
                     "stabilization bias", "stabilisation voltage", "stabilization voltage", "v stab", "u stab", "set v",
                     "set u", "set voltage"), "setpoint_bias_V"),
    **dict.fromkeys(("set point", "setpoint", "set points", "stabilisation", "stabilization", "stabilised at",
                     "stabilized at", "feedback", "feedback set point", "tunnelling conditions", "tunneling conditions",
                     "tunnelling parameters", "tunneling parameters"), "set point"),
    **dict.fromkeys(("bias", "bias voltage", "sample bias", "sample voltage", "tunnel voltage", "gap voltage", "v",
                     "u", "v bias", "vbias", "u bias", "ubias", "bias sample", "bias v", "bias u"), "bias_V"),
    **dict.fromkeys(("tip bias", "tip voltage", "tip bias voltage", "v tip", "bias tip", "bias voltage tip"), "tip bias"),
    **dict.fromkeys(("current", "tunnel current", "tunnelling current", "tunneling current", "i"), "current"),
    **dict.fromkeys(("duration", "sweep time", "sweep duration", "time per sweep"), "duration_s"),
    **dict.fromkeys(("full scale", "full scale current", "current full scale", "current range", "current limit",
                     "compliance", "compliance current", "saturation current"), "full_scale_A"),
    **dict.fromkeys(("modulation", "modulation amplitude", "modulation voltage", "bias modulation",
                     "lockin modulation", "lockin amplitude", "v mod", "vmod", "excitation", "modulation v",
                     "ac modulation"), "modulation_V"),
    **dict.fromkeys(("bias applied to", "bias is applied to", "bias to", "bias on", "voltage applied to",
                     "bias applied at", "biased electrode", "bias electrode", "bias convention", "biased"),
                    "bias applied to"),
    "bias reference": "bias reference",
    **dict.fromkeys(("grounded", "ground", "grounded electrode", "grounded side", "at ground"), "grounded"),
    **dict.fromkeys(("current polarity", "current sign", "polarity of current", "sign of current", "i sign",
                     "amplifier polarity", "amplifier sign"), "current sign"),
    **dict.fromkeys(("current inverted", "current is inverted", "amplifier inverted", "amplifier inverts",
                     "inverted current", "amplifier inverting", "invert current", "preamp inverted"), "current inverted"),
    **dict.fromkeys(("bias polarity", "bias sign", "polarity of bias", "sign of bias", "v sign", "voltage polarity",
                     "voltage sign"), "bias sign"),
    **dict.fromkeys(("bias inverted", "bias is inverted", "inverted bias", "invert bias", "voltage inverted"),
                    "bias inverted"),
    **dict.fromkeys(("z sign", "z polarity", "height sign", "height polarity", "sign of z"), "height sign"),
    **dict.fromkeys(("z inverted", "height inverted", "inverted z", "z is inverted", "invert z"), "height inverted"),
    **dict.fromkeys(("positive z", "z positive", "z grows", "height grows", "z increases"), "height grows"),
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
CELSIUS = ("°C", "degC", "Celsius", "C")  # the one unit with a zero of its own
UNITLESS = {
    "", "a.u.", "a. u.", "arb", "arb.", "arb. u.", "arb.u.", "arb.unit", "arb. unit", "arb.units", "arb. units", "arb units",
    "arbitrary units", "au",
}  # fmt: skip
UNKNOWN = {
    "", "unknown", "not known", "n/a", "na", "n.a.", "nan", "-", "--", "---", "?", "??", "???", "none", "not recorded",
    "not measured", "tbd", "tba",
}  # fmt: skip
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
    """A name as the words of the tables: lower case, single spaces, ``dI/dV`` and ``lock-in`` as one word."""
    text = unicodedata.normalize("NFC", text).strip().strip("\"'").lower()
    text = re.sub(r"\bd\s*i\s*[/_ ]?\s*d\s*([vz])\b", r"did\1", text)
    text = re.sub(r"\bd\s*v\s*[/_ ]?\s*d\s*i\b", "dvdi", text)
    text = re.sub(r"\block[\s_-]*in\b", "lockin", text)
    return re.sub(r"[\s_\-.:,/#]+", " ", text).strip()


def own_column(words: str) -> str:
    """The name of a column of the user's own.

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
    """The unit of a text in brackets or alone, ``10^-9 A`` among them; `None` if it is none."""
    text = text.strip().strip("()[]{}").strip()
    found = find_unit(text, expected=expected)
    if found is None and (power := _POWER_UNIT.fullmatch(text.translate(_SUPERSCRIPTS))):
        plain = find_unit(power["unit"], expected=expected)
        exponent = int(power["e"] or power["ten"] or power["bare"])
        found = plain and replace(plain, factor=plain.factor * float(f"1e{exponent}"))
    return found


@lru_cache(4096)
def key_of(text: str) -> tuple[str, str, str]:
    """A header key or a logbook's column: (what it is in `KEYS`, "" if unknown; unit as written; words left over).

    ``Temperature (K)`` and ``temperature_K`` carry a unit; ``modulation (rms)`` carries a word that matters.
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
