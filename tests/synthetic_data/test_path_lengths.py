"""Path lengths of projected bodies against the chords of elementary geometry."""

import numpy as np
import pytest
import torch

from raysplay.synthetic_data.projection.beam import Beam
from raysplay.synthetic_data.projection.shadow import project_subjects

from .conftest import heading, lay, throw

PIXEL = 0.25
BEAM = Beam(900.0, 12.0, 3.0, x=5.0, y=10.0, gap=6.0)


def rays(shape, at):
    """Unit direction from the focal spot to every pixel centre of a film with ``at`` in its middle."""
    rows, columns = shape
    x = (np.arange(columns) - columns / 2) * PIXEL + at[0]
    y = -(np.arange(rows) - rows / 2) * PIXEL + at[1]
    target = np.stack(np.broadcast_arrays(x[None, :], y[:, None], -BEAM.gap), axis=-1)
    way = target - np.array(BEAM.focus)
    return way / np.linalg.norm(way, axis=-1, keepdims=True)


def ball_chord(shape, at, centre, radius):
    way = rays(shape, at)
    to_centre = centre - np.array(BEAM.focus)
    missed = np.linalg.norm(np.cross(way, to_centre), axis=-1)
    return 2 * np.sqrt(np.clip(radius**2 - missed**2, 0, None))


def test_a_ball_has_the_chords_of_a_sphere():
    radius, size, at = 11.0, (240, 240), (0.0, 0.0)
    base = np.array([0.0, -radius, 30.0])
    subject = lay({"metatarsal_1": (base, heading(0.0, 0.0))}, BEAM, width=2 * radius, ball=True)
    outer = throw(subject, size, PIXEL, at).outer[0].numpy()
    chord = ball_chord(size, at, base + np.array([0.0, radius, 0.0]), radius)
    # The body lies inside the sphere: corners every 12.9 degrees round the ring and rings at most 14.4 degrees
    # apart leave 0.6 % + 0.8 % of the radius on either side where the ray meets it squarely.
    deep = chord > 1.8 * radius
    assert deep.sum() > 1000
    assert np.abs(outer - chord)[deep].max() < 0.035 * radius
    assert (outer - chord).max() < 0.02 * radius
    assert outer.sum() == pytest.approx(chord.sum(), rel=0.025)
    assert outer[chord == 0].max() == 0.0


@pytest.mark.parametrize("mirror", [False, True])
def test_a_tube_has_the_chords_of_a_cylinder_outside_and_inside(mirror):
    radius, cortex = 6.0, 1.5
    axis = heading(20.0, 0.0)
    base = np.array([0.0, -30.0, 25.0])
    subject = lay({"metatarsal_1": (base, axis)}, BEAM, length=70.0, width=2 * radius, cortex=cortex)
    size, at = (200, 200), (9.0, 0.0)
    shadow = throw(subject, size, PIXEL, at)
    if mirror:
        matrix = torch.tensor([[-1 / PIXEL, 0, size[1] / 2 + at[0] / PIXEL], [0, -1 / PIXEL, size[0] / 2], [0, 0, 1.0]])
        shadow = project_subjects([subject], matrix[None], size)
    way = rays(size, at)
    focus = np.array(BEAM.focus)
    normal = np.cross(way, axis)
    slope = np.linalg.norm(normal, axis=-1)
    missed = np.abs(((base - focus) * normal).sum(-1)) / slope
    chords = [2 * np.sqrt(np.clip(r**2 - missed**2, 0, None)) / slope for r in (radius, radius - cortex)]
    along = ((focus - base) @ axis) + (way @ axis) * np.linalg.norm(base - focus)
    shaft = (along > 20.0) & (along < 50.0)
    if mirror:
        # Column c of the mirrored film shows what column 200 - c of the other shows.
        chords = [np.roll(c[:, ::-1], 1, axis=1) for c in chords]
        shaft = np.roll(shaft[:, ::-1], 1, axis=1)
    for picture, chord, r in zip(
        (shadow.outer[0].numpy(), shadow.inner[0].numpy()), chords, (radius, radius - cortex), strict=True
    ):
        deep = shaft & (chord > r)
        assert deep.sum() > 500
        # 28 corners on a ring: a chord is short by 2 (1 - cos(pi / 28)) r = 1.3 % of r at most.
        assert np.abs(picture - chord)[deep].max() < 0.03 * r
        assert picture.min() > -1e-3


def test_bodies_add_up_and_order_does_not_matter():
    axis = heading(0.0, 0.0)
    one = {"metatarsal_1": (np.array([0.0, -30.0, 40.0]), axis)}
    other = {"metatarsal_2": (np.array([-30.0, 0.0, 20.0]), heading(90.0, 0.0))}
    size, at = (120, 120), (5.0, -5.0)
    both = throw(lay({**one, **other}, BEAM), size, PIXEL, at).outer
    apart = throw(lay(one, BEAM), size, PIXEL, at).outer + throw(lay(other, BEAM), size, PIXEL, at).outer
    assert float((both - apart).abs().max()) < 2e-3
    assert float(both.max()) > 15.0
