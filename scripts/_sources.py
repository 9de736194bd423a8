"""Which files of this repository a script depends on, found by reading its imports (nothing is imported for it)."""

from __future__ import annotations

import ast
import hashlib
from collections.abc import Iterator
from pathlib import Path

from _environment import ROOT

_ROOTS = (ROOT, ROOT / "scripts")  # where ``sts`` and the scripts' own modules are found


def fingerprint(*starts: Path) -> str:
    """A checksum of these files, of all they import from here, and of the locked versions of what is not from here."""
    code = hashlib.sha256((ROOT / "requirements" / "dev.txt").read_bytes())
    for path in sorted(sources(*starts)):
        code.update(path.read_bytes())
    return code.hexdigest()[:16]


def sources(*starts: Path) -> set[Path]:
    """These files and every file of the repository that they import, directly or not."""
    found: set[Path] = set()
    waiting = list(starts)
    while waiting:
        path = waiting.pop()
        if path not in found:
            found.add(path)
            waiting += [file for name in _imported(path) for file in _files(name)]
    return found


def _imported(path: Path) -> Iterator[str]:
    tree = ast.parse(path.read_bytes())
    for_checkers = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
        for part in node.body  # never run
        for inner in ast.walk(part)
    }
    for node in ast.walk(tree):
        if id(node) in for_checkers:
            continue
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            near = path.relative_to(ROOT).parts[: -node.level] if node.level else ()  # the package that dots stand for
            module = ".".join([*near, *([node.module] if node.module else [])])
            yield module
            yield from (f"{module}.{alias.name}" for alias in node.names)  # a name may be a module


def _files(name: str) -> Iterator[Path]:
    """The files that are run when this module is imported: its own and those of the packages around it."""
    parts = name.split(".")
    for root in _ROOTS:
        for end in range(1, len(parts) + 1):
            place = root.joinpath(*parts[:end])
            yield from (p for p in (place / "__init__.py", place.with_name(f"{place.name}.py")) if p.is_file())
