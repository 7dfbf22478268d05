"""Blind reads: the model's output hidden, every reader's order and reads apart."""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import lru_cache

import numpy as np

from raysplay.configs.load import landmark_schema
from raysplay.infer.outputs.finished_run import FinishedRun, FootLandmarkTable
from raysplay.infer.records import Withheld
from raysplay.infer.review.desk import Desk, Json, Reading, RefusedError, Standing, UnknownFootError
from raysplay.infer.review.films import FilmShelf
from raysplay.infer.review.held import Held
from raysplay.infer.review.reading import PlacedPoints
from raysplay.infer.review.requests import MeasureSent, ReadSent
from raysplay.infer.review.settings import ReviewSettings
from raysplay.infer.review.store import Key, ReadStore
from raysplay.infer.review.study import Study, StudyItem
from raysplay.infer.review.worklist import OPEN
from raysplay.measure import Measure


class BlindDesk(Desk):
    """Feet and films are numbered from 1 in the reader's own order; a repeat cannot be told from a new film.

    Parameters
    ----------
    study : Study
        The others as for :class:`~raysplay.infer.review.desk.Desk`.
    """

    def __init__(
        self, run: FinishedRun, store: ReadStore, films: FilmShelf, settings: ReviewSettings, study: Study
    ) -> None:
        super().__init__(run, store, films, settings)
        self.study = study
        self._order = lru_cache(maxsize=None)(study.order)

    def warm_up(self) -> None:
        """Start the decoding process; which film comes first depends on who reads."""
        self.films.begin(int(self.run.film_of[self.study.order(self.study.plan.readers[0])[0].foot]))

    @property
    def construction(self) -> str:
        return self.study.plan.construction or self.gauge.construction

    def check_reader(self, reader: str) -> None:
        """Refuse a reader whom the study does not name."""
        if reader not in self.study.plan.readers:
            raise RefusedError("the study does not name a reader with these initials")

    def check_change(self, reader: str | None, other: str) -> None:
        """Refuse a browser that reads for one reader of the study and states the initials of another.

        Reads and progress of a reader are no other reader's to see.
        """
        self.check_reader(other)
        if reader != other and reader in self.study.plan.readers:
            raise RefusedError(
                f"this browser reads as {reader}, and a study shows a reader their own reads alone. For {other}, open "
                f"the address on the terminal in another browser; a review that was started with --reader {reader} is "
                f"to be started without it"
            )

    def item(self, number: int, reader: str) -> StudyItem:
        """One place in a reader's order."""
        self.check_reader(reader)
        order = self._order(reader)
        if not 1 <= number <= len(order):
            raise UnknownFootError("there is no such foot")
        return order[number - 1]

    def key(self, number: int, reader: str) -> Key:
        self.item(number, reader)
        return Key(number, self.study.identity, reader)

    def foot_of(self, number: int, reader: str) -> int:
        return self.item(number, reader).foot

    def film_of(self, number: int, reader: str) -> int:
        return int(self.run.film_of[self.foot_of(number, reader)])

    def model(self, foot: int) -> tuple[FootLandmarkTable, PlacedPoints]:
        """Nothing: every point is still to be placed."""
        count = len(landmark_schema())
        nowhere = np.full((count, 2), np.nan)
        table = FootLandmarkTable(nowhere, np.full((count, 2, 2), np.nan), np.zeros(count))
        return table, PlacedPoints(nowhere, np.ones(count, np.bool_), np.zeros(count, np.bool_))

    def model_values(self, foot: int) -> Json:
        return {}

    def _told_by_run(self, foot: int) -> Mapping[str, Withheld | str]:
        """Nothing: what the run withheld is part of its output."""
        return {}

    def _run_side(self, foot: int) -> str:
        """Unknown: a reader's own points tell the sign of their angles, or nothing does."""
        return ""

    def _held(
        self,
        foot: int,
        reading: Reading,
        measure: Measure,
        told: Withheld | str | None,
        *,
        ask: bool,
        by_hand: bool,
        width: float,
    ) -> Held | None:
        """Nothing is held back: every point is the reader's own."""
        return None

    def session(self, reader: str | None) -> Json:
        shared = super().session(reader)
        plan = self.study.plan
        done = self.progress(reader)["done"] if reader in plan.readers else 0
        total = len(self._order(reader)) if reader in plan.readers else 0
        return {
            **shared,
            "study": {
                "name": plan.name,
                "reads_total": total,
                "reads_done": done,
                "landmarks": self.gauge.needed(self.construction),
            },
        }

    def feet(self, reader: str, offset: int, limit: int) -> Json:
        """The reader's own order: number, side and state alone."""
        self.check_reader(reader)
        stands = self._states(reader)
        rows: list[Json] = []
        for number, item in enumerate(self._order(reader), start=1):
            version, state, side = stands.get(number, (0, OPEN, self._named(item.foot)))
            rows.append({"id": number, "foot": side, "state": state, "version": version})
        states: dict[str, int] = {}
        for row in rows:
            states[row["state"]] = states.get(row["state"], 0) + 1
        page = rows[offset : offset + min(limit, self.settings.page_feet)]
        return {"total": len(rows), "counts": {"state": states}, "feet": page}

    def neighbour(self, number: int, reader: str, forward: bool) -> int | None:
        """Number of the next or previous foot."""
        self.item(number, reader)
        found = number + (1 if forward else -1)
        return found if 1 <= found <= len(self._order(reader)) else None

    def foot(self, number: int, reader: str) -> Json:
        """A foot with the reader's own points, and nothing of the model or of other readers."""
        ahead = range(number, min(number + self.settings.films.ahead, len(self._order(reader))) + 1)
        self.films.prepare(self.film_of(one, reader) for one in ahead)
        shown = self.foot_json(number, reader)
        return {
            **shown,
            "foot_index": None,
            "film": None,
            "film_id": number,
            "points": [point for point in shown["points"] if point["x"] is not None],
            "remarks": [],
            "claim": None,
            "next": self.neighbour(number, reader, forward=True),
            "previous": self.neighbour(number, reader, forward=False),
        }

    def measure(self, sent: MeasureSent, reader: str) -> Json:
        """Axes of the points and what is still missing; no number, so that none is aimed at."""
        return self._numberless(super().measure(sent, reader))

    def foot_json(self, number: int, reader: str) -> Json:
        shown = super().foot_json(number, reader)
        return {**shown, "measured": self._numberless(shown["measured"]), "history": []}

    def save(self, number: int, reader: str, sent: ReadSent) -> Standing:
        if sent.verdict == "confirm":
            raise RefusedError("there is nothing to confirm in a blind read")
        if sent.construction not in (None, self.construction):
            raise RefusedError("the study sets the construction")
        if sent.anew:
            raise RefusedError("the points of a blind read are the reader's own: move them")
        if sent.accepted:
            raise RefusedError("there is nothing to accept in a blind read")
        if sent.verdict == "correct":
            self._check_complete(number, reader, sent)
        return super().save(number, reader, sent)

    def progress(self, reader: str) -> Json:
        """The reader's own reads, open and done."""
        self.check_reader(reader)
        total = len(self._order(reader))
        done = sum(state != OPEN for _, state, _ in self._states(reader).values())
        return {"open": total - done, "done": done, "total": total, "by_reader": {reader: done}}

    def _states(self, reader: str) -> dict[int, tuple[int, str, str]]:
        found = self.store.current(self.study.identity, reader)
        return {item: (version, content["state"], content["side"]) for item, version, _, _, content in found}

    def _check_complete(self, number: int, reader: str, sent: ReadSent) -> None:
        """A read needs every landmark of its measures, placed or marked as not visible."""
        standing = self.standing(number, reader)
        placed = self._reading(self.foot_of(number, reader), standing, sent).placed
        missing = [
            code
            for code in self.gauge.needed(self.construction)
            if placed.visible[(i := landmark_schema().index(code))] and not placed.moved[i]
        ]
        if missing:
            raise RefusedError(f"not placed yet: {', '.join(missing)}")

    def _numberless(self, measured: Json) -> Json:
        """Without numbers; ``implausible`` says which measures no foot gives, so that the page can ask for another look
        before such a read is saved."""
        hidden = {"value": None, "low": None, "high": None}
        told = ("name", "unit", "construction", "withheld")
        measures = [
            {**{name: one[name] for name in told}, **hidden, "implausible": self._implausible(one)}
            for one in measured["measures"]
        ]
        return {**measured, "measures": measures, "grades": [], "shown_as": ""}

    def _implausible(self, one: Json) -> bool:
        low, high = self._limits.shape.values.get(one["name"], (-math.inf, math.inf))
        return one["value"] is not None and not low <= one["value"] <= high
