"""Starts decoding processes, also ahead of the first film, so that their libraries load while networks do."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import threading
from collections.abc import Iterator

READS_FILMS = "raysplay.infer.films.read:read_film"
_ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")

_lock = threading.Lock()
_ahead: list[subprocess.Popen[bytes]] = []
"""At most one, which nobody has taken yet."""


def begun(decoder: str = READS_FILMS) -> subprocess.Popen[bytes]:
    """A process that waits for its limits (:mod:`raysplay.infer.films.worker`); whoever asked for it ends it.

    Parameters
    ----------
    decoder : str
        ``module:function`` that it imports.
    """
    if decoder == READS_FILMS and (child := _taken()) is not None:
        if child.poll() is None:
            return child
        ended(child)
    return _started(decoder)


def _started(decoder: str) -> subprocess.Popen[bytes]:
    # -P: a folder of films must not be able to shadow a module.
    command = [sys.executable, "-P", "-m", "raysplay.infer.films.worker", decoder]
    # In a process group of its own an interrupt from the keyboard does not reach it while it still loads.
    return subprocess.Popen(
        command,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env={**os.environ, **_ONE_THREAD},
        process_group=0,
    )


def ended(child: subprocess.Popen[bytes]) -> None:
    """End it, whatever it is doing."""
    child.kill()
    child.wait()
    for stream in (child.stdin, child.stdout):
        if stream is not None:
            with contextlib.suppress(OSError):
                stream.close()


@contextlib.contextmanager
def one_ahead() -> Iterator[None]:
    """Within, the first who asks for a process gets one that was started on entry; on leaving it is ended if left."""
    with _lock:
        mine = not _ahead
        if mine:
            _ahead.append(_started(READS_FILMS))
    try:
        yield
    finally:
        if mine and (left := _taken()) is not None:
            ended(left)


def _taken() -> subprocess.Popen[bytes] | None:
    with _lock:
        return _ahead.pop() if _ahead else None
