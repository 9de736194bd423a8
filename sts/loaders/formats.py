"""The kinds of files, in the order in which they are tried: a new kind is a reader and a line here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from sts.loaders.arrays import Folders, arrays_or_refusal, blocks_of_arrays
from sts.loaders.block import Block, Entry
from sts.loaders.guarded import read_guarded
from sts.loaders.readers.hdf5 import hdf5_arrays, is_hdf5
from sts.loaders.readers.matlab import is_matlab, matlab_arrays
from sts.loaders.readers.npy import is_npy, is_npz, npy_arrays, npz_arrays
from sts.loaders.readers.text import read_text_file
from sts.loaders.readers.workbook import is_workbook, read_workbook
from sts.loaders.recipe import Recipe


@dataclass(frozen=True)
class Format:
    """A kind of file: how it is recognised by its bytes, and what makes blocks of them."""

    name: str
    recognises: Callable[[bytes], bool]
    blocks: Callable[[bytes, Recipe], tuple[list[Block], list[str]]]  # blocks, and notes on the file
    arrays: Callable[[bytes], tuple[Folders, list[Entry]]] | None = None  # of a file of named arrays, understood or not


def _arrays(
    name: str, recognises: Callable[[bytes], bool], reader: Callable[[bytes], tuple[Folders, list[Entry]]],
    *, guarded: bool = False,
) -> Format:  # fmt: skip
    arrays_of = partial(arrays_or_refusal, reader=name, arrays_of=reader)
    if guarded:
        arrays_of = partial(read_guarded, arrays_of)
    read = partial(blocks_of_arrays, reader=name, arrays_of=arrays_of)
    return Format(name, recognises, lambda content, recipe: (read(content, recipe), []), arrays_of)


FORMATS = (
    Format("workbook", is_workbook, lambda content, recipe: (read_workbook(content, recipe), [])),
    _arrays("npy", is_npy, npy_arrays),
    _arrays("npz", is_npz, npz_arrays),
    _arrays("hdf5", is_hdf5, hdf5_arrays, guarded=True),  # before MATLAB, whose 7.3 is HDF5
    _arrays("matlab", is_matlab, matlab_arrays, guarded=True),
    Format("text", lambda content: True, read_text_file),
)
