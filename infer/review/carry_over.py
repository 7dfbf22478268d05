"""Reads of a run that was made anew: which of them stand, and which feet are open again.

A read is of a film, known by its digest, and of what the model had left of the foot (its ground). Same film, same side
and same points: it stands. Same film, other points: it is kept in the history, and the foot is open again. Film gone:
it is kept in the exported history alone. Blind reads are of the film alone; they stay with the study of their run.
"""

from __future__ import annotations

import contextlib
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from raysplay.infer.outputs.finished_run import FinishedRun
from raysplay.infer.review.films import FilmShelf
from raysplay.infer.review.lineage import (
    FILM_GONE,
    OTHER_MEASURES,
    POINTS_DIFFER,
    READ_LATER,
    STANDS,
    EarlierFoot,
    Lineage,
    Place,
)
from raysplay.infer.review.open_desk import OpenDesk
from raysplay.infer.review.reads_found import reads_in
from raysplay.infer.review.settings import review_settings
from raysplay.infer.review.standing import NUMBERLESS, Json
from raysplay.infer.review.store import ReadStore, StoreError
from raysplay.infer.review.worklist import OPEN


@dataclass(frozen=True)
class CarriedOver:
    """What became of the reads of earlier runs, in feet: of the last read of each.

    ``stand``; ``reopened``: they stand for their points, but other measures are reported; ``open_again``: the model's
    points are others; ``gone``: the film is not among those of the run.
    """

    stand: int = 0
    reopened: int = 0
    open_again: int = 0
    gone: int = 0

    def __bool__(self) -> bool:
        return bool(self.stand or self.reopened or self.open_again or self.gone)

    def sentence(self) -> str:
        """What a person should know of it."""
        told = {
            "{} with reads that stand": self.stand,
            "{} open again with the points that a person placed, since other measures are reported": self.reopened,
            "{} open again, since the model's points are others; the reads are in the history": self.open_again,
            "{} on films that are gone; the reads are in history.csv": self.gone,
        }
        parts = [text.format(f"{count} feet" if count > 1 else "1 foot") for text, count in told.items() if count]
        return f"Of an earlier run of these films: {', '.join(parts)}."


def note_grounds(folder: Path) -> None:
    """Before a run is overwritten: keep what its reads were made on, where an older program did not.

    Raises
    ------
    RunError
        If the folder holds no run that can be read.
    StoreError
        If its store cannot be used.
    """
    if reads_in(folder):
        with _opened(folder, earlier=True):  # no number of it is shown
            pass  # opening a desk does it


def carry_over(folder: Path, source: Path | None = None) -> CarriedOver:
    """Let a run take over the reads of the runs before it; done again, it adds what is new.

    Neither network nor server is needed.

    Parameters
    ----------
    folder : Path
        Of a finished run. Other runs in its own store are runs before it.
    source : Path, optional
        Folder whose store is brought into that of ``folder`` first; it is only read.

    Raises
    ------
    RunError
        If the folder holds no run that can be read.
    StoreError
        If a store cannot be used; then nothing was changed.
    """
    for place in {folder, source or folder}:
        if problem := reads_in(place).problem:
            raise StoreError(problem)
    if not reads_in(source or folder) and not reads_in(folder):
        return CarriedOver()
    with _opened(folder) as desk:
        if source is not None and reads_in(source):
            with contextlib.closing(ReadStore.beside(source, desk.run.identity)) as there:
                Lineage(desk.store).copy_from(there)
        return take_over(desk)


def take_over(desk: OpenDesk) -> CarriedOver:
    """Let the run of a desk take over the reads of all other runs in its store."""
    lineage = Lineage(desk.store)
    runs = lineage.other_runs()
    if not runs:
        return CarriedOver()
    feet = [foot for run in runs for foot in lineage.feet(run)]
    places = list(_places(desk, feet))
    lineage.take_over(runs, places, lambda item, foot: _reopened(desk, item, foot))
    outcomes = {(place.item or -number): place.outcome for number, place in enumerate(places) if _decides(place)}
    count = list(outcomes.values()).count
    return CarriedOver(count(STANDS), count(OTHER_MEASURES), count(POINTS_DIFFER), count(FILM_GONE))


@contextlib.contextmanager
def _opened(folder: Path, *, earlier: bool = False) -> Iterator[OpenDesk]:
    settings, run = review_settings(), FinishedRun(folder, earlier=earlier)
    with (
        contextlib.closing(ReadStore.beside(folder, run.identity)) as store,
        FilmShelf(run, None, settings.films.cache_bytes) as shelf,
    ):
        yield OpenDesk(run, store, shelf, settings)


def _decides(place: Place) -> bool:
    """Whether it is the foot's last read; of a film that is gone, whether the run itself had not taken it over."""
    return place.outcome != READ_LATER and (place.item > 0 or place.foot.carried < len(place.foot.entries))


def _places(desk: OpenDesk, feet: Sequence[EarlierFoot]) -> Iterator[Place]:
    """Where earlier feet lie; of those that lie on one foot, the one that was read last decides."""
    by_film: dict[str, list[int]] = defaultdict(list)
    run = desk.run
    for foot in range(len(run)):
        by_film[run.film(int(run.film_of[foot])).sha256].append(foot)
    there: dict[int, list[EarlierFoot]] = defaultdict(list)
    for earlier in feet:
        found = _nearest(desk, earlier, by_film.get(earlier.last.film_sha256, []))
        if found is None:
            yield Place(earlier, 0, FILM_GONE)
        else:
            there[found].append(earlier)
    for foot, several in there.items():
        several.sort(key=lambda one: (one.last.at, one.carried), reverse=True)
        ground = desk.ground(foot)
        for number, earlier in enumerate(several):
            outcome = READ_LATER if number else _outcome(earlier, ground)
            yield Place(earlier, foot + 1, outcome, ground)


def _outcome(earlier: EarlierFoot, ground: Json) -> str:
    if earlier.ground is None or not earlier.last.film_sha256 or not _same(earlier.ground, ground):
        return POINTS_DIFFER
    numbers = earlier.last.after["state"] not in NUMBERLESS
    return OTHER_MEASURES if numbers and earlier.ground["measures"] != ground["measures"] else STANDS


def _same(earlier: Json, now: Json) -> bool:
    """Same side and same points; where the model placed none, the same crop."""
    if earlier["side"] != now["side"] or earlier["points"].keys() != now["points"].keys():
        return False
    if not now["points"]:
        if earlier["outline"] is None or now["outline"] is None:
            return earlier["outline"] is now["outline"]
        pairs = list(zip(earlier["outline"], now["outline"], strict=True))
    else:
        pairs = [(earlier["points"][code], now["points"][code]) for code in now["points"]]
    apart = np.abs(np.array([a for a, _ in pairs]) - np.array([b for _, b in pairs]))
    return bool(apart.max() <= review_settings().same_point_pixels)


def _nearest(desk: OpenDesk, earlier: EarlierFoot, feet: Sequence[int]) -> int | None:
    """The foot of the run that an earlier one most likely is: nearest by its points, else of its side or place."""
    run, last = desk.run, earlier.last
    named = [foot for foot in feet if run.films[foot].as_py() == last.film]
    feet = named or (feet if last.film_sha256 else ())
    if not feet:
        return None
    side = None if earlier.ground is None else earlier.ground["side"]

    def away(foot: int) -> tuple[float, bool, int]:
        index = abs(int(run.foot_index[foot]) - last.foot_index)
        if earlier.ground is None:
            return np.inf, False, index
        ground = desk.ground(foot)
        shared = sorted(earlier.ground["points"].keys() & ground["points"].keys())
        a, b = (np.array([points["points"][code] for code in shared]) for points in (earlier.ground, ground))
        return (float(np.hypot(*(a - b).T).mean()) if shared else np.inf), ground["side"] != side, index

    return min(feet, key=away)


def _reopened(desk: OpenDesk, item: int, earlier: EarlierFoot) -> Json:
    """What stands of an earlier read for the run's measures, open again; its points are kept."""
    content = earlier.last.after
    assert earlier.ground is not None
    chosen = content["construction"] != earlier.ground["construction"]
    construction = content["construction"] if chosen else desk.construction
    return {
        **desk.contents.remeasured(item - 1, {**content, "construction": construction}),
        "state": OPEN,
        "reason": "",
    }
