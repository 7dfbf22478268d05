"""What became of every file of a run: each has exactly one fate, so that the fates add up to the files."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from enum import Enum

import numpy as np
import numpy.typing as npt

from raysplay.infer.outputs.finished_run import FinishedRun
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import OUTCOMES, Outcome

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]


class Fate(Enum):
    """Of a file; the value is in words for a person."""

    DUPLICATE = "copies of another file of the run, read once"
    NO_FILM = "no films: other kinds of files, files that hold others, other DICOM objects"
    LEFT_OUT = "left out by the selection"
    UNREADABLE = "could not be read"
    NO_FOOT = "films without a foot that could be told"
    FEET = "films with feet"

    @property
    def is_film(self) -> bool:
        """Whether the file gave a film to look for feet on."""
        return self in (Fate.NO_FOOT, Fate.FEET)


FATES = tuple(Fate)
_BY_KIND = {
    ReasonKind.DUPLICATE: Fate.DUPLICATE,
    ReasonKind.LEFT_OUT: Fate.LEFT_OUT,
    ReasonKind.OTHER_FILE: Fate.NO_FILM,
    ReasonKind.OTHER_OBJECT: Fate.NO_FILM,
    ReasonKind.CONTAINER: Fate.NO_FILM,
}
"""Every other kind that gave no film is one of a file that could not be read."""


@dataclass(frozen=True)
class Flow:
    """Counts of a run.

    Attributes
    ----------
    files : int
        Rows of ``films.csv``.
    fates : mapping of Fate to int
        Add up to ``files``.
    feet : mapping of str to int
        Feet found, by decision.
    """

    files: int
    fates: dict[Fate, int]
    feet: dict[str, int]

    @property
    def films(self) -> int:
        """Files that gave a film."""
        return sum(count for fate, count in self.fates.items() if fate.is_film)

    @property
    def feet_found(self) -> int:
        """On all films."""
        return sum(self.feet.values())


@dataclass(frozen=True)
class ReasonCount:
    """Rows of ``feet.csv`` that state a kind of reason; a row may state several kinds.

    ``example`` is the sentence that stands most often in the tables.
    """

    kind: ReasonKind
    review: int
    refused: int
    files: int
    accepted: int
    example: str

    @property
    def rows(self) -> int:
        """Of all decisions."""
        return self.review + self.refused + self.files + self.accepted


def found(run: FinishedRun) -> BoolArray:
    """Which rows of ``feet.csv`` are feet, shape (F,); the others are files without one."""
    return np.asarray([bool(side) for side in run.sides.to_pylist()], dtype=np.bool_)


def fate_of(reasons: tuple[Reason, ...]) -> Fate:
    """The fate of a file without a foot, by the reasons of its row."""
    for reason in reasons:
        if reason.kind.gave_no_film:
            return _BY_KIND.get(reason.kind, Fate.UNREADABLE)
    return Fate.NO_FOOT


def fates(run: FinishedRun) -> IntArray:
    """Index in :data:`FATES` of every file, shape (files,)."""
    codes = np.full(run.film_count, FATES.index(Fate.FEET), dtype=np.int64)
    for row in np.flatnonzero(~found(run)):
        codes[run.film_of[row]] = FATES.index(fate_of(run.reasons[row]))
    return codes


def flow(run: FinishedRun) -> Flow:
    """Files by fate, feet by decision."""
    counts = np.bincount(fates(run), minlength=len(FATES))
    decided = Counter(decision for decision, foot in zip(run.decisions.to_pylist(), found(run), strict=True) if foot)
    return Flow(
        run.film_count,
        {fate: int(count) for fate, count in zip(FATES, counts, strict=True)},
        {name: decided[name] for name in OUTCOMES},
    )


def reason_counts(run: FinishedRun) -> tuple[ReasonCount, ...]:
    """Kinds of reason, the most frequent first."""
    whole: Counter[tuple[str, bool, tuple[Reason, ...]]] = Counter(
        zip(run.decisions.to_pylist(), found(run).tolist(), run.reasons, strict=True)
    )
    rows: Counter[tuple[ReasonKind, str]] = Counter()
    sentences: dict[ReasonKind, Counter[str]] = {}
    for (decision, foot, reasons), count in whole.items():
        for kind in {reason.kind for reason in reasons}:
            rows[kind, decision if foot else "files"] += count
        for reason in reasons:
            sentences.setdefault(reason.kind, Counter())[reason.text] += count
    listed = [
        ReasonCount(
            kind,
            rows[kind, Outcome.REVIEW.value],
            rows[kind, Outcome.REFUSED.value],
            rows[kind, "files"],
            rows[kind, Outcome.ACCEPTED.value],
            min(said, key=lambda text: (-said[text], text)),
        )
        for kind, said in sentences.items()
    ]
    return tuple(sorted(listed, key=lambda one: (-one.rows, one.kind.words)))
