"""The signs of bias, current and height: what a header says of them, and what may change them and is not understood."""

from __future__ import annotations

import re

from sts.loaders.block import Entry
from sts.loaders.loaded import UnreadableFile, shown
from sts.loaders.words import among, words_of

_PLUS, _MINUS, _YES, _NO, _NOTHING_DONE = (
    among("signs", meaning) for meaning in ("plus", "minus", "yes", "no", "nothing_done")
)
SIGN_KEYS = ("bias applied to", "bias reference", "grounded", "current sign", "current inverted", "bias sign", "bias inverted",
              "height sign", "height inverted", "height grows")  # fmt: skip
_MAY_TURN = re.compile(r"\b(?:polarity|sign|invert\w*|reversed)\b")
INVERTS = re.compile(r"(?<!non-)(?<!non )(?<!not )\b(?:invert(?:s|ed|ing)|reversed)\b")
_MAY_SCALE = re.compile(r"\b(?:multipl\w*|scale|scaling|scale factor|(?:pre)?factor|divider|attenuat\w*)\b")
_ELSEWHERE = re.compile(
    r"\b(?:scan|image|x|y|lockin|display|plot|colou?r|map|drift|tilt|line|lines|frame|quality|fill|averag\w*|duty|"
    r"oversampling|crest|form|sign off)\b"
)
_FACTOR = re.compile(r"[x×]?\s*[+-]?\d*[.,]?\d+(?:e[+-]?\d+)?\s*x?|\d*\s*[:/]\s*\d+(?:\.\d+)?|10\s*\^\s*-?\d+")
_LOGARITHM = re.compile(r"(?:current |i )?(?:log|log10|ln|logarithm|logarithmic|log scale)")

_SIDE = r"(?:the\s+)?(tip|sample)"
_AGAINST = r"(?:relative to|with respect to|w\.?\s?r\.?\s?t\.?|vs\.?|versus|against|referred to|with reference to)"
_POLARITIES = (  # phrase about the bias, and whether the electrode in its first group is the biased one
    (re.compile(rf"{_SIDE}(?:\s+bias(?:ed)?)?\s+{_AGAINST}\s+(?:the\s+)?(?:tip|sample|ground)"), True),
    (re.compile(rf"{_AGAINST}\s+{_SIDE}"), False),
    (re.compile(rf"{_SIDE}\s+(?:is\s+)?(?:grounded|earthed|(?:at |on )?ground)"), False),
    (re.compile(rf"(?:grounded|earthed|ground)\s*[:=]?\s*{_SIDE}"), False),
    (re.compile(rf"(?:(?:bias\s+)?(?:is\s+)?(?:applied\s+)?(?:on|at|of|to)\s+)?{_SIDE}(?:\s+(?:is\s+)?bias(?:ed)?)?"), True),
)  # fmt: skip


def refuse_what_may_change(entry: Entry) -> None:
    """Refuse an entry that is not understood where it may turn a sign or multiply the numbers.

    Parameters
    ----------
    entry : Entry

    Raises
    ------
    UnreadableFile
        If it may turn a sign or scale the numbers.
    """
    words, value = words_of(entry.key), entry.value.strip().lower()
    if _ELSEWHERE.search(words) or value in _NO - {"0"} or value in _PLUS:
        return
    what = ""
    if _MAY_TURN.search(words) or (INVERTS.search(value) and len(value) < 40):
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


def _polarity_of(text: str) -> int | None:
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


def without_polarity(entry: Entry, value: str) -> tuple[str, int | None]:
    """A value without the phrase behind it that says whose bias it is, or that something is inverted; and its sign.

    Parameters
    ----------
    entry : Entry
        For the message.
    value : str
        Its value.

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
        return value, None
    sign = _polarity_of(match.group())
    if sign is None:
        raise not_understood(entry, "tip or sample, relative to the other", "bias")
    return value[: match.start()].strip(" ,;(["), sign


def sign_of(entry: Entry, column: str) -> tuple[str, int] | None:
    """The quantity and the sign that an entry says of bias, current or height; None if it speaks of no sign.

    Parameters
    ----------
    entry : Entry
    column : str
        What its key is: one of `SIGN_KEYS`.

    Raises
    ------
    UnreadableFile
        If what it says is not understood.
    """
    low = re.sub(r"\s+", " ", entry.value.replace("\N{MINUS SIGN}", "-").strip().lower())
    quantity, _, about = column.partition(" ")
    sign: int | None = None
    if column in ("bias applied to", "grounded"):
        quantity, sign, expected = "bias", _polarity_of(low), "tip or sample"
        if sign is not None and column == "grounded" and "ground" not in low:
            sign = -sign
    elif column == "bias reference":
        quantity, expected = "bias", "sample relative to tip, or tip relative to sample"
        sign = _polarity_of(low) if {"tip", "sample"} <= set(re.findall(r"\w+", low)) else None
    elif column == "height grows":
        away, towards = (
            re.search(r"\b(?:away|out|up|retract\w*)\b", low),
            re.search(r"\b(?:towards?|into|down|approach\w*)\b", low),
        )
        sign = None if bool(away) == bool(towards) else 1 if away else -1
        expected = "away from or towards the surface"
    elif about == "sign":
        sign = 1 if low in _PLUS else -1 if low in _MINUS else _polarity_of(low) if quantity == "bias" else None
        if low in ("bipolar", "unipolar", "both"):
            return None  # of the range
        expected = "+1 or -1, normal or inverted"
    else:
        sign = 1 if low in _NO else -1 if low in _YES else None
        expected = "yes or no, inverted or normal"
    if sign is None:
        raise not_understood(entry, expected, quantity)
    return quantity, sign


def not_understood(entry: Entry, expected: str, quantity: str) -> UnreadableFile:
    """The refusal of an entry about a sign that says something else.

    Parameters
    ----------
    entry : Entry
    expected : str
        What it could have said.
    quantity : str
        ``"bias"``, ``"current"`` or ``"height"``.
    """
    return UnreadableFile(
        f"the header entry {shown(entry.key)} is {shown(entry.value)}; expected {expected}, since it turns a sign. Say "
        f'{quantity}_sign = 1 (or -1) in a recipe and under [header]: "{entry.key}" = "unused".',
        place=entry.place,
    )
