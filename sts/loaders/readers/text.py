"""Text files: find delimiter, decimal mark, header and tables."""

from __future__ import annotations

from dataclasses import replace

from sts.loaders.block import Block
from sts.loaders.decode import decode
from sts.loaders.dialect import find_dialect
from sts.loaders.loaded import UnreadableFile
from sts.loaders.readers.text_long import long_block
from sts.loaders.readers.text_plain import plain_block, refuse_endless_lines, refuse_thousands
from sts.loaders.readers.text_rows import rows_block
from sts.loaders.readers.text_walk import Walk
from sts.loaders.recipe import Recipe


def read_text_file(content: bytes, recipe: Recipe) -> tuple[list[Block], list[str]]:
    """The blocks of a text file, and notes on its encoding.

    Parameters
    ----------
    content : bytes
    recipe : Recipe

    Raises
    ------
    UnreadableFile
        If it is no text, or as `read_text`.
    """
    if found := long_block(content, recipe):
        return [found[0]], found[1]
    text, notes = decode(content, encoding=recipe.encoding)
    return read_text(text, recipe), notes


def read_text(text: str, recipe: Recipe) -> list[Block]:
    r"""The blocks of a text.

    Parameters
    ----------
    text : str
        With ``\n`` at the ends of lines.
    recipe : Recipe

    Raises
    ------
    UnreadableFile
        If there is no table of numbers, a cell is not what its column says, or the dialect is ambiguous.
    """
    lines = text.split("\n")
    lines[: recipe.skip_lines] = [""] * min(recipe.skip_lines, len(lines))
    if recipe.skip_last_lines:
        filled = [i for i, line in enumerate(lines) if line.strip()]
        lines = lines[: [*filled, len(lines)][-recipe.skip_last_lines - 1] if filled else 0]
    refuse_endless_lines(lines)
    cut = not text.endswith("\n")
    if in_rows := rows_block(lines, recipe, cut=cut):
        refuse_thousands(lines, in_rows[1], recipe)
        return [in_rows[0]]
    dialect = find_dialect(lines, recipe, tuple(recipe.comment))
    refuse_thousands(lines, dialect, recipe)
    simple = None if cut or recipe.blocks else plain_block(lines, dialect, recipe)
    return [simple] if simple else _chosen(Walk(dialect, recipe, cut=cut).run(lines), recipe)


def _chosen(blocks: list[Block], recipe: Recipe) -> list[Block]:
    """The blocks that a recipe asks for; the notes of the file go with the first."""
    if not recipe.blocks:
        return blocks
    chosen = [blocks[i - 1] for i in recipe.blocks if i <= len(blocks)]
    if not chosen:
        raise UnreadableFile(f"has {len(blocks)} tables; the recipe asks for {recipe.blocks}. Correct 'blocks'.")
    return [replace(chosen[0], notes=blocks[0].notes), *chosen[1:]]
