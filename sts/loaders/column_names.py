"""What the name of a column says: quantity, unit, direction, number, and whatever changes the meaning of its numbers.

A word or bracket that is not understood is a doubt of the column, never dropped: ``I (A) (x1e-9)`` is not ``I (A)``.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from sts.loaders.loaded import shown
from sts.loaders.words import (
    DIMENSIONS,
    DIRECTION_WORDS,
    KEYS,
    LONGEST_NAME,
    QUANTITIES,
    among,
    is_unit,
    meanings,
    words_of,
)

# Words beside the quantity that say what was done to the numbers, and of several columns which one is data.
_LOGARITHMS, _NOT_ITSELF, _SORTS = meanings("logarithms"), meanings("not_itself"), meanings("sorts")
_HARMLESS, _RELATIVE, _INVERTED, _TITLES = (
    among("beside", meaning) for meaning in ("quantity", "height", "inverted", "titles")
)
_NORMALISED = re.compile(r"(?i)\(?\s*di\s*/\s*d[vu]\s*\)?\s*/\s*\(?\s*i\s*/\s*[vu]\s*\)?")
_NUMBER = {"no", "nr"}  # with a number behind it; else: "no current"
_FILLERS = {"sweep", "run", "repeat", "curve", *_NUMBER}  # before the number of a repeat
_MARKED = re.compile(r"['\N{PRIME}\N{DOUBLE PRIME}]|[\w.]\s*[-+*/^]\s*$|\w\s*/\s*\w")
_QUOTIENTS = re.compile(r"(?i)d\s*i\s*/?\s*d\s*[vz]|d\s*v\s*/\s*d\s*i|lock\s*[-/]?\s*in")

_BRACKET = re.compile(r"[(\[{]([^()\[\]{}]*)[)\]}]")
_BARS = re.compile(r"\|\s*([^|]{1,60}?)\s*\|(.*)", re.DOTALL)
_CALL = re.compile(r"(?P<word>[A-Za-zσ]{1,12}(?:10)?)\s*\(\s*(?P<inner>[^()]+(?:\([^()]*\)[^()]*)?)\)\s*(?P<rest>.*)")
_NUMBERED = re.compile(r"(?i)(v|u|i|z|di/dv|didv|di/dz|didz|s|sweep|run|lockin|current|bias)(\d{1,9})")
_FACTOR = re.compile(
    r"[x×*·]\s*(?P<times>-?\d+(?:\.\d*)?(?:[eE][+-]?\d{1,2})?)|(?P<sci>(?:\d+(?:\.\d*)?|\.\d+)?[eE][+-]?\d{1,2})"
    r"|[x×*·]?\s*10\s*(?:\^|\*\*)\s*(?P<ten>[+-]?\d{1,2})|[÷/]\s*(?P<over>\d+(?:\.\d*)?(?:[eE][+-]?\d{1,2})?)"
    r"|(?P<before>\d+(?:\.\d*)?)\s*[x×]"
)


@dataclass(frozen=True)
class Meaning:
    """What the name of a column says."""

    quantity: str = ""  # a value of QUANTITIES or KEYS; "" if not understood
    unit: str = ""  # as written; "" if none
    direction: str = ""  # forward, backward, up, down, retract, approach, ""
    repeat: int | None = None
    told: bool = False  # whether a word says that the number is that of a repeat
    sign: int = 1  # -1: the column is the negative of its quantity
    logarithm: str = ""  # log10 or ln
    factor: float = 1.0  # stated beside the unit; whether to multiply with it, or it was, is not said
    sort: str = ""  # of the table `sorts`: "beside" (an uncertainty, a fit), "mean", "copy", "better" (calibrated), ...
    doubt: str = ""  # why the numbers cannot be taken for the quantity
    clash: bool = False  # the doubt is about two statements that disagree


NOTHING_SAID = Meaning()


class _Reading:
    """A name that is being read."""

    def __init__(self, text: str) -> None:
        self.text = text  # what is left of it
        self.extras: list[str] = []  # brackets not understood by themselves
        self.said = NOTHING_SAID  # so far

    def say(self, **what: Any) -> None:
        """Take what a part of the name says."""
        self.said = replace(self.said, **what)

    def turn(self, turned: bool = True) -> None:
        """Take a minus."""
        self.say(sign=-self.said.sign if turned else self.said.sign)

    def doubt(self, why: str) -> None:
        """Take a reason not to believe the numbers; the first stands."""
        self.say(doubt=self.said.doubt or why)

    def modify(self, word: str) -> bool:
        """Take a word that says what was done to the numbers; False if it is none of these."""
        word = word.strip()
        if word in _INVERTED:
            self.turn()
        elif word in _LOGARITHMS:
            self.say(logarithm=_LOGARITHMS[word])
        elif word in _NOT_ITSELF:
            self.doubt(_NOT_ITSELF[word])
        elif factor := _FACTOR.fullmatch(word):
            self._multiply(factor)
        else:
            sort = _SORTS.get(word, "")
            if sort and self.said.sort not in ("beside", "copy"):
                self.say(sort=sort)
            return bool(sort)
        return True

    def _multiply(self, match: re.Match[str]) -> None:
        if match["ten"]:
            value = 10.0 ** int(match["ten"])
        elif match["over"]:
            value = 1 / (float(match["over"]) or np.inf)
        else:
            written = match["times"] or match["before"] or match["sci"]
            value = float(f"1{written}" if written[0] in "eE" else written)
        if not 0 < abs(value) < np.inf:
            self.doubt("states a factor that no number has")
            return
        self.turn(value < 0)
        self.say(factor=self.said.factor * abs(value))

    def bracket(self, part: str) -> None:
        """Take what one bracket says."""
        low = part.lower()
        word, _, rest = part.partition(" ")
        if low in DIRECTION_WORDS:
            self.say(direction=DIRECTION_WORDS[low])
        elif re.fullmatch(r"\d{1,9}", part) and (part != "1" or self.said.unit):
            self.say(repeat=int(part))
        elif is_unit(part):
            self._state_unit(part)
        elif part[:1] in "+-" and is_unit(part[1:]):
            self._state_unit(part[1:].strip())
            self.turn(part[0] == "-")
        elif low.endswith((" rms", " peak", " pp")) and is_unit(word):
            self._state_unit(word)
            self.extras.append(rest.strip())
        elif not self.modify(low):
            self.extras.append(part)

    def _state_unit(self, unit: str) -> None:
        own = self.said.unit
        if own and own != unit:
            self.say(doubt=f"has two units, {shown(own)} and {shown(unit)}", clash=True)
        self.say(unit=own or unit)


@lru_cache(4096)  # the files of a bench are alike
def understand(name: str, unit: str = "") -> Meaning:
    """What a column's name says.

    Parameters
    ----------
    name : str
        As written, for example ``V (mV)``, ``I [nA] forward``, ``z / nm``, ``bias_mV`` or ``dI/dV_3``.
    unit : str
        From a row of units below the names, or an attribute. Where the name has another one, that is a doubt.
    """
    text = unicodedata.normalize("NFC", name[:LONGEST_NAME]).strip()
    if len(text) > 1 and text[0] == text[-1] and text[0] in "\"'":
        text = text[1:-1].strip()
    text = re.sub(r"\^\s*[({]\s*([+-]?\d+)\s*[)}]", r"^\1", text.replace("\N{MINUS SIGN}", "-"))
    text = re.sub(r"(?i)^(i|current)\((?:v|u|z)\)(?=\s*[(\[])", r"\1", text)  # I(V) (nA)
    text = re.sub(r"\b([a-z]{3,})([A-Z][a-z]{2,})\b", r"\1 \2", text)  # tunnelCurrent
    found = _Reading(text)
    if normalised := _NORMALISED.match(text):
        found.text = f"dI/dV {text[normalised.end() :]}"
        found.doubt("is normalised, and not dI/dV itself")
    if re.match(r"(?i)(?:reverse|forward)[\s_]+bias", text):
        found.doubt("may be of a direction or of a polarity")
    _unwrap(found)
    for bracket in _BRACKET.findall(found.text):
        for part in re.split(r"\s*[,;]\s*", bracket.strip()):
            if part:
                found.bracket(part)
    found.text = _BRACKET.sub(" ", found.text).strip()
    if minus := re.match(r"(?i)(?:-|minus\s+|neg(?:ative)?[\s_]+|inverted[\s_]+)\s*(?=[^\W\d])", found.text):
        found.text = found.text[minus.end() :]
        found.turn()
    if not found.said.unit:
        _take_unit_after_slash(found)
    found.say(quantity=_quantity(_words(found), found))
    return _with_unit_below(found.said, unit.strip().strip("()[]{}").strip())


def says_beside(title: str) -> bool:
    """Whether the title of a table says that it is no data: a fit, a mean, an uncertainty or a filtered copy.

    Parameters
    ----------
    title : str
    """
    low = re.sub(r"[\s_\-/.:#]+", " ", title.lower()).strip()
    return any(word in _TITLES for word in low.split()) or "standard deviation" in low


def count_known(cells: Sequence[str]) -> int:
    """How many of these names of columns are understood as a quantity of a sweep.

    Parameters
    ----------
    cells : sequence of str
    """
    return sum(understand(c).quantity in QUANTITIES.values() for c in cells)


def _unwrap(found: _Reading) -> None:
    """Take ``log10(...)``, ``-(...)``, ``|...|`` and the like off a name."""
    if found.text.startswith("-(") and (minus := re.fullmatch(r"-\(\s*([^()]+)\)(.*)", found.text)):
        found.text = minus[1] + minus[2]
        found.turn()
    if _BARS.match(found.text):
        found.text = _without_bars(found.text)
        found.say(doubt="has lost its sign")
    call = _CALL.fullmatch(found.text)
    first, _, rest = found.text.partition(" ")
    if call and not _look_up([call["word"]]) and found.modify(call["word"].lower()):
        found.text = f"{_without_bars(call['inner'])} {call['rest']}".strip()
    elif rest and first.lower() in _LOGARITHMS:
        found.modify(first.lower())
        found.text = _without_bars(rest.strip())


def _without_bars(text: str) -> str:
    """``I`` of ``|I|``: its logarithm says no less than that of I."""
    return _BARS.sub(r"\1\2", text, count=1) if _BARS.match(text) else text


def _words(found: _Reading) -> list[str]:
    """The words of a name without brackets; directions, numbers and units at its end taken off."""
    text = re.sub(r"(?i)\block[\s_-]*in\b", "lockin", found.text)
    words: list[str] = []
    for position, token in enumerate(t for t in re.split(r"[\s_:,#]+", text) if t):
        low = token.lower().strip("-.")
        numbered = _NUMBERED.fullmatch(token)
        if low in DIRECTION_WORDS:
            found.say(direction=DIRECTION_WORDS[low])
        elif re.fullmatch(r"\d{1,9}", token) and position:
            found.say(repeat=int(token), told=bool(words and words[-1].lower() in _FILLERS))
        elif numbered and (position == 0 or numbered[1].lower() in ("s", "sweep", "run")):
            found.say(repeat=int(numbered[2]), told=position > 0)
            words += [numbered[1]] if position == 0 else []
        elif position and "_" in text and not found.said.unit and is_unit(token):
            found.say(unit=token)
        else:
            words.append(token)
    return words


def _quantity(words: list[str], found: _Reading) -> str:
    """The quantity that the words name with the brackets that belong to it; what is left over is a doubt."""
    quantity = _look_up(words)
    left: list[str] = []
    for extra in found.extras:
        harmless = {"lockin": {"rms", "peak"}, "height": _RELATIVE}.get(quantity, set()) | _HARMLESS
        if extra.lower() in harmless:
            continue
        if together := _look_up([*words, extra]) or _look_up([extra, *words]):
            quantity, words = together, [*words, extra]
        else:
            left.append(extra)
    if not quantity and len(words) > 1:
        kept = [w for w in words if w.lower() not in _FILLERS or (w.lower() in _NUMBER and found.said.repeat is None)]
        quantity = _look_up(kept)
        if not quantity:
            rest = [w for w in kept if not _look_up([w]) and found.modify(w.lower().strip("-."))]
            quantity = _look_up([w for w in kept if w not in rest])
    if quantity and (mark := _MARKED.search(_QUOTIENTS.sub("", found.text))):
        found.doubt(f"has {shown(mark.group().strip())} in its name, which is not understood")
    if quantity and not found.said.unit and len(left) == 1:
        found.say(unit=left[0])  # no unit that is known, as whoever needs one will say
    elif left:
        found.doubt(f"has {shown(f'({left[0]})')} in its name, which is not understood")
    return quantity


def _look_up(words: list[str]) -> str:
    text = words_of(" ".join(words))
    return QUANTITIES.get(text) or KEYS.get(text, "")


def _take_unit_after_slash(found: _Reading) -> None:
    """Take ``/ mV``, ``in mV`` or ``mV`` off a name where it is a unit of what stands before it (``dI/dV`` stays)."""
    for cut in re.finditer(r"\s*/\s*|\s+in\s+|\s*,\s*|\s+", found.text):
        before, after = found.text[: cut.start()], re.split(r"[\s_]+", found.text[cut.end() :], maxsplit=1)
        words = [w for w in re.split(r"[\s_]+", before) if w.lower() not in DIRECTION_WORDS]
        quantity = _look_up([w for w in words if _SORTS.get(w.lower(), "rough") == "rough"])
        expected = DIMENSIONS.get(quantity, "")
        unit = is_unit(after[0], expected=expected)
        plain = not cut.group().strip(", ")
        if unit and quantity and (unit.dimension == expected or not (expected or plain)):
            found.text = " ".join([before, *after[1:]])
            found.say(unit=after[0])
            return


def _with_unit_below(meaning: Meaning, unit: str) -> Meaning:
    """The meaning with the unit of a row of units; a doubt where the name says another one."""
    if not unit or unit in ("-", "--"):
        return meaning
    if not meaning.unit:
        return replace(meaning, unit=unit)
    expected = DIMENSIONS.get(meaning.quantity, "")
    own, below = is_unit(meaning.unit, expected=expected), is_unit(unit, expected=expected)
    alike = own and below and own.dimension == below.dimension and math.isclose(own.factor, below.factor)
    if alike or meaning.unit == unit:
        return meaning
    return replace(meaning, doubt=f"has two units that disagree, {shown(meaning.unit)} and {shown(unit)}", clash=True)
