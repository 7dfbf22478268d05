"""Projection against the tables of the project's fact sheet, sections 5.1 and 5.3 (computed there, tag D)."""

from dataclasses import replace

import numpy as np
import pytest
import torch

from raysplay.configs import landmark_schema
from raysplay.measure import measure_values
from raysplay.synthetic_data.anatomy.pose import pose
from raysplay.synthetic_data.projection.beam import Beam, project, ray_angle
from raysplay.synthetic_data.projection.shadow import project_landmarks, project_subjects
from raysplay.synthetic_data.subject import draw_subject

from .conftest import heading, lay, throw

TILTS = (0.0, 10.0, 15.0, 20.0, 25.0)
# Bearing and inclination of both metatarsals, then the apparent IMA at each tilt. Case b of the sheet is left out:
# it does not print its bearings and inclinations.
IMA = {
    "a": ((-14.0, 20.0), (0.0, 16.0), (14.0, 13.2, 12.8, 12.4, 12.0)),
    "c": ((-22.0, 15.0), (-6.0, 14.0), (16.0, 15.3, 14.9, 14.6, 14.2)),
}
HVA = (32.0, 31.2, 30.8, 30.4, 30.0)
LENGTH_FACTOR = (0.940, 1.000, 1.031, 1.064, 1.099)
MAGNIFICATION = {1000.0: (1.010, 1.020, 1.031, 1.042), 600.0: (1.017, 1.035, 1.053, 1.071)}

FAR = 20000.0
"""Distance in mm at which the beam is parallel enough for a table of parallel rays: 0.2 degrees over 70 mm."""


def apparent(first, second, tilt):
    middle = np.array([0.0, 35.0, 20.0])
    bodies = {}
    for name, (bearing, inclination), x in (
        ("metatarsal_1", first, -20.0),
        ("metatarsal_2", second, 0.0),
        ("proximal_phalanx_1", (first[0] + 32.0, 0.0), -40.0),
    ):
        axis = heading(bearing, inclination)
        bodies[name] = (middle + np.array([x, 0.0, 0.0]) - 30.0 * axis, axis)
    beam = Beam(FAR, tilt, 0.0, x=-20.0, y=35.0, gap=0.0)
    shadow = throw(lay(bodies, beam), (64, 64), 1.0, (0.0, 35.0))
    schema = landmark_schema()
    points = shadow.detector_points.double().numpy()
    values = measure_values(points, schema)
    return float(values["ima"][0]), float(values["hva"][0])


@pytest.mark.parametrize("case", IMA)
@pytest.mark.parametrize("column", range(len(TILTS)))
def test_cast_tubes_show_the_tabled_ima(case, column):
    first, second, row = IMA[case]
    ima, _ = apparent(first, second, TILTS[column])
    assert ima == pytest.approx(row[column], abs=0.15)


@pytest.mark.parametrize("column", range(len(TILTS)))
def test_cast_tubes_show_the_tabled_hva(column):
    _, hva = apparent((-14.0, 20.0), (0.0, 16.0), TILTS[column])
    assert hva == pytest.approx(HVA[column], abs=0.15)


def on_detector(points, beam):
    place, closeness = project(
        torch.tensor(np.atleast_2d(points))[None],
        torch.tensor([beam.focus], dtype=torch.float64),
        torch.tensor([beam.gap], dtype=torch.float64),
    )
    return place[0].numpy(), closeness[0].numpy()


@pytest.mark.parametrize("column", range(len(TILTS)))
def test_tilt_changes_the_projected_length_as_tabled(column):
    axis = heading(0.0, 20.0)
    ends = np.array([0.0, 0.0, 30.0]) + np.outer([-0.5, 0.5], axis)
    place, _ = on_detector(ends, Beam(1e7, TILTS[column], 0.0, x=0.0, y=0.0, gap=0.0))
    assert np.linalg.norm(place[1] - place[0]) == pytest.approx(LENGTH_FACTOR[column], abs=0.0006)


@pytest.mark.parametrize("distance", MAGNIFICATION)
@pytest.mark.parametrize("k", range(4))
def test_magnification_is_as_tabled(distance, k):
    height, gap = 10.0 * (k + 1), 4.0
    beam = Beam(distance, 0.0, 0.0, x=0.0, y=0.0, gap=gap)
    place, closeness = on_detector([[30.0, -20.0, height - gap]], beam)
    # The sheet rounds 600 / 580 = 1.0345 up.
    assert closeness[0] == pytest.approx(MAGNIFICATION[distance][k], abs=0.0006)
    assert place[0] == pytest.approx(closeness[0] * np.array([30.0, -20.0]))


@pytest.mark.parametrize("distance", MAGNIFICATION)
def test_a_cast_tube_is_magnified_as_tabled(distance):
    beam = Beam(distance, 0.0, 0.0, x=0.0, y=30.0, gap=0.0)
    subject = lay({"metatarsal_1": (np.array([0.0, 0.0, 30.0]), heading(0.0, 0.0))}, beam)
    schema = landmark_schema()
    points = throw(subject, (64, 64), 1.0, (0.0, 30.0)).detector_points[0].double().numpy()
    proximal, distal = (points[schema.index(f"M1{end}_med")] for end in ("p", "d"))
    # 40 % of a length of 60 mm. The upper edge of a blunt end lies 5 mm higher and is magnified a little more.
    assert np.linalg.norm(distal - proximal) / 24.0 == pytest.approx(MAGNIFICATION[distance][2], abs=0.012)


def test_the_tilted_ray_leans_toward_the_heel():
    beam = Beam(1000.0, 15.0, 0.0, x=5.0, y=-10.0, gap=20.0)
    place, _ = on_detector([[5.0, -10.0, 80.0]], beam)
    # 100 mm over the detector; what is high falls toward the heel (-y).
    assert place[0] == pytest.approx([5.0, -10.0 - 100.0 * np.tan(np.radians(15.0)) / 0.9], abs=1e-3)


@pytest.mark.parametrize(
    ("tilt", "pitch", "roll"), [(0.0, 0.0, 0.0), (20.0, 0.0, 0.0), (12.0, 9.0, 0.0), (12.0, -9.0, 6.0)]
)
def test_the_ray_that_meets_a_foot_leans_by_tilt_and_by_how_far_the_forefoot_is_raised(tilt, pitch, roll):
    """By the angles alone: a beam from far away, its ray through the foot's pivot."""
    subject, posture = draw_subject([5, 1])
    foot = pose(subject.person, replace(posture, foot_pitch=pitch, foot_roll=roll))
    x, y, z = foot.pivot
    beam = Beam(1e6, tilt, 0.0, x=float(x), y=float(y - z * np.tan(np.radians(tilt))), gap=0.0)
    assert ray_angle(beam, foot) == pytest.approx(tilt + pitch, abs=0.3)
    toes = (foot.turn @ np.array([0.0, 1.0, 0.0]))[2]
    assert toes == pytest.approx(np.sin(np.radians(pitch)), abs=0.01)


def test_a_diverging_beam_meets_a_foot_further_back_more_steeply():
    """1 m above the plate, 100 mm further from below the focal spot: atan(0.1 / 1) or so more."""
    subject, posture = draw_subject([5, 1])
    foot = pose(subject.person, replace(posture, foot_pitch=0.0, foot_roll=0.0))
    near, far = (ray_angle(Beam(1000.0, 0.0, 0.0, 18.0, y, 10.0), foot) for y in (-60.0, 40.0))
    assert far - near == pytest.approx(np.degrees(np.arctan(100.0 / 965.0)), abs=0.5)


def test_landmarks_without_films_are_those_of_the_films():
    subjects = [draw_subject([6, k])[0] for k in range(3)]
    points, exist = project_landmarks(subjects)
    shadow = project_subjects(subjects, torch.eye(3).expand(3, 3, 3), (8, 8))
    torch.testing.assert_close(points, shadow.detector_points)
    assert torch.equal(exist, shadow.placed)
