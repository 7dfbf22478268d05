"""The run of a desk as the review has it: opened anew whenever films were added."""

from __future__ import annotations

from pathlib import Path

from raysplay.infer.outputs.finished_run import FinishedRun
from raysplay.infer.review.carry_over import take_over
from raysplay.infer.review.films import FilmShelf
from raysplay.infer.review.open_desk import OpenDesk
from raysplay.infer.review.settings import ReviewSettings
from raysplay.infer.review.store import ReadStore


class OpenedRun:
    """A run, its reads and its films.

    Parameters
    ----------
    run : FinishedRun
    films : Path
        Where its films lie now: the desk may have been moved since, or be a copy.
    settings : ReviewSettings

    Attributes
    ----------
    desk : OpenDesk

    Raises
    ------
    StoreError
        If its reads cannot be used.
    """

    def __init__(self, run: FinishedRun, films: Path, settings: ReviewSettings) -> None:
        self.store = ReadStore.beside(run.folder, run.identity)
        try:
            self.films = FilmShelf(run, films, settings.films.cache_bytes)
            self.desk = OpenDesk(run, self.store, self.films, settings)
            # The sentence on reads that were carried over is for a run that was replaced; here it only grows.
            take_over(self.desk)
        except BaseException:
            self.store.close()
            raise

    def close(self) -> None:
        """Let go of files and processes."""
        self.films.close()
        self.store.close()
