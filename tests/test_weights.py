"""The file that training left."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.errors import BridgeError
from bridge.weights import WEIGHTS, learned, without_net


def test_the_shipped_file_holds_everything_and_is_small():
    what = learned()
    assert what.net is not None
    assert what.table.shape == (len(what.table), len(what.edges) + 1)
    assert what.onset_table.shape == (len(what.table), len(what.onset_edges) + 1)
    assert (np.diff(what.edges) > 0).all()
    assert WEIGHTS.stat().st_size < 1_000_000
    assert (WEIGHTS.parent / "CARD.md").exists()


def test_without_the_net_only_onsets_count():
    what = without_net(learned())
    assert what.net is None
    assert (what.free.beat, what.free.tempo) == (0.0, 0.0)
    assert what.free.onsets > 0


@pytest.mark.parametrize("damage", ["absent", "no archive", "an array less"])
def test_a_file_that_cannot_be_used_is_refused_with_its_name(tmp_path, damage):
    path = tmp_path / "weights.npz"
    if damage == "no archive":
        path.write_bytes(b"no archive")
    elif damage == "an array less":
        with np.load(WEIGHTS) as whole:
            np.savez(path, **{name: whole[name] for name in whole.files if name != "onset_table"})
    with pytest.raises(BridgeError, match=r"weights\.npz: cannot read .* Install the bridge again"):
        learned(path)
