"""What folder and file names say of their sweeps: where a word names what follows it (tipB, site3), never otherwise."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

from sts.loaders.patterns import without_copy_mark
from sts.loaders.words import among, meanings

_WORDS = meanings("names")
_SAMPLES = among("samples", "surface")
_KIND_AND_SAMPLE = re.compile(  # a folder or a name that begins or ends with both: IZ_Gold, hopg-iv
    r"(?i:(?:iz|iv)[\s_\-]+(?P<after>[a-z][a-z0-9]*)(?:[\s_\-].*)?|(?:.*[\s_\-])?(?P<before>[a-z][a-z0-9]*)[\s_\-]+(?:iz|iv))"
)
_WORD = "|".join(sorted(_WORDS, key=len, reverse=True))
_NAMED = re.compile(
    rf"(?<![A-Za-z])(?P<word>(?i:{_WORD}))(?P<between>[\s_\-.=#]{{0,2}})"
    r"(?P<value>[A-Za-z]\d{1,3}|\d{1,3}[abcefgABCEFG]?|[A-Za-z])(?![A-Za-z0-9]|[.,]\d)"
)
_NO_NAME = set("xyzviXYZVI")  # letters that stand for a quantity, not for a tip or a place
_JOINED = set("abcdefgh")  # small letters that may follow a word at once: tipb, but not tips
_COUNTED = re.compile(  # a word after a number that makes it a count or a size: tip_3_pulses
    r"[\s_\-]*(?:pulses?|times?|crash(?:es)?|mins?|hours?|days?|sec|[munpµ]?[VAmsK]|kV|fA|Hz|h|x|percent|[kmM]?eV|ML|T|L|deg|"
    r"degC|[kMG]?\x1f?Ohm|fold|of[\s_]?\d+)(?![A-Za-z0-9])"
)
_ANOTHER = (
    re.compile(  # what follows the name of a tip makes it another one, or several: tipA_recut, tipA_to_B, tip A,B
        r"['\N{PRIME}+&]|,\s?\w|[\s_\-]*(?:to|and|or|vs|und)[\s_\-]|"
        r"[\s_\-]*(?i:re-?cut|re-?etch|re-?sharp|sharpened|repaired|new|old|again|2nd|3rd|second|third|prime)"
    )
)
_BEFORE_TIP = re.compile(r"(?:^|[\s_\-])(?:new|bad|good|no|old|blunt|same|other|i|v)[\s_\-]*$", re.IGNORECASE)
_BEFORE_SITE = re.compile(r"(?:^|[\s_\-])(?:z|x|y|piezo|stage|scanner)[\s_\-]*$", re.IGNORECASE)
_GASES = {"o2", "h2", "n2", "f2", "b4"}  # and before: tip_O2_exposed, tip_b4_crash
_DIRECTIONS = {"up": "up", "down": "down", "retract": "retract", "approach": "approach"}
_OPPOSITE = {"up": "down", "down": "up", "retract": "approach", "approach": "retract"}
_DIRECTION = re.compile(r"(?<![A-Za-z0-9])(?i:up|down|retract|approach)(?![A-Za-z0-9])")
_NO_DIRECTION = re.compile(r"(?i:spin|domain|terrace|step|after|before|field|temp|t|b)[\s_\-]*$")  # before such a word
_LAST_NUMBER = re.compile(r"(?:(?<=[\s_\-])|^)(?<![\s_\-]-)(\d{1,5})$")
_HIGHEST = 10  # beyond three times their count, numbers count no repeats: 50, 100, 200
_DATE = re.compile(r"(?<!\d)(?:\d{4}[-_.]\d{2}[-_.]\d{2}|\d{8}|\d{6})(?!\d)")
_OTHER_NUMBER = re.compile(r"(?<![A-Za-z0-9.])\d+(?![A-Za-z0-9.])")  # beside the last: which of them counts repeats?
_BOUNDARY = re.compile(
    rf"(?<=[A-Z0-9])(?=(?:{_WORD})\d)|(?<=[A-Z])(?=[A-Z][a-z]{{2}})|(?<=\d)(?=[A-Z][a-z]|[a-z]{{3}})"
)


@dataclass(frozen=True)
class Labels:
    """What the names of some files say."""

    values: dict[str, dict[str, str]] = field(default_factory=dict)  # path -> column -> value
    patterns: tuple[tuple[str, int], ...] = ()  # what the names look like, with the number of files
    clashes: tuple[str, ...] = ()  # paths in which two names disagree

    def summary(self, column: str) -> str:
        """The values of a column in words, e.g. ``tips A, B, C`` or ``sites 1 to 5``; "" if there are none.

        Parameters
        ----------
        column : str
        """
        found = sorted({v[column] for v in self.values.values() if column in v}, key=natural_key)
        return in_words(column, found)


@dataclass
class _Found:
    """What one path says, and the text that is left of it."""

    values: dict[str, str]
    pattern: str
    clash: bool = False
    direction: str = ""
    last_number: str = ""
    rest: str = ""  # folder and name with all that was found blanked
    copy: bool = False  # whether the name is marked as that of a copy


def labels_from_paths(paths: Iterable[str]) -> Labels:
    """Tip, site, sample, repeat and direction from folder and file names.

    Only what a word in the name calls so is taken: ``tipB``, ``site3``, ``spot_2``, ``run 4``; and a sample of a known
    material where it stands beside the kind of sweep, ``IZ_Gold``. The number at the end of a
    name is the repeat where a site is named beside it, and it tells the files there apart. ``up``, ``down``, ``retract``
    and ``approach`` are directions where both of a pair occur in names that are otherwise alike. Where two names of one
    path disagree, neither is taken.

    Parameters
    ----------
    paths : iterable of str
        Relative, with ``/`` between folders.
    """
    found = {path: _read(path) for path in paths}
    _settle_directions(found)
    _settle_repeats(found)
    values = {path: one.values for path, one in found.items() if one.values}
    patterns = Counter(re.sub(r"\d+", "*", one.pattern) for one in found.values() if one.values)
    clashes = tuple(path for path, one in found.items() if one.clash)
    return Labels(values, tuple(patterns.most_common()), clashes)


def kind_from_path(path: str) -> str:
    """``iv`` or ``iz`` where folder or file name say it as a word of its own (``IZ_gold/spec3``); "" if not, or both.

    Parameters
    ----------
    path : str
        With ``/`` between folders.
    """
    found = {match.lower() for match in re.findall(r"(?<![A-Za-z0-9])(?i:iv|iz)(?![A-Za-z0-9])", path)}
    return found.pop() if len(found) == 1 else ""


def labels_of_title(title: str) -> dict[str, str | float]:
    """Tip, site and sample that the title of a table names (``tip A``); a slash or a dot parts it like a path.

    Parameters
    ----------
    title : str
    """
    return {k: v for k, v in _read(title).values.items() if k in ("sample", "tip", "site")}


def _read(path: str) -> _Found:
    *folders, name = path.split("/")
    stem, dot, ending = name.rpartition(".") if "." in name else (name, "", "")
    stem, copy = without_copy_mark(stem)
    said: dict[str, set[str]] = defaultdict(set)
    texts = []
    in_stem = False  # whether the name itself, and not a folder, has a word for the repeat
    for part in (*folders, stem):
        text = whole = _BOUNDARY.sub("\x1f", part)  # tipBsite3 as two words
        for match in _NAMED.finditer(text):
            column, value = _named(match, whole)
            if column:
                said[column].add(value)
                in_stem = in_stem or (column == "repeat" and part is stem)
                text = text.replace(match.group(), f"{match['word']}{match['between']}\x02{column}\x03", 1)
        texts.append(text.replace("\x1f", ""))
    direction, number = "", ""
    words = list(_DIRECTION.finditer(texts[-1]))
    if len(words) == 1 and not _NO_DIRECTION.search(texts[-1][: words[0].start()]):
        direction = words[0].group().lower()
        texts[-1] = _DIRECTION.sub("\x02direction\x03", texts[-1])
    bare = re.sub(r"[\s_\-]*\x02direction\x03$", "", texts[-1])
    last = _LAST_NUMBER.search(bare)
    if last and not _OTHER_NUMBER.search(_DATE.sub("", bare[: last.start(1)])):
        number = last[1]
        texts[-1] = f"{texts[-1][: last.start(1)]}\x02repeat\x03{texts[-1][last.end(1) :]}"
    values = {column: next(iter(found)) for column, found in said.items() if len(found) == 1}
    if not said["sample"] and len(named := _samples(*folders, stem)) == 1:
        values["sample"] = named.pop()
    if number and "repeat" in values:  # run 5/..._4: that of the name; scan1_..._4: either may be
        del values["repeat"]
        number = "" if in_stem else number
    whole = "/".join(texts)
    pattern = whole.replace("\x02", "{").replace("\x03", "}") + dot + ending
    rest = re.sub(r"\x02\w+\x03", "\x02", whole)
    return _Found(values, pattern, any(len(f) > 1 for f in said.values()), direction, number, rest, copy)


def _named(match: re.Match[str], text: str) -> tuple[str, str]:
    """Column and value of ``tipB`` or ``site_3``; ("", "") where the word does not name what follows."""
    column, value, joined = _WORDS[match["word"].lower()], match["value"], not match["between"]
    before, after = text[: match.start()], text[match.end() :]
    nothing = ("", "")
    letter = value if value.isalpha() else ""
    if letter and (letter in _NO_NAME or (joined and letter.islower() and letter not in _JOINED)):
        return nothing
    if joined and value[0].islower() and len(value) > 1:
        return nothing  # tips2
    if letter == "a" and not joined and re.match(r"[\s_][a-z]{2}", after):
        return nothing  # tip_a_bit_blunt
    if any(
        start < match.end() and match.start("value") < end for start, end in (d.span() for d in _DATE.finditer(text))
    ):
        return nothing
    if value.isdigit() and _COUNTED.match(after):
        return nothing
    if column == "repeat" and (not value.isdigit() or re.match(r"-[1-9]\d?(?!\d)", after)):
        return nothing
    if column == "site" and (_BEFORE_SITE.search(before) or (value.isdigit() and match["between"].endswith("-")
                                                             and match["word"].lower() in ("pos", "position"))):  # fmt: skip
        return nothing
    if column in ("tip", "sample") and _no_name(column, value, before, after, joined=joined):
        return nothing
    return column, value.lstrip("0") or "0" if value.isdigit() else value


def _no_name(column: str, value: str, before: str, after: str, *, joined: bool) -> bool:
    """Whether what follows ``tip`` or ``sample`` is not its name, or not all of it."""
    if value.isdigit() and len(value) > 2 and value[0] == "0":
        return True  # sample_001: a counter
    if _ANOTHER.match(after):
        return True
    if value.isdigit() and re.match(r"-[1-9]\d?(?!\d)", after):
        return True  # tip 1-3
    if column == "sample":
        return False
    if not joined and re.fullmatch(r"[sprizvn]\d+", value):
        return True  # heron_tip_s1_r1
    if value.upper() == "W" and re.match(r"[\s_\-]\d", after):
        return True  # tip_W_1, tip_W_2: tungsten
    return value.lower() in _GASES or bool(_BEFORE_TIP.search(before))


def _samples(*parts: str) -> set[str]:
    """Materials that stand beside the kind of sweep: Gold of ``IZ_Gold``."""
    found = (_KIND_AND_SAMPLE.fullmatch(part) for part in parts)
    words = {match["after"] or match["before"] for match in found if match}
    return {word for word in words if word.lower() in _SAMPLES}


def _settle_directions(found: dict[str, _Found]) -> None:
    """Take a word for a direction only where its opposite stands in a name that is otherwise alike."""
    seen: dict[str, set[str]] = defaultdict(set)
    for one in found.values():
        if one.direction:
            seen[_without_digits(one.rest)].add(one.direction)
    for one in found.values():
        if one.direction:
            if _OPPOSITE[one.direction] in seen[_without_digits(one.rest)]:
                one.values["direction"] = _DIRECTIONS[one.direction]
            else:
                one.pattern = one.pattern.replace("{direction}", one.direction)


def _settle_repeats(found: dict[str, _Found]) -> None:
    """Take a number for that of a repeat only beside a site, and where it tells the files of the site apart."""
    groups: dict[tuple[str, ...], list[_Found]] = defaultdict(list)
    for one in found.values():
        if "repeat" not in one.values and one.last_number and "site" in one.values:
            one.values["repeat"] = one.last_number.lstrip("0") or "0"
        elif one.last_number:
            one.pattern = one.pattern.replace("{repeat}", "*") if "repeat" not in one.values else one.pattern
        if "repeat" in one.values:
            about = (one.values.get(c, "") for c in ("sample", "tip", "site", "direction"))
            groups[(*about, one.rest)].append(one)
    for members in groups.values():
        originals = [one.values["repeat"] for one in members if not one.copy]
        padded = any(one.last_number.startswith("0") for one in members)
        counting = padded or max(int(n) for n in originals or ["0"]) <= 3 * len(originals) + _HIGHEST
        if len(set(originals)) < len(originals) or not counting:
            for one in members:
                del one.values["repeat"]
                one.pattern = one.pattern.replace("{repeat}", "*")


def _without_digits(text: str) -> str:
    return re.sub(r"\d+", "0", text)


# ---- in words


@lru_cache(4096)
def natural_key(text: str) -> tuple[tuple[int, int, str], ...]:
    """A key that sorts names as people count: s2 before s10, small and capital letters alike.

    Parameters
    ----------
    text : str
    """
    parts = re.split(r"(\d+)", text)
    return tuple((0, int(p), "") if p.isdecimal() else (1, 0, p.casefold()) for p in parts if p)


def in_words(column: str, values: Sequence[str]) -> str:
    """``tips A, B, C``, ``sites 1 to 5``: the different values of a column.

    Parameters
    ----------
    column : str
    values : sequence of str
        Sorted, each once.
    """
    if not values:
        return ""
    numbers = [int(v) for v in values] if all(v.isdecimal() for v in values) else []
    name = column if len(values) == 1 else f"{column}s"
    if len(numbers) > 2 and numbers == list(range(numbers[0], numbers[0] + len(numbers))):
        return f"{name} {values[0]} to {values[-1]}"
    return f"{name} {', '.join(values[:8])}" + (f" and {len(values) - 8} more" if len(values) > 8 else "")


# ---- proposals


_KINDS = {"iv", "iz", "didv", "v", "z", "i", "sts", "c", "spec", "curve", "data", "raw", "fwd", "bwd", "up", "down"}


def propose_pattern(paths: Sequence[str]) -> str:
    """A pattern that names might follow, where no word in them says so; "" if they show none.

    Only a proposal: the first part that differs as the tip, ``s`` and ``p`` with a number as site, ``r`` with a number or
    the number at the end as repeat.

    Parameters
    ----------
    paths : sequence of str
        Relative, with ``/`` between folders.
    """
    tokens = [_tokens(path) for path in paths]
    shapes = Counter(shape for shape, _ in tokens)
    (shape, count), *_ = shapes.most_common(1)
    cells = [cells for other, cells in tokens if other == shape]
    if count < 2 or count < 0.6 * len(paths):
        return ""
    varies = [len({row[i] for row in cells}) > 1 for i in range(len(cells[0]))]
    used: set[str] = set()
    pieces = list(shape)
    slots = [i for i, piece in enumerate(pieces) if piece in ("\x02", "\x03")]
    for order, place in enumerate(slots):
        digits = pieces[place] == "\x03"
        before = re.search(r"([A-Za-z]*)$", "".join(pieces[:place]))
        prefix = before[1].lower() if before and digits else ""
        column = ""
        if varies[order]:
            if digits and prefix in ("s", "p") and "site" not in used:
                column = "site"
            elif digits and (prefix == "r" or order == len(slots) - 1) and "repeat" not in used:
                column = "repeat"
            elif not digits and "tip" not in used and not {row[order].lower() for row in cells} & (_KINDS | _SAMPLES):
                column = "tip"
        used |= {column} - {""}
        same = {row[order] for row in cells}
        pieces[place] = f"{{{column}}}" if column else next(iter(same)) if len(same) == 1 else "*"
    return re.sub(r"\*{2,}", "*", "".join(pieces)) if "tip" in used or "site" in used else ""


def _tokens(path: str) -> tuple[str, tuple[str, ...]]:
    """The shape of a path (its last folder and name, words and numbers blanked) and the cells that were."""
    *folders, name = path.split("/")
    stem, dot, ending = name.rpartition(".") if "." in name else (name, "", "")
    text = "/".join([*folders[1:][-1:], without_copy_mark(stem)[0]])
    cells: list[str] = []

    def blank(match: re.Match[str]) -> str:
        cells.append(match.group())
        return "\x03" if match.group().isdigit() else "\x02"

    words = r"(?<![A-Za-z])[A-Za-z]{2,}(?:[A-Za-z ()]*[A-Za-z)])?(?!\d)|(?<![A-Za-z])[A-Za-z](?![A-Za-z\d])"
    shape = re.sub(rf"\d+|{words}", blank, text)
    return shape + dot + ending, tuple(cells)
