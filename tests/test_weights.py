"""The files that training left."""

from __future__ import annotations

import shutil

import numpy as np
import pytest

from bridge.errors import BridgeError
from bridge.weights import FOLDER, NET, ONSETS, learned


@pytest.fixture
def folder(tmp_path):
    """A folder of its own with the shipped files, to damage."""
    for name in (NET, ONSETS):
        shutil.copy(FOLDER / name, tmp_path)
    return tmp_path


def damaged(path, how):
    if how == "absent":
        path.unlink()
    elif how == "empty":
        path.write_bytes(b"")
    elif how == "no archive":
        path.write_bytes(b"no archive")
    elif how == "cut short":
        path.write_bytes(path.read_bytes()[:-500])
    else:
        with np.load(path) as whole:
            arrays = {name: whole[name] for name in whole.files if name != how}
        np.savez(path, **arrays)


def test_the_shipped_files_hold_everything_and_are_small():
    what = learned()
    assert what.net is not None
    assert what.lack == ""
    assert what.table.shape == (len(what.table), len(what.edges) + 1)
    assert what.onset_table.shape == (len(what.table), len(what.onset_edges) + 1)
    assert (np.diff(what.edges) > 0).all()
    assert (FOLDER / NET).stat().st_size < 2_000_000
    assert (FOLDER / "CARD.md").exists()


def test_without_the_net_only_onsets_count():
    what = learned().onsets_alone()
    assert what.net is None
    assert (what.free.beat, what.free.tempo) == (0.0, 0.0)
    assert what.free.onsets > 0


@pytest.mark.parametrize(
    "how",
    ["absent", "empty", "no archive", "cut short", "table", "into_weight", "hear_3_weight", "add_10_bias", "weights"],
)
def test_a_net_that_cannot_be_used_is_told_with_its_file_and_onsets_stand_in(folder, how):
    damaged(folder / NET, how)
    what = learned(folder)
    assert what.net is None
    assert what.lack.startswith(f"{folder / NET}: no net to follow by (")
    assert "Install the bridge again" in what.lack
    assert what.free == learned().onsets_alone().free
    assert (what.onset_table == learned().onset_table).all()


@pytest.mark.parametrize("how", ["absent", "empty", "no archive", "cut short", "onset_table"])
def test_without_onsets_the_bridge_refuses_and_names_the_file(folder, how):
    damaged(folder / ONSETS, how)
    with pytest.raises(BridgeError, match=r"onsets\.npz: cannot read .* Install the bridge again"):
        learned(folder)
