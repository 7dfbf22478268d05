"""A mesh as rings and spokes, against shapes whose surface is a formula."""

import numpy as np
import pytest
import trimesh

from raysplay.synthetic_data.anatomy.loft import RINGS, SPOKES
from raysplay.synthetic_data.skeleton.surface import sample

from .conftest import LENGTH, RADIUS, capsule


def off_the_axis(points, length, radius):
    """Distance of points from the segment that a capsule is the neighbourhood of."""
    along = np.clip(points[..., 1], radius, length - radius)
    return np.linalg.norm(points - np.stack([0 * along, along, 0 * along], axis=-1), axis=-1)


@pytest.mark.parametrize("core", [0.1, 0.2, 0.4])
def test_every_point_lies_on_the_capsule(core):
    bone = sample(capsule(), core)
    assert bone.points.shape == (RINGS, SPOKES, 3)
    assert bone.length == pytest.approx(LENGTH, rel=0.01)
    # 24 facets round: a chord lies up to 1 % within the circle.
    assert off_the_axis(bone.points, LENGTH, RADIUS) == pytest.approx(RADIUS, rel=0.02)


def test_the_bone_is_seen_whole_wherever_it_lies():
    """Turned by 40 degrees about a slanted axis and carried off: place and direction come back."""
    turn = trimesh.transformations.rotation_matrix(np.radians(40), [0.3, 0.2, 1.0])
    placed = capsule()
    placed.apply_transform(turn)
    placed.apply_translation([12.0, -50.0, 30.0])
    bone = sample(placed, 0.2)
    way = turn[:3, :3] @ [0.0, 1.0, 0.0]
    assert bone.frame[:, 1] == pytest.approx(way, abs=0.01)
    assert np.linalg.det(bone.frame) == pytest.approx(1.0)
    assert bone.origin == pytest.approx(np.array([12.0, -50.0, 30.0]) - way * LENGTH / 2, abs=0.1)
    in_foot = bone.origin + bone.points @ bone.frame.T
    assert np.abs(trimesh.proximity.signed_distance(placed, in_foot.reshape(-1, 3))).max() < 0.05


def test_a_slanted_end_has_its_pole_in_its_middle():
    """A capsule sheared at its far end: the middle of the end stays on the axis, its highest point does not."""
    sheared = capsule(radius=5.0, length=60.0)
    place = sheared.vertices.copy()
    place[:, 1] += 0.6 * place[:, 0] * np.clip(place[:, 1] / 25.0, 0.0, 1.0)
    bone = sample(trimesh.Trimesh(place, sheared.faces), 0.2, axis=(0.0, 1.0, 0.0))
    in_foot = bone.origin + bone.points @ bone.frame.T
    highest = in_foot.reshape(-1, 3)[in_foot[..., 1].argmax()]
    assert highest[0] > 2.0
    assert abs(in_foot[-1, 0, 0]) < 0.5 * highest[0]


def test_a_bone_so_curved_that_the_middle_of_its_box_is_outside_is_sampled():
    """A capsule bent along an arc that leaves it by more than its radius."""
    bent = capsule(radius=4.0, length=80.0)
    bent = bent.subdivide().subdivide()
    place = bent.vertices.copy()
    place[:, 0] += 0.009 * place[:, 1] ** 2
    mesh = trimesh.Trimesh(place, bent.faces)
    assert not mesh.contains([mesh.bounds.mean(axis=0)])[0]
    bone = sample(mesh, 0.16)
    in_foot = (bone.origin + bone.points @ bone.frame.T).reshape(-1, 3)
    assert np.abs(trimesh.proximity.signed_distance(mesh, in_foot)).max() < 0.05
    core = bone.origin + bone.core @ bone.frame.T
    assert mesh.contains(core).all()


def test_the_shell_is_as_thick_as_asked():
    bone = sample(capsule(radius=8.0, length=80.0), 0.15)
    inner = bone.inside(2.0, 0.6)
    middle = np.abs(bone.core[:, 1] - 40.0).argmin()
    gap = np.linalg.norm(bone.points - inner, axis=-1)
    assert gap[middle] == pytest.approx(2.0)
    assert gap[[0, -1]] == pytest.approx(0.6 + 1.4 * 0.4, abs=0.3)
    assert (gap > 0).all()


def test_a_mesh_with_a_hole_is_not_sampled():
    opened = capsule()
    opened.update_faces(np.asarray(opened.triangles_center)[:, 0] < 2.0)
    with pytest.raises(ValueError, match="meets no surface"):
        sample(opened, 0.2)
