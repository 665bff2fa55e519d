"""The local socket behind ``tapebridge mark``, ``end`` and ``do``: how another terminal reaches the set that runs.

The set listens on loopback. Where, its process id, and a random token that only this user can read are in one file in
a folder of the user's own; without the token nothing is heard.
"""

from __future__ import annotations

import contextlib
import getpass
import hmac
import json
import os
import socket
import stat
import tempfile
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bridge.actions import Action, check_names
from bridge.errors import BridgeError

REQUEST_MAX = 8192
"""Longest request in bytes."""

ANSWER_MAX = 8192
"""Longest answer in bytes."""

CLIENTS_MAX = 8
"""Clients served at once; more are turned away."""

CLIENT_S = 2.0
"""A client that has not said what it wants by then is turned away, in seconds."""

ANSWER_S = 2.0
"""Time that a client waits for an answer, in seconds."""

END_S = 10.0
"""Time that ``end`` waits for the set to be over, in seconds."""


@dataclass(frozen=True, slots=True)
class SetEndAsked:
    """Somebody wants the set to end."""


Asked = Action | SetEndAsked
"""What other terminals ask for; the names of an action are those of the set."""


def ask(action: Action) -> None:
    """Have something done in the set that runs.

    Raises:
        BridgeError: No set is running, it does not answer, it has nobody of that name, or a mark has no good text.
    """
    try:
        check_names(action)
    except ValueError as error:
        raise BridgeError(f"{str(error)[0].upper()}{str(error)[1:]}.") from error
    with _asked("act", verb=action.verb, names=list(action.names)):
        pass


def end() -> None:
    """End the set that runs, and return when it is over.

    Raises:
        BridgeError: No set is running, it does not answer, or it is not over within 10 s.
    """
    with _asked("end") as connection:
        connection.settimeout(END_S)
        try:
            while connection.recv(256):
                pass
        except TimeoutError:
            raise BridgeError(f"The set was asked to end, but still runs after {END_S:g} s. Ask again.") from None
        except OSError:
            return  # its process is gone without a word: over


def refuse_second() -> None:
    """Refuse to go on while a set runs, before anything is made for another; `Control` is what keeps it out.

    Raises:
        BridgeError: A set is running already, or the user's folder cannot be used.
    """
    if (pid := _running_pid(_run_file())) is not None:
        raise BridgeError(f"A set is running already (process {pid}). End it first: tapebridge end")


class Control:
    """The side of the set that runs. Nothing here blocks but the making of it.

    Args:
        now: Tells the host time in seconds.
        names: Names of the set, as `bridge.actions.action_of` wants them; None to take any.

    Raises:
        BridgeError: Another set runs, or the user's folder cannot be used.
    """

    def __init__(self, now: Callable[[], float], names: Mapping[str, Iterable[str]] | None = None) -> None:
        self._now = now
        self._names = names
        self._token = os.urandom(16).hex()
        self._clients: dict[socket.socket, _Client] = {}
        self._path = _run_file()
        self._socket = socket.create_server(("127.0.0.1", 0), backlog=CLIENTS_MAX)
        self._socket.setblocking(False)
        try:
            self._claim()
        except BaseException:
            self._socket.close()
            raise

    def sockets(self) -> list[socket.socket]:
        """Return what to wait on for something to read."""
        return [self._socket, *(connection for connection, client in self._clients.items() if not client.done)]

    def serve(self, readable: Iterable[socket.socket], do: Callable[[Action], str]) -> bool:
        """Take in what has come, have it done, oldest first, and answer.

        What is not a request, or has not the token, is turned away without an answer; what names somebody
        who is not there is told so.

        Args:
            readable: Those of `sockets` that have something to read.
            do: Does an action, and returns in words why not; empty if it was done.

        Returns:
            Whether somebody asks for the end of the set.
        """
        is_over = False
        for connection in readable:
            if connection is self._socket:
                self._accept()
            elif connection in self._clients and (request := self._read(connection)) is not None:
                is_over |= self._answer(connection, request, do)
        return is_over

    def tend(self) -> None:
        """Turn away who has been silent for too long."""
        late = [c for c, client in self._clients.items() if not client.done and self._now() > client.patience_until]
        for connection in late:
            self._drop(connection)

    def close(self) -> None:
        """Hear nobody any more; those who asked for the end see that it is over."""
        run = _read_run(self._path)
        if run is not None and run["token"] == self._token:
            self._path.unlink(missing_ok=True)
        self._socket.close()
        for connection in list(self._clients):
            self._drop(connection)

    def _claim(self) -> None:
        """Write the run file, unless another set that runs has one."""
        run = {"port": self._socket.getsockname()[1], "token": self._token, "pid": os.getpid()}
        draft = self._path.with_name(f"run-{os.getpid()}.tmp")
        try:
            draft.unlink(missing_ok=True)
            with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
                json.dump(run, file)
            try:
                os.link(draft, self._path)  # fails if there is one: two sets cannot both win
            except FileExistsError:
                refuse_second()
                draft.replace(self._path)
        except OSError as error:
            raise BridgeError(
                f"{self._path}: cannot be written ({error}). Free it, or set TAPEBRIDGE_RUNTIME."
            ) from error
        finally:
            draft.unlink(missing_ok=True)

    def _accept(self) -> None:
        with contextlib.suppress(OSError):  # who left again before being let in
            connection, _ = self._socket.accept()
            if len(self._clients) >= CLIENTS_MAX:
                connection.close()
                return
            connection.setblocking(False)
            self._clients[connection] = _Client(self._now() + CLIENT_S)

    def _read(self, connection: socket.socket) -> Asked | None:
        client = self._clients[connection]
        try:
            data = connection.recv(REQUEST_MAX)
        except BlockingIOError:
            return None
        except OSError:
            data = b""
        client.request += data
        if not data or len(client.request) > REQUEST_MAX:
            self._drop(connection)
            return None
        if not client.request.endswith(b"\n"):
            return None
        request = self._understood(client.request)
        if request is None:
            self._drop(connection)
        return request

    def _answer(self, connection: socket.socket, request: Asked, do: Callable[[Action], str]) -> bool:
        """Do what is asked, and say so, or why not; return whether it is the end of the set."""
        if isinstance(request, SetEndAsked):
            self._clients[connection].done = True  # kept open until the set is over
            _say(connection, "done")
            return True
        refusal = self._refusal(request) or do(request)
        _say(connection, refusal or "done")
        self._drop(connection)
        return False

    def _refusal(self, action: Action) -> str:
        """Return why something cannot be done; empty if it can."""
        try:
            check_names(action, self._names)
        except ValueError as error:
            return f"In this set {error}."
        return ""

    def _understood(self, line: bytes) -> Asked | None:
        try:
            request: Any = json.loads(line)
            if not hmac.compare_digest(str(request["token"]).encode(), self._token.encode()):
                return None
            if request["do"] == "end":
                return SetEndAsked()
            action = Action(request["verb"], tuple(map(str, request["names"])))
            check_names(action)
            return action if request["do"] == "act" else None
        except (ValueError, KeyError, TypeError, RecursionError):
            return None

    def _drop(self, connection: socket.socket) -> None:
        del self._clients[connection]
        connection.close()


def _say(connection: socket.socket, text: str) -> None:
    with contextlib.suppress(OSError):  # who asked may be gone: it is done all the same
        connection.send(f"{text}\n".encode())


@dataclass(slots=True)
class _Client:
    patience_until: float
    request: bytes = b""
    done: bool = False


def _run_file() -> Path:
    """Return where the set that runs says how it is reached, in a folder that only this user can open."""
    chosen = os.environ.get("TAPEBRIDGE_RUNTIME")
    session = os.environ.get("XDG_RUNTIME_DIR")
    if chosen:
        folder = Path(chosen)
    elif session:
        folder = Path(session) / "tapebridge"
    else:
        folder = Path(tempfile.gettempdir()) / f"tapebridge-{getpass.getuser()}"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if hasattr(os, "getuid"):
            found = folder.lstat()
            if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.getuid():
                raise PermissionError("it belongs to somebody else")
            folder.chmod(0o700)
    except OSError as error:
        raise BridgeError(f"{folder}: cannot be used ({error}). Remove it, or set TAPEBRIDGE_RUNTIME.") from error
    return folder / "run.json"


def _read_run(path: Path) -> dict[str, Any] | None:
    try:
        run = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return None
    wanted = {"port": int, "token": str, "pid": int}
    good = isinstance(run, dict) and all(type(run.get(key)) is kind for key, kind in wanted.items())
    return run if good and 0 < run["port"] < 65536 and run["pid"] > 0 else None


def _running_pid(path: Path) -> int | None:
    """Return the process id of the set that runs; None if the file is stale."""
    run = _read_run(path)
    if run is None:
        return None
    try:
        if os.name == "posix":  # elsewhere kill(pid, 0) is no mere question
            os.kill(run["pid"], 0)
        socket.create_connection(("127.0.0.1", run["port"]), timeout=ANSWER_S).close()
    except PermissionError:
        return None  # a process of another user: the file's own is gone
    except TimeoutError:
        return int(run["pid"])  # there, but too busy to let anybody in
    except OSError:
        return None
    return int(run["pid"])


def _asked(what: str, **more: Any) -> socket.socket:
    """Ask the set that runs for something; return the open connection after it said that it does it."""
    run = _read_run(_run_file())
    if run is None:
        raise BridgeError("No set is running. Start one: tapebridge run RIG")
    try:
        connection = socket.create_connection(("127.0.0.1", run["port"]), timeout=ANSWER_S)
    except OSError:
        raise BridgeError("No set is running: the last one was cut off. Start one: tapebridge run RIG") from None
    try:
        connection.sendall(json.dumps({"token": run["token"], "do": what} | more).encode() + b"\n")
        answer = connection.recv(ANSWER_MAX)
    except OSError:
        answer = b""
    if answer != b"done\n":
        connection.close()
        if answer:
            raise BridgeError(answer.decode(errors="replace").strip())
        raise BridgeError(f"The set (process {run['pid']}) does not answer. Try again, or end that process.")
    return connection
