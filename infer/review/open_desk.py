"""The plain review: the model's output shown, one state a foot for all readers."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Iterable, Sequence
from contextlib import suppress
from datetime import date

import numpy as np

from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.outputs.finished_run import FinishedRun
from raysplay.infer.review import answers
from raysplay.infer.review.acceptance import looked_at
from raysplay.infer.review.claims import claim_state
from raysplay.infer.review.desk import Desk
from raysplay.infer.review.films import FilmShelf
from raysplay.infer.review.model_output import RunOutput
from raysplay.infer.review.read_answers import read_answer
from raysplay.infer.review.refused import RefusedError, UnknownFootError
from raysplay.infer.review.requests import MeasureSent, ReadSent
from raysplay.infer.review.settings import ReviewSettings
from raysplay.infer.review.standing import Json, Standing
from raysplay.infer.review.store import Key, ReadStore, StoreError
from raysplay.infer.review.visits import ByFile, Takings, Visit, changes, no_person, unfit
from raysplay.infer.review.worklist import DECISIONS, OPEN, STATES, Change, Filter, Worklist, said_json
from raysplay.measure.sides import SIDE_WORDS

_SAME_NAME_KIND = "same_name"
_SAME_NAME = "two feet of this film are called {} now: if the film is mirrored, both names were wrong"


class OpenDesk(Desk):
    """Feet are numbered from 1 in the order of ``feet.csv``, films from 1 in that of ``films.csv``."""

    def __init__(self, run: FinishedRun, store: ReadStore, films: FilmShelf, settings: ReviewSettings) -> None:
        output = RunOutput(run, decision_settings().landmarks.withhold_below)
        super().__init__(run, store, films, settings, output)
        self.worklist = Worklist(run, settings.grading)
        self.takings: Takings = ByFile(run)
        self._lock = threading.Lock()
        self._last = store.last_id()
        self._settled_by: dict[int, str] = {}
        self._know_grounds()
        self._left_out: set[int] = set()
        self._sides_known: set[int] = set()
        self._apply((item, version, reader, content) for item, version, _, reader, content in store.current())

    def warm_up(self) -> None:
        """Decode the first films of the worklist before anybody asks."""
        first = [
            int(self.run.film_of[foot]) for foot in self.worklist.select(Filter())[: self.settings.films.ahead + 1]
        ]
        if first:
            self.films.begin(first[0])
            self.films.prepare(first[1:])

    def session(self, reader: str | None) -> answers.Session:
        """Also how many feet hold reads of an earlier version that do not count as they were saved."""
        shared = super().session(reader)
        if self._left_out:
            feet = "1 foot holds a read" if len(self._left_out) == 1 else f"{len(self._left_out)} feet hold reads"
            shared["run"]["notices"].append(
                f"{feet} of an earlier version with numbers that are left out now; the pages of these feet, and the "
                "column remark of an export, say why."
            )
        return shared

    def key(self, number: int, reader: str) -> Key:
        """All readers share the reads of a foot."""
        self.foot_of(number, reader)
        return Key(number)

    def foot_of(self, number: int, reader: str) -> int:
        """Row of ``feet.csv``, from 0; the page counts feet from 1, alike for all readers.

        Raises
        ------
        UnknownFootError
            If the run has no such foot.
        """
        if not 1 <= number <= len(self.run):
            raise UnknownFootError("there is no such foot")
        return number - 1

    def film_of(self, number: int, reader: str) -> int:
        """Row of ``films.csv``, from 0; the page counts films from 1, alike for all readers.

        Raises
        ------
        UnknownFootError
            If the run has no such film.
        """
        if not 1 <= number <= self.run.film_count:
            raise UnknownFootError("there is no such film")
        return number - 1

    def ground(self, foot: int) -> Json:
        """Side, construction and measures as reported, points and crop that the model left of a foot."""
        points = self.output.points(foot)[0].points
        crop = self.run.crop(foot)
        return {
            "side": self.run.sides[foot].as_py(),
            "construction": self.construction,
            "measures": {measure.name: measure.construction for measure in self.run.measures},
            "points": {
                code: [round(float(v), 3) for v in points[i]]
                for i, code in enumerate(self.codes)
                if np.isfinite(points[i]).all()
            },
            "outline": None if crop is None else crop.round(3).tolist(),
        }

    def _know_grounds(self) -> None:
        """Reads that were saved by a program which did not keep their grounds are of this run's."""
        unknown = self.lineage.groundless()
        self.lineage.lay({item: self.ground(item - 1) for item in unknown if 1 <= item <= len(self.run)})

    def _check(self, wanted: Filter) -> None:
        """Refuse, by a RefusedError, a filter that no foot could pass by mistake."""
        if not self.worklist.known_order(wanted.sort):
            raise RefusedError("there is no such order")
        if wanted.state not in ("", *STATES) or wanted.decision not in ("", *DECISIONS):
            raise RefusedError("there is no such state or decision")

    def feet(self, reader: str, wanted: Filter, offset: int, limit: int) -> answers.OpenFeet:
        """One page of the worklist, of at most ``page_feet`` rows, with the counts of every choice.

        Raises
        ------
        RefusedError
            If there is no such order, state or decision.
        """
        self.check_run()
        self._check(wanted)
        self._catch_up()
        claims = self.store.claims()
        with self._lock:
            chosen = self.worklist.select(wanted)
            page = chosen[offset : offset + min(limit, self.settings.page_feet)]
            self._hold_back_turned(page.tolist())
            rows: list[answers.OpenWorklistFoot] = []
            for foot in page.tolist():
                claim = claims.get(foot + 1)
                rows.append({"id": foot + 1, **self.worklist.row(foot), "claimed_by": claim.reader if claim else None})
            return {"total": len(chosen), "counts": self.worklist.counts(wanted), "feet": rows}

    def _hold_back_turned(self, feet: Sequence[int]) -> None:
        """Show no number of feet whose points lie as on the other foot than the run took them for: its sign is turned.

        A run of this version gives none; of others, the points of a foot that has a number are looked up as its row
        comes into sight. An angle below zero turns positive, so no sign of a number tells.
        """
        turned = []
        for foot in feet:
            doubtful = self.worklist.version[foot] == 0 and np.isfinite(self.run.values[foot, :, 0]).any()
            if not doubtful or foot in self._sides_known:
                continue
            self._sides_known.add(foot)
            points = self.output.initial(foot, anew=False)
            if self.numbers.frame(foot, points, anew=False) != self.output.seen_as(foot):
                turned.append(Change(foot, 0, OPEN, {}))
        self.worklist.apply(turned)

    def neighbour(self, number: int, reader: str, wanted: Filter, forward: bool) -> int | None:
        """Number of the next or previous foot that passes, whether or not this one still does; None at the end."""
        self._check(wanted)
        foot = self.foot_of(number, reader)
        self._catch_up()
        with self._lock:
            found = self.worklist.neighbour(foot, wanted, 1 if forward else -1)
        return None if found is None else found + 1

    def foot(self, number: int, reader: str, wanted: Filter) -> answers.OpenFoot:
        """A foot with all that is known of it; films of the next ones are made ready."""
        self._check(wanted)
        foot = self.foot_of(number, reader)
        self._catch_up()
        standing = self.standing(number, reader)
        with self._lock:
            if standing.version == 0 and standing.content["frame"] != self.output.seen_as(foot):
                # Seen only now that its points were looked at: the worklist shows none of its numbers any more.
                self.worklist.apply([Change(foot, 0, OPEN, {})])
            row = self.worklist.row(foot)
            companions = self._companions(foot)
            renamed = str(self.worklist.side[foot]) != self.output.named(foot)
            following = self.worklist.following(foot, wanted, self.settings.films.ahead)
            before = self.worklist.neighbour(foot, wanted, -1)
        film = int(self.run.film_of[foot])
        films = dict.fromkeys(int(self.run.film_of[one]) for one in following)
        self.films.prepare([film, *(one for one in films if one != film)])
        claim = self.store.claimed(self.key(number, reader))
        remarks = self.output.film(foot).remarks
        twins = [one for one in companions if one["foot"] == row["foot"] and (one["renamed"] or renamed)]
        same_name: list[answers.Said] = [
            {"kind": _SAME_NAME_KIND, "text": _SAME_NAME.format(SIDE_WORDS[one["foot"]])} for one in twins[:1]
        ]
        return {
            **self.foot_shared(number, reader, standing),
            "film": row["film"],
            "foot_index": row["foot_index"],
            "measured": self.measurements_standing(foot, standing),
            "film_id": film + 1,
            "remarks": [*(said_json(remark) for remark in remarks), *same_name],
            "companions": companions,
            "decision": row["decision"],
            "reasons": row["reasons"],
            "claim": None if claim is None else claim_state(claim),
            "earlier": self.earlier(number),
            "next": following[0] + 1 if following else None,
            "previous": None if before is None else before + 1,
        }

    def earlier(self, number: int) -> list[answers.EarlierRead]:
        """Reads of earlier runs of these films that do not stand, oldest first, with their run and why they do not."""
        foot = self.foot_of(number, "")
        return [
            {
                **read_answer(one.entry, self.contents.now(foot, one.entry.after)["remark"], one.entry.run),
                "outcome": one.outcome,
            }
            for one in self.lineage.earlier(number)
        ]

    def _companions(self, foot: int) -> list[answers.Companion]:
        """The other feet of a film, as they are called now."""
        feet = np.flatnonzero((self.run.film_of == self.run.film_of[foot]) & (self.worklist.side != ""))
        return [
            {
                "id": one + 1,
                "foot": (side := str(self.worklist.side[one])),
                "renamed": side != self.output.named(one),
                "state": STATES[self.worklist.state[one]],
            }
            for one in feet.tolist()
            if one != foot
        ]

    def check_change(self, reader: str | None, other: str) -> None:
        """Anybody may read here, whoever read before."""

    def others(self, number: int, reader: str, text: str) -> answers.Others:
        """Films of the same person and the same foot, the nearest in time first; ``why`` there are none."""
        self.check_run()
        self._catch_up()
        foot = self.foot_of(number, reader)
        taking = self.takings.of(self.output.film(foot))
        why = no_person(taking, self.run.names_persons)
        feet: list[answers.OtherFoot] = []
        if not why:
            with self._lock:
                side = str(self.worklist.side[foot])
                of_person = np.isin(self.run.film_of, self.takings.films_of(taking.person))
                elsewhere = of_person & (self.run.film_of != self.run.film_of[foot])
                found = np.flatnonzero(elsewhere & (self.worklist.side == side)) if side else np.zeros(0, np.int64)
            feet = [self._other_json(one) for one in found.tolist()]
            feet = [one for one in feet if text.lower() in one["film"].lower()]
            feet.sort(key=lambda one: (_days_apart(taking.taken, one["taken"]), abs(one["id"] - number)))
            if not side:
                why = "State the side of this foot first: only the same foot is compared."
            elif not feet:
                why = f"No other film of this person in this run shows the {SIDE_WORDS[side]} foot."
        return {
            "why": why or None,
            "person": taking.person[:6] or None,
            "taken": taking.taken or None,
            "feet": feet[: self.settings.compared_feet],
        }

    def _other_json(self, foot: int) -> answers.OtherFoot:
        facts, standing = self.output.film(foot), self.standing(foot + 1, "")
        return {
            "id": foot + 1,
            "film": facts.name,
            "taken": self.takings.of(facts).taken or None,
            "foot": standing.side,
            "state": standing.state,
            "unfit": self._unfit(foot, standing) or None,
        }

    def _unfit(self, foot: int, standing: Standing) -> str:
        reasons = [reason.text for reason in self.run.reasons[foot]]
        decision = self.run.decisions[foot].as_py()
        return unfit(standing.state, decision, reasons, standing.content["reason"])

    def measure(self, sent: MeasureSent, reader: str) -> answers.OpenMeasuredNow:
        """Also what differs from the foot that is compared with, on the very points that were sent."""
        self.check_run(sent.run)
        foot, standing = self.foot_of(sent.id, reader), self.standing(sent.id, reader)
        return {
            "id": sent.id,
            "run": self.run.identity,
            "version": standing.version,
            **self.measurements_sent(foot, standing, sent, reader),
            "comparison": None if sent.compared is None else self._comparison(sent, sent.compared, reader),
        }

    def _comparison(self, sent: MeasureSent, compared: int, reader: str) -> answers.Comparison:
        foot, other = self.foot_of(sent.id, reader), self.foot_of(compared, reader)
        facts, other_facts = self.output.film(foot), self.output.film(other)
        standing, theirs = self.standing(sent.id, reader), self.standing(compared, reader)
        reading = self.sent(foot, standing, sent)
        taking, other_taking = self.takings.of(facts), self.takings.of(other_facts)
        if not taking.person or taking.person != other_taking.person:
            raise RefusedError("only films of one person are compared")
        if facts.name == other_facts.name or reading.side != theirs.side or not reading.side:
            raise RefusedError("only the same foot on another film is compared")
        mine = tuple(looked_at(self.numbers, foot, reading, standing, sent, reader))
        here = Visit(facts, reading.side, mine, self._unfit(foot, standing), taking)
        there = Visit(
            other_facts,
            theirs.side,
            tuple(self.numbers.shown(other, theirs.reading, theirs)),
            self._unfit(other, theirs),
            other_taking,
        )
        found = changes(here, there, self.run.protocol().change, self.limits.interval.level)
        return {"id": compared, "taken": other_taking.taken or None, "version": theirs.version, **found}

    def save(self, number: int, reader: str, sent: ReadSent) -> Standing:
        """Save a read; the worklist follows. Raises what every review raises (:meth:`Desk.save`)."""
        saved = super().save(number, reader, sent)
        with suppress(StoreError):  # it is saved; the worklist follows with the next call
            self._catch_up()
        return saved

    def claim(self, number: int, reader: str) -> answers.ClaimState:
        """Take a foot in hand for ``claim_minutes``, or keep it; ClaimedError if another reader has it."""
        return claim_state(self.store.claim(self.key(number, reader), reader, 60.0 * self.settings.claim_minutes))

    def release(self, number: int, reader: str) -> None:
        """Give a foot back; another reader's claim stays."""
        self.store.release(self.key(number, reader), reader)

    def progress(self, reader: str) -> answers.OpenProgress:
        """Rows open and settled, whoever settled them, and how many each reader did."""
        self._catch_up()
        with self._lock:
            rows, files = self.worklist.progress()
            return {**rows, "files": files, "by_reader": dict(Counter(self._settled_by.values()))}

    def _catch_up(self) -> None:
        """Take over reads that were saved since, by this or another server."""
        with self._lock:
            fresh = list(self.store.since(self._last))
            if fresh:
                self._apply((one.key.item, one.version, one.reader, one.after) for one in fresh)
                self._last = fresh[-1].id

    def _apply(self, reads: Iterable[tuple[int, int, str, Json]]) -> None:
        changes = []
        for item, version, reader, content in reads:
            if not 1 <= item <= len(self.run):
                continue
            content = self.contents.now(item - 1, content)
            changes.append(Change(item - 1, version, content["state"], content["values"], content["side"]))
            (self._left_out.add if content["remark"] else self._left_out.discard)(item)
            if content["state"] == OPEN:
                self._settled_by.pop(item, None)
            else:
                self._settled_by[item] = reader
        self.worklist.apply(changes)


def _days_apart(first: str, second: str | None) -> float:
    """Days between two dates; infinite where one is not known."""
    if not first or not second:
        return float("inf")
    return abs((date.fromisoformat(first) - date.fromisoformat(second)).days)
