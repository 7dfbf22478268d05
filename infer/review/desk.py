"""A reader's desk: feet as they stand, what they measure, and reads that are saved.

:class:`Desk` holds what every review shares; :class:`~raysplay.infer.review.open_desk.OpenDesk` shows what the model
found, :class:`~raysplay.infer.review.blind_desk.BlindDesk` hides it.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np

from raysplay.configs.grades import scheme, schemes
from raysplay.configs.load import landmark_descriptions, landmark_schema
from raysplay.configs.reference_values import reference_values
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.outputs.axis_lines import bone_of
from raysplay.infer.outputs.finished_run import FilmFacts, FinishedRun, FootLandmarkTable
from raysplay.infer.outputs.overlay_style import ARC, AXIS, DOUBT, TEXT, css_colour
from raysplay.infer.outputs.settings import output_settings
from raysplay.infer.reason import ReasonKind
from raysplay.infer.records import Withheld
from raysplay.infer.review.cautions import CAUTIONS
from raysplay.infer.review.earlier import completed, is_earlier, taken_over
from raysplay.infer.review.films import FilmShelf, Picture
from raysplay.infer.review.held import SIDE, UNKNOWN, Held, held_back
from raysplay.infer.review.lineage import Lineage
from raysplay.infer.review.reading import AS_RUN, FootGauge, PlacedPoints, grades
from raysplay.infer.review.requests import MeasureSent, PointSent, ReadSent
from raysplay.infer.review.settings import ReviewSettings
from raysplay.infer.review.shown import NOTHING, Numbers, Shown
from raysplay.infer.review.store import Entry, Key, ReadStore, StaleReadError, Subject
from raysplay.infer.review.worklist import (
    CONFIRMED,
    CORRECTED,
    NOT_MEASURABLE,
    OPEN,
    WRONG_SIDE,
    WRONG_VIEW,
    number_or_none,
    shown_number,
)
from raysplay.measure import Measure, shown_side
from raysplay.measure.bones import bone_words
from raysplay.measure.grades import Scale
from raysplay.measure.sides import other_side

Json = dict[str, Any]

_STATE_AFTER = {
    "confirm": CONFIRMED,
    "correct": CORRECTED,
    "cannot_be_measured": NOT_MEASURABLE,
    "wrong_side": WRONG_SIDE,
    "wrong_view": WRONG_VIEW,
    "reopen": OPEN,
}
NUMBERLESS = {NOT_MEASURABLE: "cannot be measured", WRONG_VIEW: "wrong view"}
"""States without numbers, in words."""
_NO_SIDE_SHOWN = "which way round the foot lies is not known: place the first metatarsal and another one"


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
class Reading:
    """A foot as somebody has it before them, saved or not.

    Attributes
    ----------
    side : str
        What the foot is called. It has no part in any number: on a mirrored film a left foot looks like a right one.
    construction : str
    anew : bool
        Whether the model's points do not count, since they lie on another foot or medial and lateral are exchanged:
        what no hand placed lies nowhere.
    placed : PlacedPoints
    accepted : mapping of measure to dict
        Numbers that somebody took though they are held back: ``by``, ``cause``, ``by_run``.
    """

    side: str
    construction: str
    placed: PlacedPoints
    anew: bool = False
    accepted: Mapping[str, Json] = field(default_factory=dict)


@dataclass(frozen=True)
class Standing:
    """A foot as it stands: version 0 is what the model left.

    ``corrected_by`` is the last reader who changed a point or the construction, ``side_by`` who said what the foot is
    called; None where that is the model.
    """

    version: int
    state: str
    reading: Reading
    corrected_by: str | None
    side_by: str | None
    content: Json
    reader: str = ""
    at: str = ""

    def hand(self, measure: str) -> str | None:
        """Who changed last what a number stands on; an earlier version kept only who changed the foot last."""
        by: str | None = self.content["hands"].get(measure, self.corrected_by)
        return by

    @property
    def side(self) -> str:
        return self.reading.side

    @property
    def construction(self) -> str:
        return self.reading.construction

    @property
    def placed(self) -> PlacedPoints:
        return self.reading.placed


class Desk(ABC):
    """What every review shares.

    Parameters
    ----------
    run : FinishedRun
    store : ReadStore
    films : FilmShelf
    settings : ReviewSettings
    """

    def __init__(self, run: FinishedRun, store: ReadStore, films: FilmShelf, settings: ReviewSettings) -> None:
        self.run, self.store, self.films, self.settings = run, store, films, settings
        self._limits = decision_settings()
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
        self.check_run(sent.run)
        foot = self.foot_of(sent.id, reader)
        standing = self.standing(sent.id, reader)
        reading = self._reading(foot, standing, sent)
        shown = self.looked_at(foot, reading, standing, sent, reader)
        if standing.state in NUMBERLESS and sent.version in (None, standing.version):
            shown = _without_numbers(shown, standing)
        return {
            "id": sent.id,
            "run": self.run.identity,
            "version": standing.version,
            **self.measured_json(foot, shown, reading, sent.grading),
        }

    def check_run(self, run: str | None = None) -> None:
        """Refuse what belongs to another run than the one that lies in the folder now.

        Raises
        ------
        RefusedError
            If the page was made for another run, or another one was measured into the folder meanwhile.
        """
        if run not in (None, self.run.identity):
            raise RefusedError("this page was made for another run than the server has: reload it. Nothing was saved")
        if not self.run.is_current():
            raise RefusedError(
                "the films were measured anew into this folder: end the review and start it again. Nothing was saved"
            )

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
        self.check_run(sent.run)
        foot, key = self.foot_of(number, reader), self.key(number, reader)
        standing = self.standing(number, reader)
        if sent.version > standing.version == 0:
            raise RefusedError("the page shows a read of this foot, but there is none: load the foot again")
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
            theirs = {
                **self.entry_json(stale.theirs),
                **self.content_json(self.content(foot, stale.theirs.after)),
            }
            yours = {"version": sent.version, "verdict": sent.verdict, **self.content_json(after)}
            raise OvertakenError(f"{stale}: both reads are kept before you until you choose.", theirs, yours) from None
        return self._stands(foot, saved.version, saved.at, saved.reader, saved.after)

    def history(self, number: int, reader: str) -> list[Json]:
        """Every read of a foot that led to what stands, as it was saved, oldest first.

        ``remark`` says what is left out of it now; ``run`` is that of an earlier run's.
        """
        foot, key = self.foot_of(number, reader), self.key(number, reader)
        origins = {} if key.study else self.lineage.origins(key.item)
        return [
            {**self.read_json(foot, entry), "run": short(origins.get(entry.version))}
            for entry in self.store.history(key)
        ]

    def read_json(self, foot: int, entry: Entry) -> Json:
        """A read with what stood before and after it, as it was saved."""
        return {
            **self.entry_json(entry),
            "note": entry.after["note"],
            "reason": entry.after["reason"],
            "remark": self.content(foot, entry.after)["remark"],
            "before": self.content_json(completed(entry.before)),
            "after": self.content_json(completed(entry.after)),
        }

    def ground(self, foot: int) -> Json | None:
        """What a read of a foot is made on, for a later run to compare; None where the model's output is hidden."""
        return None

    def remeasured(self, number: int, content: Json) -> Json:
        """The same content with its points measured as this run does it."""
        foot = self.foot_of(number, "")
        standing = self._stands(foot, 0, "", "", content)
        reading = standing.reading
        return {
            **standing.content,
            "frame": self.frame(foot, reading.placed, reading.anew),
            "construction": standing.construction,
            **self.worked_out(foot, reading),
        }

    def session(self, reader: str | None) -> Json:
        """What the page needs once."""
        construction = self.construction
        needed = set(self.gauge.needed(construction))
        by_construction = {one: self.gauge.measures(one) for one in self.gauge.constructions}
        return {
            "run": {
                "name": self.run.folder.absolute().name,
                "identity": self.run.identity,
                "films": self.run.film_count,
                "feet": len(self.run),
                "notices": [*self._changes, *self.store.notices],
            },
            "reader": reader,
            "study": None,
            "schema": [
                {"code": code, "bone": bone, "axis": bone_of(code), "text": text, "needed": code in needed}
                for code, bone, text in zip(self.codes, landmark_schema().bones, landmark_descriptions(), strict=True)
            ],
            "bones": {bone: bone_words(bone) for bone in landmark_schema().bones},
            "axes": {one: self.gauge.axis_landmarks(one) for one in self.gauge.constructions},
            "measures": [
                {
                    "name": measure.name,
                    "abbreviation": measure.abbreviation,
                    "title": measure.title,
                    "unit": measure.unit,
                    "definition": measure.definition,
                    "reference": _reference_json(measure.name),
                    "drawn": measure.name in output_settings().overlay.measures,
                    "plausible": self._limits.shape.values.get(measure.name),
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
            "reason_kinds": {kind.value: kind.words for kind in ReasonKind},
            "reasons_not_measurable": self.settings.not_measurable,
            "claim_seconds": 60.0 * self.settings.claim_minutes,
            "cautions": CAUTIONS,
            "colours": {
                "bones": {bone: css_colour(colour) for bone, colour in AXIS.items()},
                "other": css_colour(TEXT),
                "doubtful": css_colour(DOUBT),
                "arc": css_colour(ARC),
            },
        }

    @cached_property
    def _changes(self) -> list[str]:
        return self.run.changes()

    def foot_json(self, number: int, reader: str) -> Json:
        """A foot with its film, points and measures."""
        self.check_run()
        foot, standing = self.foot_of(number, reader), self.standing(number, reader)
        film = int(self.run.film_of[foot])
        facts = self.run.film(film)
        shown = self.shown(foot, standing.reading, standing)
        if standing.state in NUMBERLESS:
            shown = _without_numbers(shown, standing)
        return {
            "id": number,
            "run": self.run.identity,
            "foot": standing.side,
            "side_by": standing.side_by,
            "anew": standing.reading.anew,
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
            "points": self.points_json(foot, standing.reading),
            "measured": self.measured_json(foot, shown, standing.reading, None),
            "note": standing.content["note"],
            "reason": standing.content["reason"],
            "remark": standing.content["remark"],
            "history": self.history(number, reader) if standing.version else [],
        }

    def points_json(self, foot: int, reading: Reading) -> list[Json]:
        """All landmarks in schema order; null where a landmark is not placed or has no spread."""
        table, placed = self.model(foot)[0], reading.placed
        initial = self._initial(foot, reading.anew)
        doubtful = self._limits.landmarks.doubtful_below
        rows = []
        for i, code in enumerate(self.codes):
            by_hand, of_model = bool(placed.moved[i]), not reading.anew
            spread = self.gauge.hand_covariance(self._facts(foot)) if by_hand else table.covariance[i]
            known = by_hand or of_model
            rows.append(
                {
                    "code": code,
                    "x": number_or_none(placed.points[i, 0]),
                    "y": number_or_none(placed.points[i, 1]),
                    "visible": bool(placed.visible[i]),
                    "moved": by_hand,
                    "model_x": number_or_none(initial.points[i, 0]),
                    "model_y": number_or_none(initial.points[i, 1]),
                    "var_x": number_or_none(spread[0, 0]) if known else None,
                    "cov_xy": number_or_none(spread[0, 1]) if known else None,
                    "var_y": number_or_none(spread[1, 1]) if known else None,
                    "confidence": number_or_none(table.confidence[i]) if of_model else None,
                    "doubtful": bool(of_model and not by_hand and table.confidence[i] < doubtful),
                }
            )
        return rows

    def measured_json(self, foot: int, shown: Sequence[Shown], reading: Reading, grading: str | None) -> Json:
        """Measures, axes and grades as the page shows them."""
        chosen = grading or self.settings.grading
        try:
            scheme(chosen)
        except KeyError:
            raise RefusedError("there is no such grading") from None
        measured = [one.measured() for one in shown]
        return {
            "side": reading.side,
            "shown_as": self.frame(foot, reading.placed, reading.anew),
            "measures": [self._measure_json(one) for one in shown],
            "axes": self.axes_json(reading.placed, reading.construction),
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

    def _measure_json(self, one: Shown) -> Json:
        measure, held = one.measure, one.held
        value, low, high = (shown_number(v, measure.unit) for v in one.given)
        return {
            "name": measure.name,
            "value": value,
            "low": low,
            "high": high,
            "unit": measure.unit,
            "construction": measure.construction,
            "withheld": one.withheld or None,
            "held": None
            if held is None
            else {
                "cause": held.cause,
                "words": held.words,
                "by_run": held.by_run,
                "points": list(held.codes),
                "acceptable": one.exists,
            },
            "accepted": None if one.accepted is None or held is None else one.accepted["by"],
            "proven": self.proven(measure),
            "low_confidence": measure.low_confidence,
        }

    def proven(self, measure: Measure) -> bool:
        """Whether its error is known on bones that no generator drew: as the run recorded it, by how it was built."""
        if measure in self.run.measures:
            return measure.name in self.run.proven
        return bool(self.run.proven_among((measure,)))

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

    def frame(self, foot: int, placed: PlacedPoints, anew: bool) -> str:
        """As which side the picture shows a foot (L, R), which gives its angles their sign; empty where unknown.

        The points tell. Where they do not, it is what the run saw in the picture, unless that does not count.
        """
        schema = landmark_schema()
        told = shown_side(placed.points, schema, placed.visible) or shown_side(placed.points, schema)
        return told or ("" if anew else self._run_side(foot))

    def _named(self, foot: int) -> str:
        """What the run calls a foot; empty where it found none."""
        side: str = self.run.sides[foot].as_py()
        return side

    def _run_side(self, foot: int) -> str:
        """As which side the run saw a foot, and measured it; never what a file or a letter says."""
        return self._named(foot)

    def _initial(self, foot: int, anew: bool) -> PlacedPoints:
        """Points before any hand: the model's, or none where these do not count."""
        _, initial = self.model(foot)
        if not anew:
            return initial
        nowhere = np.full_like(initial.points, np.nan)
        return PlacedPoints(nowhere, np.ones_like(initial.visible), np.zeros_like(initial.moved))

    def shown(self, foot: int, reading: Reading, standing: Standing | None = None) -> list[Shown]:
        """Every measure of a reading.

        A number that nobody touched is the one that stands: of the last read, or of the run's own table.
        """
        table, _ = self.model(foot)
        placed, frame = reading.placed, self.frame(foot, reading.placed, reading.anew)
        found = self.gauge.measure(placed, table.covariance, frame or "R", self._facts(foot), reading.construction)
        told = self.told(foot, frame, reading.anew)
        touched = self._touched(foot, reading)
        decide = self._deciding()
        rows = []
        for i, one in enumerate(found):
            measure, built_by_run = one.measure, self.run.measures[i]
            as_run = measure.construction == built_by_run.construction
            by_hand = not as_run or reading.anew or not touched.isdisjoint(measure.landmarks)
            numbers: Numbers = NOTHING
            if frame:
                numbers = self._stands_in(standing, reading, measure, frame)
                if not np.isfinite(numbers[0]) and not by_hand and frame == self._run_side(foot):
                    numbers = self._of_the_run(foot, i)
                if not np.isfinite(numbers[0]) and np.isfinite(one.value):
                    numbers = _rounded((one.value, one.low, one.high), measure.unit)
            why_none = "" if np.isfinite(numbers[0]) else one.withheld if frame else _NO_SIDE_SHOWN
            held = self._held(
                foot,
                reading,
                measure,
                told.get(measure.name) if as_run else None,
                ask=not as_run and measure.name not in decide,
                by_hand=by_hand,
                width=one.high - one.low,
            )
            rows.append(Shown(measure, numbers, one.sd, why_none, held, reading.accepted.get(measure.name), by_hand))
        return rows

    def told(self, foot: int, frame: str, anew: bool) -> Mapping[str, Withheld | str]:
        """Measures that the run held back, and why; all of them where the points lie as on the other foot.

        That is so where the model's own points do, and where enough of them were moved to turn the sign of the rest.
        """
        if anew:
            return {}
        seen = self._run_side(foot)
        if seen and frame and not frame == seen == self.frame(foot, self._initial(foot, anew=False), anew=False):
            return {measure.name: SIDE for measure in self.run.measures}
        return self._told_by_run(foot)

    def _told_by_run(self, foot: int) -> Mapping[str, Withheld | str]:
        return {name: why or UNKNOWN for name, why in self.run.withheld(foot).items()}

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
        table, initial = self.model(foot)
        return held_back(
            measure,
            told,
            ask=ask and not reading.anew,
            by_hand=by_hand,
            width=width,
            placed=reading.placed,
            initial=initial,
            table=table,
            limits=self._limits,
        )

    def _deciding(self) -> frozenset[str]:
        """Measures that send a foot to a person; all where the run reports none of those that the limits name."""
        names = frozenset(measure.name for measure in self.run.measures)
        return names & frozenset(self._limits.interval.decides) or names

    def _of_the_run(self, foot: int, measure: int) -> Numbers:
        """Numbers of the run's own table."""
        value, low, high = (float(v) for v in self.run.values[foot, measure])
        return value, low, high

    def _stands_in(self, standing: Standing | None, reading: Reading, measure: Measure, frame: str) -> Numbers:
        """Numbers of the read that stands, where nothing that the measure stands on was changed since."""
        if standing is None:
            return NOTHING
        value, low, high, _, _ = standing.content["values"].get(measure.name, (None, None, None, "", False))
        if value is None or not self._same(standing, reading, measure, frame):
            return NOTHING
        return value, low, high

    def _same(self, standing: Standing, reading: Reading, measure: Measure, frame: str) -> bool:
        """Whether a measure is built in the same way and on the same points as in what stands."""
        stands = standing.content["values"].get(measure.name)
        return (
            stands is not None
            and stands[3] == measure.construction
            and standing.content["frame"] == frame
            and self._on_same_points(standing.reading, reading, measure)
        )

    def _on_same_points(self, one: Reading, other: Reading, measure: Measure) -> bool:
        """Whether what a measure stands on lies alike in two readings, placed by hand or not."""
        before, now = one.placed, other.placed
        needed = [self.codes.index(code) for code in measure.landmarks]
        return (
            one.anew == other.anew
            and np.array_equal(before.points[needed], now.points[needed], equal_nan=True)
            and np.array_equal(before.visible[needed], now.visible[needed])
            and np.array_equal(before.moved[needed], now.moved[needed])
        )

    def _hands(self, foot: int, reading: Reading, standing: Standing, reader: str) -> dict[str, str]:
        """Who changed last what each number in which a hand had part stands on, by measure."""
        before = {measure.name: measure for measure in self.gauge.measures(standing.construction)}
        hands: dict[str, str] = {}
        for one in self.shown(foot, reading):
            measure = one.measure
            if one.by_hand:
                same = measure.construction == before[measure.name].construction
                untouched = same and self._on_same_points(standing.reading, reading, measure)
                hands[measure.name] = (standing.hand(measure.name) if untouched else None) or reader
        return hands

    def _touched(self, foot: int, reading: Reading) -> frozenset[str]:
        """Landmarks that are not as they were before any hand."""
        placed, initial = reading.placed, self._initial(foot, reading.anew)
        changed = placed.moved | (placed.visible != initial.visible)
        return frozenset(code for code, is_changed in zip(self.codes, changed, strict=True) if is_changed)

    def looked_at(self, foot: int, reading: Reading, standing: Standing, sent: MeasureSent, reader: str) -> list[Shown]:
        """Measures as the page asks for them: what its reader accepts is given, but no other number than that one."""
        rows = []
        for one in self.shown(foot, reading, standing):
            name, by = one.measure.name, self._accepted_before(foot, reading, standing, one.measure)
            if sent.accepted is not None:
                value = sent.accepted.get(name)
                asked = name in sent.accepted and value in (None, one.numbers[0])
                by = (by or {"by": reader}) if asked else None
            rows.append(replace(one, accepted=by))
        return rows

    def _accepted_before(self, foot: int, reading: Reading, standing: Standing, measure: Measure) -> Json | None:
        """Who accepted a number, if the measure still stands on the same points."""
        by = standing.reading.accepted.get(measure.name)
        if by is None or not self._same(standing, reading, measure, self.frame(foot, reading.placed, reading.anew)):
            return None
        return by

    def _reading(self, foot: int, standing: Standing, sent: MeasureSent | ReadSent) -> Reading:
        """A foot as the page has it: what was sent, over what stands; nothing accepted yet."""
        anew = standing.reading.anew if sent.anew is None else sent.anew
        before = standing.placed if anew == standing.reading.anew else self._initial(foot, anew)
        return Reading(
            sent.side or standing.side,
            self._construction(sent.construction or standing.construction),
            self._placed(sent.points, before, foot, anew),
            anew,
        )

    def _placed(self, sent: Iterable[PointSent], before: PlacedPoints, foot: int, anew: bool) -> PlacedPoints:
        """Points as sent, over those before; an unmoved point lies where the model put it, whatever was sent."""
        initial = self._initial(foot, anew)
        facts = self._facts(foot)
        points, visible, moved = before.points.copy(), before.visible.copy(), before.moved.copy()
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
        content = self.model_content(foot)
        return Standing(0, OPEN, Reading(content["side"], self.construction, initial), None, None, content)

    def model_content(self, foot: int) -> Json:
        """A foot as the run left it, in the form of a read's content.

        Numbers of a foot whose points lie as on the other foot than the run took it for are held back: their sign is
        turned. The points tell it, never the sign of a number: an angle below zero turns positive.
        """
        side, values = self._named(foot), self.model_values(foot)
        seen, frame = self._run_side(foot), self.frame(foot, self.model(foot)[1], anew=False)
        turned = bool(seen and frame and frame != seen)
        told = {measure.name: SIDE for measure in self.run.measures} if turned else self._told_by_run(foot)
        withheld = {name: why.value if isinstance(why, Withheld) else why for name, why in told.items()}
        if frame != seen:
            values = {name: [None, None, None, *rest] for name, (_, _, _, *rest) in values.items()}
        return completed(
            {
                "state": OPEN,
                "side": side,
                "frame": frame,
                "construction": self.construction,
                "points": {},
                "values": values,
                "withheld": withheld,
                "corrected_by": None,
                "reason": "",
                "note": "",
            }
        )

    def model_values(self, foot: int) -> Json:
        """Numbers of the run's tables by measure: value, low, high, construction, and that no hand was in it."""
        return {
            measure.name: [
                *(shown_number(v, measure.unit) for v in self._of_the_run(foot, i)),
                measure.construction,
                False,
            ]
            for i, measure in enumerate(self.run.measures)
        }

    def doubted(self, foot: int, standing: Standing) -> frozenset[str]:
        """Landmarks that the model doubts, that no hand placed, and on which no number stands that was given."""
        table, placed = self.model(foot)[0], standing.placed
        given = {
            code
            for one in self.shown(foot, standing.reading, standing)
            if not one.withheld
            for code in one.measure.landmarks
        }
        doubtful = ~(table.confidence >= self._limits.landmarks.doubtful_below) & ~placed.moved
        return frozenset(code for i, code in enumerate(self.codes) if doubtful[i] and code not in given)

    def content(self, foot: int, saved: Json) -> Json:
        """A saved read as it counts now: one of an earlier version without what this one would not give."""
        if not is_earlier(saved):
            known: Json = completed(saved)
            return known
        side = self._run_side(foot)
        untouched = saved["side"] == side and not saved["points"] and not self._told_by_run(foot)
        if side and untouched:  # nothing that its points could tell
            plain: Json = taken_over(saved, side, side, {})
            return plain
        reading = self._reading_of(foot, saved)
        frame = self.frame(foot, reading.placed, anew=False)
        held: dict[str, str] = {}
        if saved["values"] and self.told(foot, frame, anew=False):
            held = {one.measure.name: one.cause for one in self.shown(foot, reading) if one.cause}
        taken: Json = taken_over(saved, frame, self._named(foot), held)
        return taken

    def _reading_of(self, foot: int, content: Json) -> Reading:
        """What a read left, its points over those before any hand."""
        anew = content.get("anew", False)
        initial = self._initial(foot, anew)
        points, visible, moved = initial.points.copy(), initial.visible.copy(), initial.moved.copy()
        for code, (x, y, seen, by_hand) in content["points"].items():
            if code in self.codes:
                i = self.codes.index(code)
                points[i] = np.nan if x is None else x, np.nan if y is None else y
                visible[i], moved[i] = seen, by_hand
        built = content["construction"]
        construction = built if built in self.gauge.constructions else self.construction
        placed = PlacedPoints(points, visible, moved)
        return Reading(content["side"], construction, placed, anew, content.get("accepted", {}))

    def _stands(self, foot: int, version: int, at: str, reader: str, saved: Json) -> Standing:
        content = self.content(foot, saved)
        return Standing(
            version,
            content["state"],
            self._reading_of(foot, content),
            content["corrected_by"],
            content["side_by"],
            content,
            reader,
            at,
        )

    def _after(self, foot: int, standing: Standing, sent: ReadSent, reader: str, *, check: bool = True) -> Json:
        """What stands after a read."""
        reading = self._reading(foot, standing, sent)
        if sent.verdict == "wrong_side" and sent.side is None:
            reading = replace(reading, side=other_side(standing.side))
        before = standing.reading
        changed = (
            reading.construction != before.construction
            or reading.anew != before.anew
            or not np.array_equal(reading.placed.points, before.placed.points, equal_nan=True)
            or not np.array_equal(reading.placed.visible, before.placed.visible)
            or not np.array_equal(reading.placed.moved, before.placed.moved)
        )
        renamed = reading.side != before.side
        if check:
            self._check(sent, standing, reading, changed, renamed)
        state = _STATE_AFTER[sent.verdict]
        worked_out: Json = {"values": {}, "accepted": {}, "withheld": {}}
        if state not in NUMBERLESS:
            accepted = self._accepted(foot, reading, standing, sent, reader, check=check)
            worked_out = self.worked_out(foot, replace(reading, accepted=accepted), standing)
        return {
            "state": state,
            "side": reading.side,
            "frame": self.frame(foot, reading.placed, reading.anew),
            "anew": reading.anew,
            "construction": reading.construction,
            "points": self._differing(foot, reading),
            **worked_out,
            "corrected_by": reader if changed else standing.corrected_by,
            "hands": self._hands(foot, reading, standing, reader),
            "side_by": reader if renamed else standing.side_by,
            "reason": sent.reason.strip(),
            "note": sent.note.strip(),
        }

    def worked_out(self, foot: int, reading: Reading, standing: Standing | None = None) -> Json:
        """Numbers of a reading as a read keeps them: given ones, those that were accepted, and why others are held."""
        shown = self.shown(foot, reading, standing)
        return {
            "values": {
                one.measure.name: [
                    *(shown_number(v, one.measure.unit) for v in one.given),
                    one.measure.construction,
                    one.by_hand,
                ]
                for one in shown
            },
            "accepted": {
                one.measure.name: one.accepted for one in shown if one.accepted is not None and one.held is not None
            },
            "withheld": {one.measure.name: one.cause for one in shown if one.cause},
        }

    def _accepted(
        self, foot: int, reading: Reading, standing: Standing, sent: ReadSent, reader: str, *, check: bool
    ) -> dict[str, Json]:
        """Which measures are taken though they are held back, by whom.

        What was accepted before stays so while the measure stands on the same points. A number that is not the one
        that was shown is not taken.
        """
        taken: dict[str, Json] = {}
        for one in self.shown(foot, reading, standing):
            name, held = one.measure.name, one.held
            earlier = self._accepted_before(foot, reading, standing, one.measure)
            wanted = earlier is not None if sent.accepted is None else name in sent.accepted
            if wanted and check and sent.accepted is not None and not one.exists:
                raise RefusedError(f"there is no number of {one.measure.abbreviation} to accept: {one.why_none}")
            if not wanted or held is None:
                continue
            if check and sent.accepted is not None and sent.accepted[name] != one.numbers[0]:
                raise RefusedError(
                    f"the number of {one.measure.abbreviation} is not the one that you accepted: look at it again"
                )
            if one.exists:
                taken[name] = earlier or {"by": reader, "cause": held.cause, "by_run": held.by_run}
        return taken

    def _check(self, sent: ReadSent, standing: Standing, reading: Reading, changed: bool, renamed: bool) -> None:
        verdict, side = sent.verdict, reading.side
        if verdict == "reopen":
            if standing.state == OPEN:
                raise RefusedError("this foot is open already")
            if changed or renamed or sent.accepted is not None:
                raise RefusedError("reopen the foot first, then change it")
        elif standing.state == CONFIRMED:
            raise RefusedError(f"{standing.reader} confirmed this foot: reopen it before it is changed")
        if verdict == "confirm" and (changed or renamed):
            raise RefusedError("something was changed: save it as a correction")
        if verdict == "correct" and not side:
            raise RefusedError("no foot was found here: state the side first")
        if verdict == "cannot_be_measured" and not sent.reason.strip():
            raise RefusedError("say why the foot cannot be measured")
        if verdict == "wrong_side" and not (side and (renamed or reading.anew)):
            raise RefusedError("state the right side, or that the points are to be placed anew")

    def _differing(self, foot: int, reading: Reading) -> Json:
        """Points that are not as they were before any hand."""
        touched, placed = self._touched(foot, reading), reading.placed
        return {
            code: [
                number_or_none(placed.points[i, 0]),
                number_or_none(placed.points[i, 1]),
                bool(placed.visible[i]),
                bool(placed.moved[i]),
            ]
            for i, code in enumerate(self.codes)
            if code in touched
        }


def _reference_json(measure: str) -> Json | None:
    """What published groups show of a measure without a grade: in brief, and every statement with its source."""
    found = reference_values().get(measure)
    return {"brief": found.brief, "says": list(found.sentences)} if found else None


def short(run: str | None) -> str | None:
    """A run as a person is told it: the first twelve digits of its identity."""
    return None if run is None else run[:12]


def _rounded(numbers: Sequence[float], unit: str) -> Numbers:
    """Value, low and high with the decimals that are meant."""
    value, low, high = (np.nan if (known := shown_number(v, unit)) is None else known for v in numbers)
    return value, low, high


def _without_numbers(shown: Iterable[Shown], standing: Standing) -> list[Shown]:
    """Measures of a foot that somebody settled as one without numbers."""
    reason = standing.content["reason"]
    why = f"{NUMBERLESS[standing.state]}{f': {reason}' if reason else ''}"
    return [replace(one, numbers=NOTHING, why_none=why, held=None, accepted=None) for one in shown]


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
