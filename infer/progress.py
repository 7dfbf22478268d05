"""How far measuring has come, told while it goes on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from raysplay.infer.results import FilmResult


@dataclass(frozen=True)
class Progress:
    """How far measuring has come.

    Attributes
    ----------
    stage : {'loading', 'measuring', 'writing'}
        Loading the networks, measuring films, writing the last tables.
    done, total : int
        Films.
    film : FilmResult or None
        The film that was just measured; None before the first and in the other stages.
    """

    stage: Literal["loading", "measuring", "writing"]
    done: int
    total: int
    film: FilmResult | None = None


class Steps:
    """Tells a callback of every stage and every film.

    Parameters
    ----------
    progress : callable or None
        Given a :class:`Progress`; what it raises stops the run.
    total : int
        Films there are.
    """

    def __init__(self, progress: Callable[[Progress], None] | None, total: int) -> None:
        self._progress, self.total, self._done = progress, total, 0

    def loading(self) -> None:
        """The networks are loaded next."""
        self._tell(Progress("loading", 0, self.total))

    def measuring(self, done: int, film: FilmResult | None = None) -> None:
        """So many films are measured; the last of them was ``film``."""
        self._done = done
        self._tell(Progress("measuring", done, self.total, film))

    def writing(self) -> None:
        """The last tables are written next."""
        self._tell(Progress("writing", self._done, self.total))

    def _tell(self, step: Progress) -> None:
        if self._progress is not None:
            self._progress(step)
