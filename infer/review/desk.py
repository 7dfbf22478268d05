"""A reader's desk: feet as they stand, what they measure, and reads that are saved.

:class:`Desk` holds what every review shares; :class:`~raysplay.infer.review.open_desk.OpenDesk` shows what the model
found, :class:`~raysplay.infer.review.blind_desk.BlindDesk` hides it.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from raysplay.configs.grades import scheme, schemes
from raysplay.configs.load import landmark_descriptions, landmark_schema
from raysplay.configs.reference_values import reference_values
from raysplay.infer.command import CAUTION
from raysplay.infer.decide.config import decision_limits
from raysplay.infer.review.films import FilmShelf, Picture
from raysplay.infer.review.lineage import Lineage
from raysplay.infer.review.reading import AS_RUN, FootGauge, Measured, PlacedPoints, grades
from raysplay.infer.review.requests import MeasureSent, PointSent, ReadSent
from raysplay.infer.review.run import FilmFacts, FootLandmarkTable, ReviewRun
from raysplay.infer.review.settings import ReviewSettings
from raysplay.infer.review.store import Entry, Key, ReadStore, StaleReadError, Subject
from raysplay.infer.review.worklist import (
    CONFIRMED,
    CORRECTED,
    NOT_MEASURABLE,
    OPEN,
    WRONG_SIDE,
    WRONG_VIEW,
    number_or_none,
)
from raysplay.measure.grades import Scale

Json = dict[str, Any]

_OTHER_SIDE = {"L": "R", "R": "L"}
_STATE_AFTER = {
    "confirm": CONFIRMED,
    "correct": CORRECTED,
    "cannot_be_measured": NOT_MEASURABLE,
    "wrong_side": WRONG_SIDE,
    "wrong_view": WRONG_VIEW,
    "reopen": OPEN,
}
NUMBERLESS = (NOT_MEASURABLE, WRONG_VIEW)
"""States without numbers."""


class UnknownFootError(LookupError):
    """A number that stands for no foot or film of this review."""


class RefusedError(ValueError):
    """A request that makes no sense for the foot; the message is for the reader."""


class OvertakenError(Exception):
    """A read made on a version that no longer stands, with both as the page shows them."""

    def __init__(self, message: str, theirs: Json, yours: Json) -> None:
        super().__init__(message)
        self.theirs, self.yours = theirs, yours


@dataclass(frozen=True)
class Standing:
    """A foot as it stands: version 0 is what the model left.

    ``corrected_by`` is the last reader who changed a point, the side or the construction.
    """

    version: int
    state: str
    side: str
    construction: str
    placed: PlacedPoints
    corrected_by: str | None
    content: Json
    reader: str = ""
    at: str = ""


class Desk(ABC):
    """What every review shares.

    Parameters
    ----------
    run : ReviewRun
    store : ReadStore
    films : FilmShelf
    settings : ReviewSettings
    """

    def __init__(self, run: ReviewRun, store: ReadStore, films: FilmShelf, settings: ReviewSettings) -> None:
        self.run, self.store, self.films, self.settings = run, store, films, settings
        self._limits = decision_limits()
        self.gauge = FootGauge(run.measures, run.protocol(), self._limits, settings.hand_placed)
        self.codes = landmark_schema().codes
        self.lineage = Lineage(store)

    @abstractmethod
    def key(self, number: int, reader: str) -> Key:
        """Key of the foot that the page calls ``number``; UnknownFootError if there is none."""

    @abstractmethod
    def foot_of(self, number: int, reader: str) -> int:
        """Foot of the run that the page calls ``number``."""

    @abstractmethod
    def model(self, foot: int) -> tuple[FootLandmarkTable, PlacedPoints]:
        """What the model left of a foot, as far as this review shows it."""

    @abstractmethod
    def film_of(self, number: int, reader: str) -> int:
        """Film of the run that the page calls ``number``."""

    @abstractmethod
    def warm_up(self) -> None:
        """Make ready what will be asked for first."""

    @property
    @abstractmethod
    def construction(self) -> str:
        """Construction before a reader chooses another."""

    def picture(self, number: int, reader: str) -> Picture:
        """Grey values of a film."""
        return self.films.picture(self.film_of(number, reader))

    def measure(self, sent: MeasureSent, reader: str) -> Json:
        """Measures, axes and grades of points as the page has them; nothing is saved."""
        foot = self.foot_of(sent.id, reader)
        standing = self.standing(sent.id, reader)
        construction = self._construction(sent.construction or standing.construction)
        placed = self._placed(sent.points, standing, foot)
        side = sent.side or standing.side
        measured = self._measure(foot, placed, side, construction)
        return self.measured_json(measured, placed, construction, sent.grading)

    def standing(self, number: int, reader: str) -> Standing:
        """The foot as it stands."""
        foot = self.foot_of(number, reader)
        found = self.store.state(self.key(number, reader))
        return self._model_standing(foot) if found is None else self._stands(foot, *found)

    def save(self, number: int, reader: str, sent: ReadSent) -> Standing:
        """Save a read.

        Raises
        ------
        RefusedError
            If the verdict does not fit the foot or lacks something.
        OvertakenError
            If another read was saved since the page loaded the foot.
        ClaimedError, StoreError
            As the store says.
        """
        foot, key = self.foot_of(number, reader), self.key(number, reader)
        standing = self.standing(number, reader)
        if sent.version == standing.version:
            after = self._after(foot, standing, sent, reader)
        else:
            # Still worked out, so that both reads can be laid side by side.
            after = self._after(foot, self._model_standing(foot), sent, reader, check=False)
        facts = self.run.film(int(self.run.film_of[foot]))
        subject = Subject(facts.name, facts.sha256, int(self.run.foot_index[foot]), self.ground(foot))
        try:
            saved = self.store.save(
                key, sent.version, reader, sent.verdict, subject, standing.content, after, sent.request
            )
        except StaleReadError as stale:
            theirs = {**self.entry_json(stale.theirs), **self.content_json(stale.theirs.after)}
            yours = {"version": sent.version, "verdict": sent.verdict, **self.content_json(after)}
            raise OvertakenError(f"{stale}: both reads are kept before you until you choose.", theirs, yours) from None
        return self._stands(foot, saved.version, saved.at, saved.reader, saved.after)

    def history(self, number: int, reader: str) -> list[Json]:
        """Every read of a foot that led to what stands, oldest first; ``run`` is that of an earlier run's."""
        key = self.key(number, reader)
        origins = {} if key.study else self.lineage.origins(key.item)
        return [
            {**self.read_json(entry), "run": short(origins.get(entry.version))} for entry in self.store.history(key)
        ]

    def read_json(self, entry: Entry) -> Json:
        """A read with what stood before and after it."""
        return {
            **self.entry_json(entry),
            "note": entry.after["note"],
            "reason": entry.after["reason"],
            "before": self.content_json(entry.before),
            "after": self.content_json(entry.after),
        }

    def ground(self, foot: int) -> Json | None:
        """What a read of a foot is made on, for a later run to compare; None where the model's output is hidden."""
        return None

    def remeasured(self, number: int, content: Json) -> Json:
        """The same content with its points measured as this run does it."""
        foot = self.foot_of(number, "")
        standing = self._stands(foot, 0, "", "", content)
        values = self._values(foot, standing.placed, standing.side, standing.construction)
        return {**content, "construction": standing.construction, "values": values}

    def session(self, reader: str | None) -> Json:
        """What the page needs once."""
        construction = self.construction
        needed = set(self.gauge.needed(construction))
        by_construction = {one: self.gauge.measures(one) for one in self.gauge.constructions}
        return {
            "run": {
                "name": self.run.folder.absolute().name,
                "films": self.run.film_count,
                "feet": len(self.run),
                "notices": [*self._changes, *self.store.notices],
            },
            "reader": reader,
            "study": None,
            "schema": [
                {"code": code, "bone": bone, "text": text, "needed": code in needed}
                for code, bone, text in zip(self.codes, landmark_schema().bones, landmark_descriptions(), strict=True)
            ],
            "axes": {one: self.gauge.axis_landmarks(one) for one in self.gauge.constructions},
            "measures": [
                {
                    "name": measure.name,
                    "abbreviation": measure.abbreviation,
                    "title": measure.title,
                    "unit": measure.unit,
                    "definition": measure.definition,
                    "reference": _reference_json(measure.name),
                    "landmarks": {
                        construction: measures[i].landmarks for construction, measures in by_construction.items()
                    },
                }
                for i, measure in enumerate(self.run.measures)
            ],
            "construction": construction,
            "constructions": [
                {"name": one, "title": "as in the run" if one == AS_RUN else one.replace("_", " ")}
                for one in self.gauge.constructions
            ],
            "grading": [
                {
                    "name": one.name,
                    "title": one.title,
                    "cited": one.cited,
                    "scales": {scale.measure: scale_json(scale) for scale in one.scales},
                }
                for one in schemes()
            ],
            "grading_default": self.settings.grading,
            "level": self._limits.interval.level,
            "reasons_not_measurable": self.settings.not_measurable,
            "claim_seconds": 60.0 * self.settings.claim_minutes,
            "caution": CAUTION,
        }

    @cached_property
    def _changes(self) -> list[str]:
        return self.run.changes()

    def foot_json(self, number: int, reader: str) -> Json:
        """A foot with its film, points and measures."""
        foot, standing = self.foot_of(number, reader), self.standing(number, reader)
        film = int(self.run.film_of[foot])
        facts = self.run.film(film)
        measured = self._measure(foot, standing.placed, standing.side, standing.construction)
        return {
            "id": number,
            "foot": standing.side,
            "foot_index": int(self.run.foot_index[foot]),
            "rows": facts.rows,
            "columns": facts.columns,
            "row_mm": facts.row_mm,
            "column_mm": facts.column_mm,
            "aspect": facts.aspect,
            "film_notice": self.films.notice(film) or None,
            "outline": None if (crop := self.run.crop(foot)) is None else crop.tolist(),
            "state": standing.state,
            "version": standing.version,
            "construction": standing.construction,
            "points": self.points_json(foot, standing.placed),
            "measured": self.measured_json(measured, standing.placed, standing.construction, None),
            "note": standing.content["note"],
            "reason": standing.content["reason"],
            "history": self.history(number, reader) if standing.version else [],
        }

    def points_json(self, foot: int, placed: PlacedPoints) -> list[Json]:
        """All landmarks in schema order; null where a landmark is not placed or has no spread."""
        table, initial = self.model(foot)
        doubtful = self._limits.landmarks.doubtful_below
        rows = []
        for i, code in enumerate(self.codes):
            by_hand = bool(placed.moved[i])
            spread = self.gauge.hand_covariance(self._facts(foot)) if by_hand else table.covariance[i]
            rows.append(
                {
                    "code": code,
                    "x": number_or_none(placed.points[i, 0]),
                    "y": number_or_none(placed.points[i, 1]),
                    "visible": bool(placed.visible[i]),
                    "moved": by_hand,
                    "model_x": number_or_none(initial.points[i, 0]),
                    "model_y": number_or_none(initial.points[i, 1]),
                    "var_x": number_or_none(spread[0, 0]),
                    "cov_xy": number_or_none(spread[0, 1]),
                    "var_y": number_or_none(spread[1, 1]),
                    "confidence": number_or_none(table.confidence[i]),
                    "doubtful": bool(not by_hand and table.confidence[i] < doubtful),
                }
            )
        return rows

    def measured_json(
        self, measured: Sequence[Measured], placed: PlacedPoints, construction: str, grading: str | None
    ) -> Json:
        """Measures, axes and grades as the page shows them."""
        chosen = grading or self.settings.grading
        try:
            scheme(chosen)
        except KeyError:
            raise RefusedError("there is no such grading") from None
        return {
            "measures": [
                {
                    "name": one.measure.name,
                    "value": number_or_none(one.value),
                    "low": number_or_none(one.low),
                    "high": number_or_none(one.high),
                    "unit": one.measure.unit,
                    "construction": one.measure.construction,
                    "withheld": one.withheld or None,
                }
                for one in measured
            ],
            "axes": self.axes_json(placed, construction),
            "grading": chosen,
            "grades": [
                {
                    "measure": one.measure,
                    "grade": one.grade,
                    "why": one.why or None,
                    "border": number_or_none(one.border),
                    "distance": number_or_none(one.distance),
                    "borderline": one.borderline,
                }
                for one in grades(measured, chosen, self._limits.shape.values)
            ],
        }

    def axes_json(self, placed: PlacedPoints, construction: str) -> list[Json]:
        """Axes on the film."""
        return [
            {
                "name": line.bone,
                "title": line.name,
                "from": [number_or_none(v) for v in line.proximal],
                "to": [number_or_none(v) for v in line.distal],
            }
            for line in self.gauge.axes(placed, construction)
        ]

    def entry_json(self, entry: Entry) -> Json:
        """Who, when and what, without the content."""
        return {"version": entry.version, "when": entry.at, "reader": entry.reader, "verdict": entry.verdict}

    def content_json(self, content: Json) -> Json:
        """What stood or stands, as the page shows it; points only where they differ from the model's."""
        points = [
            {"code": code, "x": x, "y": y, "visible": visible, "moved": moved}
            for code, (x, y, visible, moved) in content["points"].items()
        ]
        values = {
            name: dict(zip(("value", "low", "high", "construction", "by_hand"), number, strict=True))
            for name, number in content["values"].items()
        }
        return {**content, "points": points, "values": values}

    def _facts(self, foot: int) -> FilmFacts:
        return self.run.film(int(self.run.film_of[foot]))

    def _construction(self, name: str) -> str:
        if name not in self.gauge.constructions:
            raise RefusedError("there is no such construction")
        return name

    def _measure(self, foot: int, placed: PlacedPoints, side: str, construction: str) -> list[Measured]:
        if not side:
            return []
        table, _ = self.model(foot)
        return self.gauge.measure(placed, table.covariance, side, self._facts(foot), construction)

    def _placed(self, sent: Iterable[PointSent], standing: Standing, foot: int) -> PlacedPoints:
        """Points as sent, over what stands; an unmoved point lies where the model put it, whatever was sent."""
        _, initial = self.model(foot)
        facts = self._facts(foot)
        stands = standing.placed
        points, visible, moved = stands.points.copy(), stands.visible.copy(), stands.moved.copy()
        seen = set()
        for one in sent:
            if one.code in seen:
                raise RefusedError(f"the landmark {one.code} was sent twice")
            seen.add(one.code)
            i = self.codes.index(one.code)
            if one.moved:
                if one.x is None or one.y is None:
                    raise RefusedError(f"the landmark {one.code} was moved to nowhere")
                if not (-0.5 <= one.x <= facts.columns - 0.5 and -0.5 <= one.y <= facts.rows - 0.5):
                    raise RefusedError(f"the landmark {one.code} was placed off the film")
                points[i] = one.x, one.y
            else:
                points[i] = initial.points[i]
            moved[i] = one.moved
            visible[i] = one.visible
        return PlacedPoints(points, visible, moved)

    def _model_standing(self, foot: int) -> Standing:
        _, initial = self.model(foot)
        side = self.run.sides[foot].as_py()
        content = {
            "state": OPEN,
            "side": side,
            "construction": self.construction,
            "points": {},
            "values": self.model_values(foot),
            "corrected_by": None,
            "reason": "",
            "note": "",
        }
        return Standing(0, OPEN, side, self.construction, initial, None, content)

    def model_values(self, foot: int) -> Json:
        """Numbers of the run's tables by measure: value, low, high, construction, and that no hand was in it."""
        numbers = self.run.values[foot]
        return {
            measure.name: [*map(number_or_none, numbers[i]), measure.construction, False]
            for i, measure in enumerate(self.run.measures)
        }

    def _stands(self, foot: int, version: int, at: str, reader: str, content: Json) -> Standing:
        _, initial = self.model(foot)
        points, visible, moved = initial.points.copy(), initial.visible.copy(), initial.moved.copy()
        for code, (x, y, seen, by_hand) in content["points"].items():
            if code in self.codes:
                i = self.codes.index(code)
                points[i] = np.nan if x is None else x, np.nan if y is None else y
                visible[i], moved[i] = seen, by_hand
        construction = content["construction"]
        return Standing(
            version,
            content["state"],
            content["side"],
            construction if construction in self.gauge.constructions else self.construction,
            PlacedPoints(points, visible, moved),
            content["corrected_by"],
            content,
            reader,
            at,
        )

    def _after(self, foot: int, standing: Standing, sent: ReadSent, reader: str, *, check: bool = True) -> Json:
        """What stands after a read."""
        construction = self._construction(sent.construction or standing.construction)
        side = sent.side or standing.side
        if sent.verdict == "wrong_side" and sent.side is None:
            side = _OTHER_SIDE.get(standing.side, "")
        placed = self._placed(sent.points, standing, foot)
        changed = (
            side != standing.side
            or construction != standing.construction
            or not np.array_equal(placed.points, standing.placed.points, equal_nan=True)
            or not np.array_equal(placed.visible, standing.placed.visible)
            or not np.array_equal(placed.moved, standing.placed.moved)
        )
        if check:
            self._check(sent, standing, side, changed)
        state = _STATE_AFTER[sent.verdict]
        values = {} if state in NUMBERLESS else self._values(foot, placed, side, construction)
        return {
            "state": state,
            "side": side,
            "construction": construction,
            "points": self._differing(foot, placed),
            "values": values,
            "corrected_by": reader if changed else standing.corrected_by,
            "reason": sent.reason.strip(),
            "note": sent.note.strip(),
        }

    def _check(self, sent: ReadSent, standing: Standing, side: str, changed: bool) -> None:
        verdict = sent.verdict
        if verdict == "reopen":
            if standing.state == OPEN:
                raise RefusedError("this foot is open already")
            if changed:
                raise RefusedError("reopen the foot first, then change it")
        elif standing.state == CONFIRMED:
            raise RefusedError(f"{standing.reader} confirmed this foot: reopen it before it is changed")
        if verdict == "confirm" and changed:
            raise RefusedError("something was changed: save it as a correction")
        if verdict in ("confirm", "correct") and not side:
            raise RefusedError("no foot was found here: state the side first")
        if verdict == "cannot_be_measured" and not sent.reason.strip():
            raise RefusedError("say why the foot cannot be measured")
        if verdict == "wrong_side" and side in ("", standing.side):
            raise RefusedError("state the right side")

    def _values(self, foot: int, placed: PlacedPoints, side: str, construction: str) -> Json:
        """Numbers by measure; a number that a hand had part in is marked."""
        _, initial = self.model(foot)
        other_side = side != self.run.sides[foot].as_py()
        touched = {
            code for i, code in enumerate(self.codes) if placed.moved[i] or placed.visible[i] != initial.visible[i]
        }
        as_run = {measure.name: measure.construction for measure in self.run.measures}
        values = {}
        for one in self._measure(foot, placed, side, construction):
            measure = one.measure
            by_hand = (
                other_side or measure.construction != as_run[measure.name] or not touched.isdisjoint(measure.landmarks)
            )
            numbers = [number_or_none(v) for v in (one.value, one.low, one.high)]
            values[measure.name] = [*numbers, measure.construction, by_hand]
        return values

    def _differing(self, foot: int, placed: PlacedPoints) -> Json:
        """Points that are not as the model left them."""
        _, initial = self.model(foot)
        return {
            code: [
                number_or_none(placed.points[i, 0]),
                number_or_none(placed.points[i, 1]),
                bool(placed.visible[i]),
                bool(placed.moved[i]),
            ]
            for i, code in enumerate(self.codes)
            if placed.moved[i] or placed.visible[i] != initial.visible[i]
        }


def _reference_json(measure: str) -> Json | None:
    """What published groups show of a measure without a grade: in brief, and every statement with its source."""
    found = reference_values().get(measure)
    return {"brief": found.brief, "says": list(found.sentences)} if found else None


def short(run: str | None) -> str | None:
    """A run as a person is told it: the first twelve digits of its identity."""
    return None if run is None else run[:12]


def scale_json(scale: Scale) -> list[Json]:
    """Grades of a scale, lowest first, with the border each begins ``from`` or ``above``, and its ends."""
    rows: list[Json] = [{"grade": scale.grades[0]}]
    if scale.lowest is not None:
        rows[0]["from"] = scale.lowest
    for word, border, inclusive in zip(scale.grades[1:], scale.borders, scale.from_border, strict=True):
        rows.append({"grade": word, "from" if inclusive else "above": border})
    if scale.highest is not None:
        rows[-1]["up_to"] = scale.highest
    return rows
