"""A general NeXus reader opens the session, finds nothing wrong and plots the default.

Outside references: the NeXus base classes (manual.nexusformat.org: NXroot, NXentry, NXdata) through the general
reader and checker `nexusformat`, and h5py.
"""

from __future__ import annotations

import warnings
from pathlib import Path

import h5py
import matplotlib
import numpy as np
import pytest
from numpy.testing import assert_array_equal
from session.examples import file_of, sweep_set

from sts.session import Session

matplotlib.use("Agg")
with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from nexusformat.nexus import nxload


@pytest.fixture
def session(tmp_path: Path) -> Session:
    session = Session.create(tmp_path / "bench.h5")
    parts = (
        sweep_set(["a", "b", "c"], tip="heron", setpoint_current_A=1e-10),
        sweep_set(["d", "e"], kind="iz", bias_V=-0.05, points=30),
        sweep_set(["l"], lockin_unit="S", points=20),
    )
    session.add([file_of(1, *parts)])
    session.mark(["a"], "omit", "tip touched")
    return session


@pytest.mark.filterwarnings("ignore")
def test_a_general_reader_plots_the_default_signal(session: Session, tmp_path: Path) -> None:
    import matplotlib.pyplot as plt

    root = nxload(session.path)
    assert root.nxclass == "NXroot"
    data = root.plottable_data
    assert data.nxpath == "/entry/iv_001"
    assert data.nxsignal.nxname == "current"
    assert [axis.nxname for axis in data.nxaxes] == ["sweep", "bias"]
    root.plot()
    figure = plt.gcf()
    drawn = [artist for axes in figure.axes for artist in (*axes.images, *axes.collections)]
    figure.savefig(tmp_path / "plot.png")
    plt.close("all")
    values = np.ma.getdata(drawn[0].get_array()).ravel()
    assert_array_equal(np.sort(values), np.sort(session.sets("iv")[0].current.ravel()))


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize(("name", "signal", "axis"), [("iz_001", "current", "height"), ("iv_002", "lockin", "bias")])
def test_every_set_names_its_signal_and_axes(session: Session, name: str, signal: str, axis: str) -> None:
    data = nxload(session.path)["entry"][name]
    assert data.nxsignal.nxname == signal
    assert [a.nxname for a in data.nxaxes] == ["sweep", axis]


@pytest.mark.filterwarnings("ignore")
def test_the_general_checker_finds_no_error(session: Session, capsys: pytest.CaptureFixture[str]) -> None:
    nxload(session.path).check()
    said = capsys.readouterr()
    assert "Total number of errors: 0" in said.out + said.err


def test_every_number_has_a_unit_and_every_column_lies_beside_the_sweeps(session: Session) -> None:
    with h5py.File(session.path) as file:
        units = {}

        def visit(name: str, item: h5py.HLObject) -> None:
            if isinstance(item, h5py.Dataset) and name.startswith("entry/i"):
                units[name] = item.attrs["units"] if h5py.check_string_dtype(item.dtype) is None else None

        file.visititems(visit)
        group = file["entry/iv_001"]
        assert [n.decode() for n in group["name"][...]] == ["a", "b", "c"]
        assert {len(group[n]) for n in group if n not in ("bias",)} == {3}
        assert file["entry/decisions/why"].asstr()[0] == "tip touched"
    assert units["entry/iv_001/current"] == "A"
    assert units["entry/iv_001/bias"] == "V"
    assert units["entry/iz_001/height"] == "m"
    assert units["entry/iz_001/bias_V"] == "V"
    assert units["entry/iv_002/lockin"] == "S"
