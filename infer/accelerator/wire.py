"""What readers and the process with the accelerator say to each other over a socket of this machine.

A request is ``REQUEST`` and what its kind needs; an answer is ``ANSWER`` and as many bytes as it says. Both ends are of
one installation.
"""

from __future__ import annotations

import socket
import struct

import numpy as np
import numpy.typing as npt

REQUEST = struct.Struct("<cII")
"""Kind; rows and columns of a film."""

ANSWER = struct.Struct("<cI")
"""How it went; bytes that follow."""

ABOUT, FILM, LOCATE, LANDMARKS = b"a", b"f", b"l", b"p"
"""Kinds: JSON of what is there; a film, whose grey values follow; a square or a crop of it, whose matrix follows."""

DONE, NO_ROOM, LOST = b"d", b"m", b"x"
"""It was done; the film does not fit on the device; the device is gone (why follows)."""

MATRIX_BYTES = 9 * 8


def received(connection: socket.socket, target: memoryview) -> bool:
    """Fill ``target``; whether that many bytes came."""
    got = 0
    while got < len(target):
        # All at once: every turn back to Python costs a wait for its lock.
        more = connection.recv_into(target[got:], 0, socket.MSG_WAITALL)
        if not more:
            return False
        got += more
    return True


def packed(fields: dict[str, npt.NDArray[np.float32]], names: tuple[str, ...]) -> bytes:
    """Fields in that order as single precision."""
    return b"".join(np.ascontiguousarray(fields[name], np.float32).tobytes() for name in names)


def unpacked(content: memoryview, shapes: dict[str, list[int]]) -> dict[str, npt.NDArray[np.float32]]:
    """What :func:`packed` gave, by the shapes of the fields in order.

    Raises
    ------
    ValueError
        If it is something else.
    """
    values, fields, start = np.frombuffer(content, np.float32), {}, 0
    for name, shape in shapes.items():
        length = int(np.prod(shape))
        fields[name] = values[start : start + length].reshape(shape)
        start += length
    if start != len(values):
        raise ValueError("an answer of another size")
    return fields
