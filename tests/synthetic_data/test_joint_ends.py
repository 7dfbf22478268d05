"""Ends of joint surfaces on outlines whose corners are known by construction.

Which point is meant stands in ``configs/landmarks.yaml``; where it lies follows from the shape that is drawn. A bone
from a mesh is laid in rings in one way, a generated one in another: no point may hang on that.
"""

import numpy as np
import pytest
import torch

from raysplay.configs import landmark_schema
from raysplay.measure import by_name, measure_values
from raysplay.synthetic_data.anatomy.loft import RINGS, SPOKES
from raysplay.synthetic_data.anatomy.rest import bone_index, bone_names
from raysplay.synthetic_data.projection.landmarks import landmarks

EVEN = np.linspace(0, 1, RINGS)
CROWDED = EVEN**0.4
"""Two ways to lay rings along a bone; the second has most of them near its tip."""


def slab(place, width, length, slant=0.0, rings=EVEN):
    """An upright bone (RINGS, SPOKES, 2) whose base stands at ``place``, its tip cut ``slant`` degrees askew."""
    x = np.linspace(-0.5, 0.5, SPOKES) * width
    y = rings[:, None] * (length - np.tan(np.radians(slant)) * x[None])
    return np.stack([np.broadcast_to(x, y.shape), y], axis=-1) + place


def filled(corners, rng):
    """A polygon (RINGS, SPOKES, 2) with its corners somewhere among its points, in no order."""
    corners = np.asarray(corners, float)
    inside = rng.dirichlet(np.ones(len(corners)), RINGS * SPOKES - len(corners)) @ corners
    return rng.permutation(np.concatenate([corners, inside])).reshape(RINGS, SPOKES, 2)


def foot(**bones):
    """A foot of upright slabs side by side, some of its bones replaced."""
    names = bone_names()
    outlines = np.stack([slab((20.0 * k, 0.0), 12.0, 40.0) for k in range(len(names))])
    for name, outline in bones.items():
        outlines[bone_index(name)] = outline
    return torch.tensor(outlines, dtype=torch.float64)[None]


def points(outlines, sampled=True):
    count = outlines.shape[1]
    found = landmarks(
        outlines,
        torch.zeros((1, count, 2), dtype=outlines.dtype),
        torch.ones((1, count), dtype=torch.bool),
        torch.tensor([sampled]),
    )
    return found.numpy()


def at(found, code):
    return found[0, landmark_schema().index(code)]


@pytest.mark.parametrize("rings", [EVEN, CROWDED], ids=["even", "crowded"])
@pytest.mark.parametrize("slant", [-8.0, 0.0, 15.0])
def test_the_head_of_a_sampled_metatarsal_ends_at_its_corners(slant, rings):
    found = points(foot(metatarsal_1=slab((0.0, 0.0), 20.0, 60.0, slant, rings)))
    rise = 10 * np.tan(np.radians(slant))
    assert at(found, "M1_art_med") == pytest.approx((-10.0, 60 + rise))
    assert at(found, "M1_art_lat") == pytest.approx((10.0, 60 - rise))
    # The surface is tipped laterally by as much as it was cut.
    measured = measure_values(found, landmark_schema(), measures=[by_name("dmaa")])["dmaa"][0]
    assert measured == pytest.approx(slant, abs=1e-6)


def test_a_generated_head_keeps_the_ring_where_its_surface_ends():
    outlines = foot(metatarsal_1=slab((0.0, 0.0), 20.0, 60.0))
    end = at(points(outlines, sampled=False), "M1_art_med")
    assert end[0] == pytest.approx(-10.0)
    assert 40.0 < end[1] < 59.0


def test_the_surface_of_the_navicular_ends_at_its_corners_not_at_the_tip_beside_them():
    rng = np.random.default_rng(5)
    place = np.array([400.0, 100.0])
    ends = {"med": (-15.0, 0.0), "lat": (12.0, -2.0)}
    boat = [ends["med"], ends["lat"], (17.0, 6.0), (8.0, 14.0), (-12.0, 13.0)]
    talus = slab(place - (0.0, 62.0), 26.0, 60.0)
    found = points(foot(navicular=filled(boat, rng) + place, talus=talus))
    for side, end in ends.items():
        assert at(found, f"NAV_art_{side}") == pytest.approx(place + end), side


@pytest.mark.parametrize("turn", [0.0, 25.0, -20.0])
def test_the_ends_of_a_cuneiform_askew_to_the_foot_are_halved_between_their_corners(turn):
    rng = np.random.default_rng(6)
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    turned = np.array([[c, s], [-s, c]])
    block = np.array([(-7.0, 0.0), (7.0, 0.0), (8.0, 20.0), (-8.0, 20.0)])
    place = np.array([300.0, 10.0])
    found = points(foot(intermediate_cuneiform=filled(block @ turned.T, rng) + place))
    assert at(found, "C2p") == pytest.approx(place, abs=1e-9)
    assert at(found, "C2d") == pytest.approx(place + turned @ (0.0, 20.0), abs=1e-9)
    measured = measure_values(found, landmark_schema(), measures=[by_name("maa_engel")])["maa_engel"][0]
    assert measured == pytest.approx(turn, abs=1e-6)


def test_the_lateral_border_of_the_midfoot_runs_from_joint_to_joint():
    """A cuboid with a lateral wall that leans in toward the heel, as on the films of every foot."""
    rng = np.random.default_rng(7)
    place = np.array([500.0, 50.0])
    joints = {"CC_lat": (6.0, 0.0), "MC5_lat": (14.0, 17.0)}
    block = [(-14.0, 3.0), joints["CC_lat"], (11.0, 10.0), joints["MC5_lat"], (6.0, 26.0), (-10.0, 30.0)]
    found = points(foot(cuboid=filled(block, rng) + place))
    for code, joint in joints.items():
        assert at(found, code) == pytest.approx(place + joint), code


def test_the_medial_border_of_the_midfoot_lies_where_joints_open():
    """Halfway between the medial ends of both bones: 2 mm apart here at either joint."""
    rng = np.random.default_rng(8)
    boat = np.array([(-15.0, 62.0), (12.0, 60.0), (17.0, 66.0), (8.0, 74.0), (-12.0, 73.0)])
    wedge = np.array([(-12.0, 76.0), (6.0, 76.0), (6.0, 98.0), (-12.0, 98.0)])
    found = points(
        foot(
            talus=slab((0.0, 0.0), 26.0, 60.0),
            navicular=filled(boat, rng),
            medial_cuneiform=filled(wedge, rng),
            metatarsal_1=slab((-3.0, 100.0), 18.0, 60.0),
        )
    )
    assert at(found, "TN_med") == pytest.approx((-14.0, 61.0))
    assert at(found, "C1M1_med") == pytest.approx((-12.0, 99.0))


def test_the_fourth_metatarsal_meets_the_cuboid_at_the_lateral_corner_of_its_base():
    found = points(foot(metatarsal_4=slab((50.0, 30.0), 12.0, 60.0, rings=CROWDED)))
    assert at(found, "MC4_lat") == pytest.approx((56.0, 30.0))
