"""No input hangs: each of these ends within two seconds, in sweeps or in one line."""

from __future__ import annotations

import io
import time
import zipfile

import pytest

from sts.loaders import UnreadableFile
from sts.loaders.reading import read_bytes

ROWS = "".join(f"{k},{k * k}\n" for k in range(50))
HEAD = "V (mV),I (nA)\n"
CASES = {
    "one line of digits": ("1," * 2_500_000, None),
    "one line of letters": ("a" * 5_000_000, None),
    "slashes": ("/" * 300_000 + " (mV),I (nA)\n" + ROWS, None),
    "brackets": ("(" * 200_000 + HEAD + ROWS, None),
    "spaces": ("V (mV)" + " " * 500_000 + "I (nA)\n" + ROWS.replace(",", " "), 1),
    "colons": (":" * 500_000 + "\n" + HEAD + ROWS, 1),
    "quotes": ('"' * 300_001 + "\n" + HEAD + ROWS, 1),
    "long header": ("# a: b\n" * 50_000 + HEAD + ROWS, 1),
    "comments between all rows": (HEAD + "# note\n".join(f"{k},{k}\n" for k in range(4_000)), 1),
    "zigzag": (HEAD + "".join(f"{k % 2},{k}\n" for k in range(20_000)), None),
    "many blocks": ((HEAD + "0,1\n1,2\n2,5\n") * 300, 300),
    "empty lines": (HEAD + "\n" * 500_000 + ROWS, 1),
    "many sweeps": ("sweep,V_mV,I_nA\n" + "".join(f"{s},{k},{k}\n" for s in range(3000) for k in range(5)), 3000),
    "exponents": (HEAD + "0,1e99999\n1,2e-99999\n2,3\n", 1),
}


def sweeps_or_refusal(text: str) -> int | str:
    try:
        return sum(len(s) for s in read_bytes(text.encode(), "x.csv").sets)
    except UnreadableFile as refusal:
        return str(refusal)


@pytest.mark.parametrize("case", CASES)
def test_input_ends_in_time(case):
    text, sweeps = CASES[case]
    began = time.process_time()  # of this process: other work on the machine does not count
    found = sweeps_or_refusal(text)
    assert time.process_time() - began < 2
    if sweeps is None:
        assert isinstance(found, str)
        assert len(found) < 1000
    else:
        assert found == sweeps


def test_a_damaged_archive_is_refused_in_a_line_that_is_not_the_file():
    """Python's own words of a damaged archive quote it to its end: 9,000 letters."""

    book = io.BytesIO()
    with zipfile.ZipFile(book, "w") as archive:
        archive.writestr("xl/worksheets/sheet1.xml", "<worksheet/>" * 1000)
    content = bytearray(book.getvalue())
    content[26:28] = (6000).to_bytes(2, "little")  # length of the name, in the head of the file within
    with pytest.raises(UnreadableFile) as refused:
        read_bytes(bytes(content), "a.xlsx")
    assert "damaged archive" in str(refused.value)
    assert len(str(refused.value)) < 450
