"""The process that holds an accelerator: networks for the readers of a pool, over a socket.

Started by :class:`raysplay.infer.accelerator.accelerator_process.AcceleratorProcess` only. Its first line of input is
JSON of what to load; it answers with one of what it has, later, for each further line, with one of what was spent. It
ends when its input does, and at once when the device is lost or a batch takes too long, so that nobody waits for it.
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from raysplay.configs.errors import RaysplayError
from raysplay.infer.accelerator import wire
from raysplay.infer.accelerator.accelerator_error import AcceleratorError
from raysplay.infer.child_process import ChildProcess

if TYPE_CHECKING:
    from torch import Tensor

    from raysplay.infer.accelerator.networks import AcceleratedNetworks

_TURN_SECONDS = 0.0005
"""After which a thread lets another one go on: threads here wait for each other, none of them computes."""


def main() -> None:
    """Serve until the input ends."""
    parent = ChildProcess()
    asked = json.loads(parent.next_request())
    try:
        networks, served = _loaded(asked)
        listening = _listening(asked["socket"])
    except RaysplayError as error:
        parent.say({"failed": str(error)})
        return
    except Exception as error:
        parent.say({"failed": f"the process with the accelerator failed ({type(error).__name__})"})
        return
    sys.setswitchinterval(_TURN_SECONDS)
    threading.Thread(target=_accept, args=(listening, networks, served), daemon=True).start()
    threading.Thread(target=_watch, args=(networks,), daemon=True).start()
    parent.say(served)
    parent.hush()
    for _ in parent.requests:
        parent.say(networks.spent())
    os._exit(0)  # threads may wait for readers that are gone


def _loaded(asked: dict[str, Any]) -> tuple[AcceleratedNetworks, dict[str, Any]]:
    """The networks, and what readers are told of them."""
    from raysplay.infer.accelerator.device import device_of

    device = device_of(asked["device"])
    from raysplay.infer.accelerator.networks import AcceleratedNetworks
    from raysplay.infer.network.graphs import FIELDS, LANDMARKS, LOCATOR, MAP

    networks = AcceleratedNetworks(device, Path(asked["locator"]), Path(asked["landmarks"]))
    # A first picture, so that what a device loads with it is loaded before anybody waits; and it tells the shapes.
    film = networks.device_film(np.zeros((64, 64), np.float32))
    seen = networks.ask(LANDMARKS, film, np.eye(3)).result()
    found = networks.ask(LOCATOR, film, np.eye(3)).result()
    networks.forget_spent()
    return networks, {
        "digests": networks.digests,
        "about": networks.about,
        "landmarks": {name: list(seen[name].shape) for name in FIELDS},
        "map": {MAP: list(found[MAP].shape)},
    }


def _listening(path: str) -> socket.socket:
    if not hasattr(socket, "AF_UNIX"):
        raise AcceleratorError("several processes share an accelerator by Unix sockets, which this system lacks")
    listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    listening.bind(path)  # in a folder of its owner alone
    listening.listen(1024)
    return listening


def _accept(listening: socket.socket, networks: AcceleratedNetworks, served: dict[str, Any]) -> None:
    while True:
        connection, _ = listening.accept()
        threading.Thread(target=_serve, args=(connection, networks, served), daemon=True).start()


def _serve(connection: socket.socket, networks: AcceleratedNetworks, served: dict[str, Any]) -> None:
    """Answer one reader until it goes."""
    with connection, contextlib.suppress(OSError):
        _Reader(connection, networks, served).serve()


class _Reader:
    """The film of one reader, and its questions."""

    def __init__(self, connection: socket.socket, networks: AcceleratedNetworks, served: dict[str, Any]) -> None:
        from raysplay.infer.accelerator.upload import Uploads

        self._connection, self._networks, self._served = connection, networks, served
        self._uploads = Uploads(networks.device)
        self._film: Tensor | None = None

    def serve(self) -> None:
        head, matrix = memoryview(bytearray(wire.REQUEST.size)), memoryview(bytearray(wire.MATRIX_BYTES))
        while wire.received(self._connection, head):
            kind, rows, columns = wire.REQUEST.unpack(head)
            try:
                if kind == wire.ABOUT:
                    said = json.dumps(self._served).encode("ascii")
                elif kind == wire.FILM:
                    if not self._take(rows, columns):
                        return
                    said = b""
                else:
                    if not wire.received(self._connection, matrix):
                        return
                    said = self._answer(kind, np.frombuffer(matrix, np.float64).reshape(3, 3).copy())
            except MemoryError:
                self._say(wire.NO_ROOM)
            except AcceleratorError as error:
                self._say(wire.LOST, str(error).encode("utf-8"))
                os._exit(1)
            else:
                self._say(wire.DONE, said)

    def _take(self, rows: int, columns: int) -> bool:
        self._film = None  # before the next takes room
        room = self._uploads.room(rows, columns)
        if not wire.received(self._connection, room.data.cast("B")):
            return False
        self._film = self._uploads.sent(room)
        return True

    def _answer(self, kind: bytes, matrix: Any) -> bytes:
        from raysplay.infer.network.graphs import FIELDS, LANDMARKS, LOCATOR, MAP

        if self._film is None:
            raise MemoryError
        reads, names = (LOCATOR, (MAP,)) if kind == wire.LOCATE else (LANDMARKS, FIELDS)
        return wire.packed(self._networks.ask(reads, self._film, matrix).result(), names)

    def _say(self, how: bytes, content: bytes = b"") -> None:
        self._connection.sendall(wire.ANSWER.pack(how, len(content)) + content)


def _watch(networks: AcceleratedNetworks) -> None:
    """End the process when the device no longer answers."""
    while not networks.overdue():
        time.sleep(1.0)
    os._exit(1)


if __name__ == "__main__":
    main()
