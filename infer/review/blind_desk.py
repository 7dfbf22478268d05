"""Blind reads: the model's output hidden, every reader's order and reads apart."""

from __future__ import annotations

import math
from functools import lru_cache

from raysplay.configs.load import landmark_schema
from raysplay.infer.outputs.finished_run import FinishedRun
from raysplay.infer.review import answers
from raysplay.infer.review.desk import Desk
from raysplay.infer.review.films import FilmShelf
from raysplay.infer.review.model_output import HiddenOutput
from raysplay.infer.review.refused import RefusedError, UnknownFootError
from raysplay.infer.review.requests import MeasureSent, ReadSent
from raysplay.infer.review.settings import ReviewSettings
from raysplay.infer.review.standing import Standing
from raysplay.infer.review.store import Key, ReadStore
from raysplay.infer.review.study import Study, StudyItem
from raysplay.infer.review.worklist import OPEN, Filter


class BlindDesk(Desk):
    """Feet and films are numbered from 1 in the reader's own order; a repeat cannot be told from a new film.

    Parameters
    ----------
    study : Study
        The others as for :class:`~raysplay.infer.review.desk.Desk`.
    """

    needs_reader = True

    def __init__(
        self, run: FinishedRun, store: ReadStore, films: FilmShelf, settings: ReviewSettings, study: Study
    ) -> None:
        super().__init__(run, store, films, settings, HiddenOutput(run), study.plan.construction)
        self.study = study
        self._order = lru_cache(maxsize=None)(study.order)

    def warm_up(self) -> None:
        """Start the decoding process; which film comes first depends on who reads."""
        self.films.begin(int(self.run.film_of[self.study.order(self.study.plan.readers[0])[0].foot]))

    def _check_reader(self, reader: str) -> None:
        """Refuse a reader whom the study does not name, by a RefusedError."""
        if reader not in self.study.plan.readers:
            raise RefusedError("the study does not name a reader with these initials")

    def check_change(self, reader: str | None, other: str) -> None:
        """Refuse a browser that reads for one reader of the study and states the initials of another.

        Reads and progress of a reader are no other reader's to see.

        Raises
        ------
        RefusedError
            For that, or if the study names no reader with the initials stated.
        """
        self._check_reader(other)
        if reader != other and reader in self.study.plan.readers:
            raise RefusedError(
                f"this browser reads as {reader}, and a study shows a reader their own reads alone. For {other}, open "
                f"the address on the terminal in another browser; a review that was started with --reader {reader} is "
                f"to be started without it"
            )

    def _item(self, number: int, reader: str) -> StudyItem:
        """One place in a reader's order, from 1; RefusedError or UnknownFootError where there is none."""
        self._check_reader(reader)
        order = self._order(reader)
        if not 1 <= number <= len(order):
            raise UnknownFootError("there is no such foot")
        return order[number - 1]

    def key(self, number: int, reader: str) -> Key:
        """Reads of a study are kept apart by reader; the item is the place in the reader's order."""
        self._item(number, reader)
        return Key(number, self.study.identity, reader)

    def foot_of(self, number: int, reader: str) -> int:
        """Foot of the run, from 0, at a place in a reader's order; RefusedError where the study does not name them."""
        return self._item(number, reader).foot

    def film_of(self, number: int, reader: str) -> int:
        """Film of the run, from 0: films have the number of their foot, so that a repeat cannot be told."""
        return int(self.run.film_of[self.foot_of(number, reader)])

    def session(self, reader: str | None) -> answers.Session:
        """Also the study, with the reader's own reads; no other reader is named."""
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
                "landmarks": list(self.gauge.needed(self.construction)),
            },
        }

    def feet(self, reader: str, wanted: Filter, offset: int, limit: int) -> answers.BlindFeet:
        """The reader's own order, whatever is wanted: number, side and state alone."""
        self._check_reader(reader)
        stands = self._states(reader)
        rows: list[answers.BlindWorklistFoot] = []
        for number, item in enumerate(self._order(reader), start=1):
            version, state, side = stands.get(number, (0, OPEN, self.output.named(item.foot)))
            rows.append({"id": number, "foot": side, "state": state, "version": version})
        states: dict[str, int] = {}
        for row in rows:
            states[row["state"]] = states.get(row["state"], 0) + 1
        page = rows[offset : offset + min(limit, self.settings.page_feet)]
        return {"total": len(rows), "counts": {"state": states}, "feet": page}

    def neighbour(self, number: int, reader: str, wanted: Filter, forward: bool) -> int | None:
        """Number of the next or previous foot in the reader's order; None at the end."""
        self._item(number, reader)
        found = number + (1 if forward else -1)
        return found if 1 <= found <= len(self._order(reader)) else None

    def foot(self, number: int, reader: str, wanted: Filter) -> answers.BlindFoot:
        """A foot with the reader's own points, and nothing of the model or of other readers."""
        ahead = range(number, min(number + self.settings.films.ahead, len(self._order(reader))) + 1)
        self.films.prepare(self.film_of(one, reader) for one in ahead)
        foot, standing = self.foot_of(number, reader), self.standing(number, reader)
        shared = self.foot_shared(number, reader, standing)
        return {
            **shared,
            "foot_index": None,
            "film": None,
            "film_id": number,
            "points": [point for point in shared["points"] if point["x"] is not None],
            "measured": self._numberless(self.measurements_standing(foot, standing)),
            "history": [],
            "remarks": [],
            "claim": None,
            "next": self.neighbour(number, reader, wanted, forward=True),
            "previous": self.neighbour(number, reader, wanted, forward=False),
        }

    def measure(self, sent: MeasureSent, reader: str) -> answers.BlindMeasuredNow:
        """Axes of the points and what is still missing; no number, so that none is aimed at."""
        self.check_run(sent.run)
        foot, standing = self.foot_of(sent.id, reader), self.standing(sent.id, reader)
        return {
            "id": sent.id,
            "run": self.run.identity,
            "version": standing.version,
            **self._numberless(self.measurements_sent(foot, standing, sent, reader)),
        }

    def save(self, number: int, reader: str, sent: ReadSent) -> Standing:
        """Save a blind read, which is complete and all by hand.

        Raises
        ------
        RefusedError
            Also for what a blind read cannot be or hold: a confirmation, accepted numbers, another construction than
            the study's, a correction with landmarks that are still to be placed.
        OvertakenError, StoreError
            As for every review.
        """
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

    def claim(self, number: int, reader: str) -> None:
        """Nothing: every reader reads every foot of the study alone."""

    def release(self, number: int, reader: str) -> None:
        """Nothing."""

    def others(self, number: int, reader: str, text: str) -> answers.Others:
        """None: what another film shows is not for a blind read."""
        return {"why": "Nothing is compared in a blind read.", "person": None, "taken": None, "feet": []}

    def progress(self, reader: str) -> answers.BlindProgress:
        """The reader's own reads, open and done."""
        self._check_reader(reader)
        total = len(self._order(reader))
        done = sum(state != OPEN for _, state, _ in self._states(reader).values())
        return {"open": total - done, "done": done, "total": total, "by_reader": {reader: done}}

    def _states(self, reader: str) -> dict[int, tuple[int, answers.State, str]]:
        found = self.store.current(self.study.identity, reader)
        return {item: (version, content["state"], content["side"]) for item, version, _, _, content in found}

    def _check_complete(self, number: int, reader: str, sent: ReadSent) -> None:
        """A read needs every landmark of its measures, placed or marked as not visible."""
        standing = self.standing(number, reader)
        placed = self.sent(self.foot_of(number, reader), standing, sent).placed
        missing = [
            code
            for code in self.gauge.needed(self.construction)
            if placed.visible[(i := landmark_schema().index(code))] and not placed.moved[i]
        ]
        if missing:
            raise RefusedError(f"not placed yet: {', '.join(missing)}")

    def _numberless(self, measured: answers.OpenMeasurements) -> answers.BlindMeasurements:
        """Without numbers; ``implausible`` says which measures no foot gives, so that the page can ask for another look
        before such a read is saved."""
        measures: list[answers.BlindMeasured] = [
            {
                "name": one["name"],
                "value": None,
                "low": None,
                "high": None,
                "unit": one["unit"],
                "construction": one["construction"],
                "withheld": one["withheld"],
                "implausible": self._implausible(one["name"], one["value"]),
            }
            for one in measured["measures"]
        ]
        return {
            "side": measured["side"],
            "shown_as": "",
            "measures": measures,
            "axes": measured["axes"],
            "grading": measured["grading"],
            "grades": [],
        }

    def _implausible(self, measure: str, value: float | None) -> bool:
        low, high = self.limits.shape.values.get(measure, (-math.inf, math.inf))
        return value is not None and not low <= value <= high
