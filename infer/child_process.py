"""How a process that answers on its standard output begins and speaks; its parent started it and reads the answers."""

from __future__ import annotations

import json
import logging
import os
import signal
import warnings
from collections.abc import Iterable
from typing import Any


class ChildProcess:
    """Requests of the parent, line by line, and answers to it. One a process, made before anything else is done.

    From then on what libraries print reaches nobody but on the error output, and that too ends with :meth:`hush`; they
    may quote what a file holds. An interrupt is left to the parent.

    Attributes
    ----------
    requests : iterable of bytes
        Lines of the standard input.
    """

    def __init__(self) -> None:
        requests = os.fdopen(os.dup(0), "rb")
        self.requests: Iterable[bytes] = requests
        self.next_request = requests.readline
        self._replies = os.fdopen(os.dup(1), "wb")
        self._quiet = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1):
            os.dup2(self._quiet, stream)
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        warnings.simplefilter("ignore")
        logging.disable(logging.CRITICAL)

    def hush(self) -> None:
        """Close the error output, too: once it is ready, all that goes wrong is an answer."""
        os.dup2(self._quiet, 2)

    def say(self, about: dict[str, Any], content: memoryview | bytes = b"") -> None:
        """Answer with a line of JSON, and what follows it."""
        self._replies.write(json.dumps(about).encode("ascii") + b"\n")
        self._replies.write(content)
        self._replies.flush()
