"""A run of the lighthouse island: few persons, feet laid at known angles, filmed on known days.

The feet are the invented one of the reference page, laid at angles by ``measure.realigned`` (tested by itself).
"""

import contextlib
import hashlib
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from raysplay.configs.load import landmark_schema, shipped
from raysplay.configs.protocol import protocol
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.films.film import Film, Spacing, SpacingKind
from raysplay.infer.films.loading import Loading
from raysplay.infer.outputs.finished_run import FilmFacts, FinishedRun
from raysplay.infer.outputs.run_folder import RunFolder
from raysplay.infer.outputs.run_writer import RunWriter
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import Decision, FilmRecord, FootLandmarks, FootRecord, FoundFoot, Measurement, Outcome
from raysplay.infer.review.films import FilmShelf
from raysplay.infer.review.open_desk import OpenDesk
from raysplay.infer.review.reading import FootGauge, PlacedPoints
from raysplay.infer.review.settings import review_settings
from raysplay.infer.review.store import ReadStore
from raysplay.measure.realigned import realigned
from raysplay.train.reference_page.foot import REFERENCE_FOOT

MM = 0.2
ROWS, COLUMNS = 1200, 900
ORIGIN = np.array([450.0, 700.0])
KEEPER, COOK = "1111222233334444", "5555666677778888"


@dataclass
class Foot:
    """A foot on a film: ``hva`` and ``ima`` in degrees, spread of its points in pixels; landmarks moved by mm."""

    side: str = "R"
    hva: float = 30.0
    ima: float = 15.0
    spread: float = 0.8
    decision: str = "accepted"
    withheld: dict = field(default_factory=dict)
    confidence: dict = field(default_factory=dict)
    moved: dict = field(default_factory=dict)


@dataclass
class FilmOf:
    """A film: whose, when, how loaded, with which feet."""

    person: str = KEEPER
    taken: str = "2025-03-01"
    loading: Loading = Loading.FULL
    feet: tuple = (Foot(),)
    spacing: SpacingKind = SpacingKind.DETECTOR_PLANE


def laid(hva, ima):
    """Points of the invented foot in mm, right-foot frame."""
    points = np.array([REFERENCE_FOOT[code] for code in landmark_schema().codes])
    return realigned(points, landmark_schema(), hva=hva, ima=ima)


def on_film(points, side):
    return ORIGIN + points * [(1.0 if side == "R" else -1.0) / MM, -1.0 / MM]


@pytest.fixture
def make_run(tmp_path):
    """``make_run({film: FilmOf(...)}, reported=[...])`` writes a run and gives its folder."""

    def made(films, out="run", reported=None, weights=None):
        reading = protocol().model_copy(update={"reported": tuple(reported)}) if reported else protocol()
        measures = reading.reported_measures()
        gauge = FootGauge(measures, protocol(), decision_settings(), review_settings().hand_placed)
        writer = RunWriter(RunFolder(tmp_path / out), landmark_schema(), measures, overlays=False)
        for name, one in films.items():
            spacing = (
                Spacing(MM, MM, one.spacing)
                if one.spacing is not SpacingKind.UNKNOWN
                else Spacing(None, None, one.spacing)
            )
            facts = FilmFacts(name, "", ROWS, COLUMNS, spacing.row_mm, spacing.column_mm, 1.0, one.spacing.value, ())
            records = []
            for foot in one.feet:
                placed = laid(foot.hva, foot.ima)
                for code, shift in foot.moved.items():
                    placed[landmark_schema().index(code)] += shift
                points = on_film(placed, foot.side)
                covariance = np.tile(foot.spread**2 * np.eye(2), (len(points), 1, 1))
                confidence = np.full(len(points), 0.95)
                for code, value in foot.confidence.items():
                    confidence[landmark_schema().index(code)] = value
                found = FoundFoot(
                    np.eye(3), foot.side, 0.99, 0.98, {"dp": 0.97, "oblique": 0.01, "lateral": 0.01, "other": 0.01}
                )
                outcome = Outcome(foot.decision)
                if outcome is Outcome.REFUSED:
                    nowhere = FootLandmarks(found, np.full_like(points, np.nan), covariance, confidence)
                    why = (Reason(ReasonKind.NOT_DORSOPLANTAR, "not a dorsoplantar view: looks oblique (0.99)"),)
                    records.append(FootRecord(nowhere, (), Decision(outcome, why)))
                    continue
                shown = np.ones(len(points), bool)
                read = gauge.measure(
                    PlacedPoints(points, shown, ~shown), covariance, foot.side, facts, gauge.construction
                )
                numbers = []
                for m in read:
                    why = foot.withheld.get(m.measure.name)
                    value = (np.nan,) * 3 if why else (m.value, m.low, m.high)
                    numbers.append(
                        Measurement(m.measure.name, *value, m.measure.unit, m.measure.construction, withheld=why)
                    )
                records.append(
                    FootRecord(
                        FootLandmarks(found, points, covariance, confidence), tuple(numbers), Decision(outcome, ())
                    )
                )
            blank = np.broadcast_to(np.float32(0), (ROWS, COLUMNS))
            film = Film(
                Path(name),
                blank,
                spacing,
                sha256=hashlib.sha256(name.encode()).hexdigest(),
                person=one.person,
                taken=one.taken,
                loading=one.loading,
            )
            writer.write(FilmRecord(name, tuple(records), None, ()), film)
        return writer.finish(
            command=["raysplay", "measure"],
            wall_seconds=1.0,
            weights=weights or {},
            protocol=shipped("protocol.yaml"),
            films=tmp_path,
        )

    return made


@pytest.fixture
def open_desk():
    """``open_desk(folder)`` gives a desk over a run; everything is closed at the end."""
    with contextlib.ExitStack() as stack:

        def opened(folder):
            run = FinishedRun(folder)
            reads = ReadStore.beside(folder, run.identity)
            stack.callback(reads.close)
            settings = review_settings()
            shelf = stack.enter_context(FilmShelf(run, None, settings.films.cache_bytes))
            return OpenDesk(run, reads, shelf, settings)

        yield opened


@pytest.fixture
def film_of():
    return FilmOf


@pytest.fixture
def foot_of():
    return Foot
