"""Files as people write them, and how the tests of this room read them."""

from __future__ import annotations

from sts.loaders import read_file, read_logbook, read_recipe
from sts.loaders.reading import read_bytes

IV = [(v, v / 100) for v in range(-100, 101, 10)]
IZ = [(k / 10, 10 * 0.1 ** (k / 20)) for k in range(21)]
SWEEP = "# tip: heron\n# temperature: 77 K\nV (mV),I (nA)\n-1,-2\n0,0\n1,2\n"


def file(names: str, header: str = "", *, rows: list[tuple[float, ...]] = IV, delimiter: str = ";") -> str:
    count = len(names.split(delimiter))
    body = [delimiter.join(f"{v:.9g}" for v in (row[0], *[row[1]] * (count - 1))) for row in rows]
    return "\n".join([*([header] if header else []), names, *body]) + "\n"


def read(text: str):
    return read_bytes(text.encode(), "a.txt")


def recipe(tmp_path, text):
    path = tmp_path / "r.toml"
    path.write_text(text, encoding="utf-8")
    return read_recipe(path)


def sweeps(tmp_path, text, recipe_=None, name="heron_s1_7.txt"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    (found,) = read_file(path, recipe=recipe_).sets
    return found


def book(tmp_path, text, name="log.csv", encoding="utf-8"):
    path = tmp_path / name
    path.write_bytes(text.encode(encoding))
    return read_logbook(path)
