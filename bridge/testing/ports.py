"""MIDI outputs that only remember."""

from __future__ import annotations

from collections.abc import Callable


class ListPort:
    """Stands in for a MIDI output (`bridge.edge.port_set.OutPort`): keeps what it is given, and when.

    Args:
        now: Tells the host time in seconds, such as a `bridge.testing.clock.FakeClock`.
        found: The full name that the system would give the port.

    Attributes:
        found: As given.
        sent: What came, oldest first: host time in seconds and the bytes of one message.
        closed: Whether it was closed.
        unplugged: Set it to make the port fail as hardware does when its cable is pulled.

    Example:
        >>> port = ListPort(lambda: 1.5)
        >>> port.send(b"\\xf8")
        >>> port.sent
        [(1.5, b'\\xf8')]
    """

    def __init__(self, now: Callable[[], float], found: str = "list port") -> None:
        self._now = now
        self.found = found
        self.sent: list[tuple[float, bytes]] = []
        self.closed = False
        self.unplugged = False

    def send(self, data: bytes) -> None:
        """Keep one MIDI message with the host time.

        Raises:
            OSError: The port is closed or unplugged.
        """
        if self.closed or self.unplugged:
            raise OSError(f"{self.found} is {'closed' if self.closed else 'unplugged'}")
        self.sent.append((self._now(), data))

    def present(self) -> bool:
        """Return whether the port is still plugged in."""
        return not self.unplugged

    def close(self) -> None:
        """End the port; closing twice changes nothing."""
        self.closed = True
