"""What RtMidi does not tell of JACK: whether the server still serves, and whether a port of ours is connected."""

from __future__ import annotations

import ctypes
import time
from typing import Any

from rtmidi import _rtmidi

NAME = "Tape Bridge watch"
"""The watch's name among JACK's clients; it has no ports."""

NO_START_SERVER = 1
"""JackNoStartServer of jack/types.h."""

NOTICES_S = 0.05
"""A thread of libjack takes in notices, such as that another client went. To close a client amid one, or to unregister
a port while that thread walks through the list of them (in `HandleLatencyCallback`), can end the whole process: seen
on busy machines with the libjack of python-rtmidi 1.5.8, and no more with this wait.

Source: issue 216 of github.com/jackaudio/jack2.
"""


class JackWatch:
    """A client of the JACK server of RtMidi's ports, which only looks.

    All looks are into memory that the server shares: they take 0.01 to 0.03 ms (measured) and wait for nobody, not
    even for a server that stands still. No Python runs in a thread of libjack.

    Raises:
        OSError: There is no server, or RtMidi was not linked with libjack.

    Attributes:
        period_s: Length of one of the server's turns, in seconds.
    """

    def __init__(self) -> None:
        self._jack = _libjack()
        libc = ctypes.CDLL(None)
        # C functions as callbacks, since libjack may cancel its thread inside one of Python's: `strlen` does nothing
        # with a complaint that would land on the terminal, `time` writes into the cell that it is given
        silence = ctypes.cast(libc.strlen, ctypes.c_void_p)
        self._jack.jack_set_error_function(silence)
        self._jack.jack_set_info_function(silence)
        self._ended_at = ctypes.c_long(0)
        status = ctypes.c_int()
        self._client = self._jack.jack_client_open(NAME.encode(), NO_START_SERVER, ctypes.byref(status))
        if not self._client:
            raise OSError(f"The JACK server takes no client (status {status.value:#x})")
        self.period_s = self._jack.jack_get_buffer_size(self._client) / self._jack.jack_get_sample_rate(self._client)
        ended = ctypes.cast(libc.time, ctypes.c_void_p)
        self._jack.jack_on_shutdown(self._client, ended, ctypes.byref(self._ended_at))

    @property
    def serves(self) -> bool:
        """Whether the server that was there at the beginning has not ended."""
        return self._ended_at.value == 0

    def demand_server(self) -> None:
        """Return if the server has not ended.

        Raises:
            OSError: It has.
        """
        if not self.serves:
            raise OSError("the JACK server ended")

    @property
    def frame(self) -> int:
        """Frame at which the server's turn began; grows with each turn, and wraps round at 2**32."""
        return int(self._jack.jack_last_frame_time(self._client))

    def connects(self, client: str, port: str, to: str) -> bool:
        """Return whether a port is connected to another one; False if that one is absent.

        Args:
            client: How the name of the port's client begins; JACK may have added a number to it.
            port: The port's own name.
            to: Full name of the other one.
        """
        other = self._jack.jack_port_by_name(self._client, to.encode())
        if not other:
            return False
        names = self._jack.jack_port_get_all_connections(self._client, other)
        if not names:
            return False
        try:
            found, index = [], 0
            while names[index]:
                found.append(names[index].decode(errors="replace"))
                index += 1
        finally:
            self._jack.jack_free(names)
        return any(name.startswith(client) and name.endswith(f":{port}") for name in found)

    def close(self) -> None:
        """End the client, after `await_notices`; closing twice changes nothing."""
        if self._client:
            await_notices()
            self._jack.jack_client_close(self._client)
            self._client = None


def await_notices() -> None:
    """Wait for 50 ms: call it before a port or a client of JACK is given up."""
    time.sleep(NOTICES_S)


def _libjack() -> Any:
    """Return the very libjack that RtMidi uses: symbols are looked for in what its module was linked with, too."""
    library = ctypes.CDLL(_rtmidi.__file__)
    text, pointer, texts = ctypes.c_char_p, ctypes.c_void_p, ctypes.POINTER(ctypes.c_char_p)
    signatures: dict[str, tuple[Any, list[Any]]] = {  # of jack/jack.h
        "jack_set_error_function": (None, [pointer]),
        "jack_set_info_function": (None, [pointer]),
        "jack_client_open": (pointer, [text, ctypes.c_int, pointer]),
        "jack_on_shutdown": (None, [pointer, pointer, pointer]),
        "jack_get_buffer_size": (ctypes.c_uint32, [pointer]),
        "jack_get_sample_rate": (ctypes.c_uint32, [pointer]),
        "jack_last_frame_time": (ctypes.c_uint32, [pointer]),
        "jack_port_by_name": (pointer, [pointer, text]),
        "jack_port_get_all_connections": (texts, [pointer, pointer]),
        "jack_free": (None, [pointer]),
        "jack_client_close": (ctypes.c_int, [pointer]),
    }
    try:
        for name, (result, arguments) in signatures.items():
            function = getattr(library, name)
            function.restype, function.argtypes = result, arguments
    except AttributeError as error:
        raise OSError(f"RtMidi was not linked with libjack: {error}") from error
    return library
