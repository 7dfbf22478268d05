"""From the points of a generated foot to the tables, the ledger and Python; and that nothing else changes by it but
where the leg lies in the picture."""

from dataclasses import replace

import numpy as np
import pytest

from raysplay.configs.protocol import protocol
from raysplay.infer.archive.stored_film import restored, stored
from raysplay.infer.beam import beam_angle as told
from raysplay.infer.network.weights_error import WeightsError
from raysplay.infer.outputs.tables import BEAM, feet_header, feet_rows, read_reasons
from raysplay.infer.reason import ReasonKind
from raysplay.infer.records import BeamAngle, FootLandmarks, FoundFoot, Outcome
from raysplay.infer.result_tables import to_arrow
from raysplay.infer.results import film_result
from raysplay.infer.visit.language import language
from raysplay.synthetic_data.projection.beam import ray_angle
from raysplay.synthetic_data.projection.shadow import project_landmarks
from raysplay.synthetic_data.subject import draw_subject

PX = 4.0
"""Pixels a millimetre."""


def under(tilt):
    """A generated foot, flat on the plate, under a beam of that tilt."""
    subject, _ = draw_subject([90210, 4])
    foot = subject.foot
    flat = replace(
        foot,
        origin=foot.pivot + (foot.origin - foot.pivot) @ foot.turn,
        frame=foot.turn.T @ foot.frame,
        turn=np.eye(3),
    )
    return replace(subject, foot=flat, beam=replace(subject.beam, tilt=tilt, side_tilt=0.0, x=18.0, y=-55.0))


def placed(subject, side="R", sd=0.6, view=None):
    points = project_landmarks([subject])[0][0].double().numpy() * [1.0 if side == "R" else -1.0, -1.0]
    points = (points - points.min(0)) * PX + 80.0
    linear = np.diag([1.0 if side == "R" else -1.0, 1.0])
    film_from_crop = np.eye(3)
    film_from_crop[:2, :2], film_from_crop[:2, 2] = linear, points.mean(0)
    found = FoundFoot(
        film_from_crop, side, 0.99, 0.98, view or {"dp": 0.97, "oblique": 0.01, "lateral": 0.01, "other": 0.01}
    )
    covariance = np.broadcast_to(sd**2 * np.eye(2), (len(points), 2, 2)).copy()
    return FootLandmarks(found, points, covariance, np.full(len(points), 0.95))


@pytest.fixture
def read(tmp_path, read_one_foot):
    from PIL import Image

    def run(landmarks, leg_mm=0):
        high, wide = (int(side) + 80 for side in landmarks.points.max(0)[::-1])
        pixels = np.full((high + round(leg_mm * PX), wide), 40, dtype=np.uint8)
        pixels[60 : high - 60, 60 : wide - 60] = 140
        # Toes point up: the leg runs down from the heel to the edge of the film, 70 mm wide.
        pixels[high - 60 : len(pixels) if leg_mm else 0, wide // 2 - 140 : wide // 2 + 140] = 160
        Image.fromarray(pixels).save(tmp_path / "quay.png")
        return read_one_foot(landmarks)

    return run


@pytest.mark.parametrize("side", ["R", "L"])
def test_a_steep_beam_is_told_in_ledger_table_and_python(read, side):
    subject = under(38.0)
    assert ray_angle(subject.beam, subject.foot) == pytest.approx(38.0, abs=3.0)
    reading = read(placed(subject, side))
    record, _ = restored("quay.png", stored(reading.record, reading.film))
    (foot,) = record.feet
    assert foot.decision.outcome is Outcome.ACCEPTED
    assert foot.beam.low < ray_angle(subject.beam, subject.foot) < foot.beam.high
    measures = protocol().reported_measures()
    (row,) = feet_rows(record, measures)
    cells = dict(zip(feet_header(measures), row, strict=True))
    assert [cells[name] for name in BEAM] == [round(one) for one in (foot.beam.value, foot.beam.low, foot.beam.high)]
    assert cells["reason_kinds"].split("; ")[-1] == "beam_unusual"
    german = language("de")
    (said,) = (one for one in read_reasons(cells["reasons"], cells["reason_kinds"]) if one.kind.value == "beam_unusual")
    assert german.phrase(said.text).startswith("Strahl, eine unbewiesene Schätzung: ")
    film = film_result(record, measures, frozenset())
    assert film.feet[0].beam == BeamAngle(*(float(cells[name]) for name in BEAM))
    assert [to_arrow([film])[name].to_pylist() for name in BEAM] == [[cells[name]] for name in BEAM]


def test_a_usual_beam_is_told_without_a_remark(read):
    (foot,) = read(placed(under(12.0))).record.feet
    assert foot.beam is not None
    assert ReasonKind.BEAM_UNUSUAL not in [one.kind for one in foot.decision.reasons]


def test_no_number_and_no_verdict_changes_by_it(read, monkeypatch):
    with_it = read(placed(under(38.0))).record.feet[0]
    monkeypatch.setattr("raysplay.infer.pipeline.beam_angle", lambda *_: None)
    without = read(placed(under(38.0))).record.feet[0]
    assert with_it.beam is not None
    assert without.beam is None
    assert with_it.measurements == without.measurements
    assert with_it.decision.outcome is without.decision.outcome is Outcome.ACCEPTED
    assert with_it.decision.reasons[:-1] == without.decision.reasons


@pytest.mark.parametrize("side", ["R", "L"])
def test_with_the_leg_in_the_picture_a_steep_beam_sends_the_foot_to_a_person(read, side):
    """As on films of the ankle that show the foot (FracAtlas, CC BY 4.0, judged by eye; counts: the model card)."""
    without = read(placed(under(38.0), side)).record.feet[0]
    reading = read(placed(under(38.0), side), leg_mm=160)
    record, _ = restored("quay.png", stored(reading.record, reading.film))
    (foot,) = record.feet
    assert without.decision.outcome is Outcome.ACCEPTED
    assert foot.decision.outcome is Outcome.REVIEW
    assert [one.kind for one in foot.decision.reasons if one.kind is not ReasonKind.CONSTRUCTION_SENSITIVE] == [
        ReasonKind.ANKLE_VIEW
    ]
    assert foot.measurements == without.measurements, "a person starts from the same numbers"
    assert foot.beam is None, "the column is of accepted feet; the reason has the angle"
    german = language("de")
    (said,) = (one.text for one in foot.decision.reasons if one.kind is ReasonKind.ANKLE_VIEW)
    assert german.phrase(said).startswith("vielleicht eine Aufnahme des Sprunggelenks: ")


def test_with_the_leg_in_the_picture_a_usual_beam_sends_nobody(read):
    (foot,) = read(placed(under(12.0)), leg_mm=160).record.feet
    assert foot.decision.outcome is Outcome.ACCEPTED


@pytest.mark.parametrize(
    "view",
    [
        {"dp": 0.5, "oblique": 0.48, "lateral": 0.01, "other": 0.01},
        {"dp": 0.01, "oblique": 0.01, "lateral": 0.97, "other": 0.01},
    ],
)
def test_nothing_is_said_of_a_foot_that_goes_to_a_person_or_is_refused(read, view):
    record = read(placed(under(38.0), view=view)).record
    assert record.feet[0].decision.outcome is not Outcome.ACCEPTED
    assert record.feet[0].beam is None
    (row,) = feet_rows(record, protocol().reported_measures())
    assert "beam_unusual" not in " ".join(map(str, row))


def test_without_its_weights_a_run_ends_before_any_film(read, monkeypatch, tmp_path):
    told.angle_model.cache_clear()
    monkeypatch.setattr(told, "of_network", lambda name: tmp_path / f"{name}.safetensors")
    with pytest.raises(WeightsError, match=r"^beam_angle\.safetensors: "):
        read(placed(under(12.0)))
    told.angle_model.cache_clear()
