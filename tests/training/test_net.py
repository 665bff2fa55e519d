"""A net made larger says what it said before."""

from __future__ import annotations

import pytest


def test_a_widened_net_says_the_same() -> None:
    torch = pytest.importorskip("torch")
    from tests.training.net import CONTEXT, Net, widened

    torch.manual_seed(1)
    net = Net(8, 12)
    sound = torch.randn(2, CONTEXT + 50, 64)
    with torch.no_grad():
        before, _ = net(sound)
        after, _ = widened(net, 16, 20)(sound)
    for head, said in before.items():
        torch.testing.assert_close(after[head], said, rtol=1e-4, atol=1e-5)
