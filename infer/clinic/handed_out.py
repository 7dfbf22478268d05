"""Pages that a browser may open by an address of their own for some minutes.

A report opens in a tab of its own, which sends no session's key. Its address is as good as that key, so it is long,
says nothing, and is forgotten soon.
"""

from __future__ import annotations

import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

ADDRESS = "/document/"
_MOST = 400


@dataclass(frozen=True)
class Page:
    """What is handed out: name of the file, its type, and what gives its bytes."""

    name: str
    media_type: str
    content: Callable[[], bytes]


class HandedOut:
    """Addresses that are good now.

    Parameters
    ----------
    seconds : float
        For which one is good.
    """

    def __init__(self, seconds: float) -> None:
        self._seconds = seconds
        self._lock = threading.Lock()
        self._pages: OrderedDict[str, tuple[float, Page]] = OrderedDict()

    def hand_out(self, page: Page) -> str:
        """A new address for a page."""
        token = secrets.token_urlsafe(32)
        with self._lock:
            self._pages[token] = (time.monotonic() + self._seconds, page)
            while len(self._pages) > _MOST:
                self._pages.popitem(last=False)
        return f"{ADDRESS}{token}"

    def forget(self) -> None:
        """No address is good any more."""
        with self._lock:
            self._pages.clear()

    def page(self, token: str) -> Page | None:
        """The page of an address; None where it is none, or no longer good."""
        with self._lock:
            until, page = self._pages.get(token, (0.0, None))
            if page is not None and time.monotonic() > until:
                del self._pages[token]
                return None
        return page
