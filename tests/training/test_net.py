"""The net that is trained, and the one that plays live, are one."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from bridge.follow.activation import Activation
from bridge.follow.features import TONES


def test_hop_by_hop_it_says_what_was_trained(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    torch = pytest.importorskip("torch")
    from tests.training.net import CONTEXT, Net, save

    torch.manual_seed(1)
    net = Net(8)
    save(net, tmp_path / "net.npz")
    sound = np.random.default_rng(1).normal(size=(2500, 2 * TONES)).astype(np.float32)
    with torch.no_grad():
        trained = net(torch.nn.functional.pad(torch.from_numpy(sound)[None], (0, 0, CONTEXT, 0)))
    with np.load(tmp_path / "net.npz") as file:
        live = Activation(dict(file), shifts=(0,))
    monkeypatch.setattr("bridge.follow.activation._Inputs.of", lambda _, tones: tones)
    said = [live.hear(hop[None]) for hop in sound]
    np.testing.assert_allclose([hop.beat[0] for hop in said], trained["beat"][0, :, 0].numpy(), atol=1e-4)
    log_phase = torch.log_softmax(trained["phase"][0], 1).numpy()
    np.testing.assert_allclose([hop.phase[0] for hop in said], log_phase, atol=1e-4)


def test_a_wider_net_says_the_same_at_first() -> None:
    torch = pytest.importorskip("torch")
    from tests.training.net import CONTEXT, Net, widened

    torch.manual_seed(1)
    net = Net(8)
    wider = widened(net, 12)
    sound = torch.randn(2, 300 + CONTEXT, 2 * TONES)
    with torch.no_grad():
        for head, said in net(sound).items():
            torch.testing.assert_close(wider(sound)[head], said)
    assert len(wider.into.bias) == 12
    with pytest.raises(ValueError, match="8 channels cannot become one of 4"):
        widened(net, 4)


def test_processes_that_learn_one_net_together_take_the_mean_of_what_they_learnt() -> None:
    pytest.importorskip("torch")
    learns = (
        "import os, torch; from torch import distributed; from tests.training.net import Net;"
        "from tests.training.train import agreed, share_gradients;"
        "distributed.init_process_group('gloo'); rank = distributed.get_rank(); net = Net(2);"
        "[setattr(weights, 'grad', torch.full_like(weights, 3.0 * rank)) for weights in net.parameters()];"
        "share_gradients(net);"
        "print(agreed(7.0 + rank), sorted({float(x) for w in net.parameters() for x in w.grad.flatten()}));"
        "distributed.destroy_process_group()"
    )
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    both = os.environ | {
        "WORLD_SIZE": "2",
        "MASTER_ADDR": "127.0.0.1",
        "MASTER_PORT": str(port),
        "GLOO_SOCKET_IFNAME": "lo",
    }
    processes = [
        subprocess.Popen(
            [sys.executable, "-c", learns], env=both | {"RANK": str(rank)}, stdout=subprocess.PIPE, text=True
        )
        for rank in range(2)
    ]
    assert [process.communicate(timeout=120)[0] for process in processes] == ["7.0 [1.5]\n"] * 2
