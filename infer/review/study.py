"""Blind reads: which feet each reader of a study sees, in which order, some of them twice."""

from __future__ import annotations

import hashlib
import random
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, field_validator

from raysplay.configs.errors import RaysplayError
from raysplay.configs.load import Config, load
from raysplay.configs.protocol import Construction
from raysplay.infer.outputs.finished_run import FinishedRun
from raysplay.measure.sides import SIDES, Side


def initials(text: str) -> str:
    """A reader's initials as they are kept: one to eight letters or digits.

    Raises
    ------
    ValueError
        If they are not.
    """
    if not (1 <= len(text) <= 8 and text.isalnum()):
        raise ValueError("initials are one to eight letters or digits, without blanks. Type them again.")
    return text.upper()


Initials = Annotated[str, AfterValidator(initials)]


class FeetWanted(Config):
    """Which feet of the run belong to a study: those that pass every list, ``number`` of them by the seed."""

    decisions: tuple[Literal["accepted", "review", "refused"], ...] = ("accepted", "review")
    sides: tuple[Side, ...] = SIDES
    films: tuple[str, ...] = ("*",)
    number: Annotated[int | None, Field(ge=1)] = None


class StudyFile(Config):
    """A study.

    ``repeats`` is the share of feet that every reader sees once more; ``films`` are patterns of names.
    """

    name: Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[\w .-]+$")]
    seed: Annotated[int, Field(ge=0)]
    readers: Annotated[tuple[Initials, ...], Field(min_length=1)]
    feet: FeetWanted = FeetWanted()
    repeats: Annotated[float, Field(ge=0.0, le=1.0)] = 0.0
    construction: Construction | None = None

    @field_validator("readers")
    @classmethod
    def _once(cls, readers: tuple[str, ...]) -> tuple[str, ...]:
        if len(set(readers)) != len(readers):
            raise ValueError("a reader stands twice")
        return readers


class StudyError(RaysplayError, ValueError):
    """A study that cannot be held with this run."""


@dataclass(frozen=True)
class StudyItem:
    """One read of a study: a foot of the run, and which time this reader sees it (1 or 2)."""

    foot: int
    repeat: int


class Study:
    """A study of one run.

    Attributes
    ----------
    plan : StudyFile
    identity : str
        Name and digest of everything that orders the reads; another seed or other feet make another study.

    Raises
    ------
    ConfigError
        If the file does not fit.
    StudyError
        If no foot of the run belongs to it.
    """

    def __init__(self, path: Path, run: FinishedRun, repeat_distance: int) -> None:
        self.plan = load(StudyFile, path)
        self._distance = repeat_distance
        wanted = self.plan.feet
        feet = [
            foot
            for foot, (decision, side, film) in enumerate(
                zip(run.decisions.to_pylist(), run.sides.to_pylist(), run.films.to_pylist(), strict=True)
            )
            if decision in wanted.decisions and side in wanted.sides and any(fnmatchcase(film, p) for p in wanted.films)
        ]
        drawn = random.Random(f"{self.plan.seed}|feet")
        if wanted.number is not None and wanted.number < len(feet):
            feet = sorted(drawn.sample(feet, wanted.number))
        if not feet:
            raise StudyError(f"{path}: no foot of this run belongs to the study")
        self._feet = feet
        self._repeated = frozenset(drawn.sample(feet, round(self.plan.repeats * len(feet))))
        orders = f"{run.identity}|{self.plan.seed}|{feet}|{sorted(self._repeated)}|{repeat_distance}"
        self.identity = f"{self.plan.name}-{hashlib.sha256(orders.encode()).hexdigest()[:12]}"

    def order(self, reader: str) -> list[StudyItem]:
        """What a reader sees, first to last; the same every time, and different for every reader.

        A repeat comes at least ``repeat_distance`` reads after the first sight, as far as the study is long enough.
        """
        drawn = random.Random(f"{self.plan.seed}|{reader}")
        feet = drawn.sample(self._feet, len(self._feet))
        # A foot to be repeated is first seen early enough to leave room behind it.
        room = max(len(feet) - self._distance, 0)
        late = [i for i in range(room, len(feet)) if feet[i] in self._repeated]
        early = [i for i in range(room) if feet[i] not in self._repeated]
        for i, k in zip(late, drawn.sample(early, min(len(late), len(early))), strict=False):
            feet[i], feet[k] = feet[k], feet[i]
        order = [StudyItem(foot, 1) for foot in feet]
        for foot in drawn.sample(sorted(self._repeated), len(self._repeated)):
            seen = order.index(StudyItem(foot, 1))
            order.insert(drawn.randint(min(seen + self._distance, len(order)), len(order)), StudyItem(foot, 2))
        return order
