"""Capsules stood up as a foot: axes are known, so are the angles they must show."""

from dataclasses import replace

import numpy as np
import pytest
import torch

from raysplay.configs import landmark_schema
from raysplay.measure import by_name, measure_values
from raysplay.synthetic_data.anatomy.loft import RINGS, SPOKES
from raysplay.synthetic_data.anatomy.person import draw_person
from raysplay.synthetic_data.anatomy.posture import draw_posture
from raysplay.synthetic_data.anatomy.rest import bone_index, bone_names
from raysplay.synthetic_data.anatomy.soft_tissue import soft_tissue
from raysplay.synthetic_data.projection.beam import Beam
from raysplay.synthetic_data.projection.shadow import Subject, project_subjects
from raysplay.synthetic_data.settings import generator_settings
from raysplay.synthetic_data.skeleton.films import read_skeleton
from raysplay.synthetic_data.skeleton.settings import skeleton_settings
from raysplay.synthetic_data.skeleton.stand import SESAMOIDS, stand

from .conftest import one_file_a_bone

ASKED = {"hva": 31.0, "ima": 14.0, "hia": 9.0}
PX = 0.5
FILM = torch.tensor([[[1 / PX, 0.0, 200.0], [0.0, -1 / PX, 300.0], [0.0, 0.0, 1.0]]])


def subject(skeleton, seed, **angles):
    """A foot laid flat under a tube that stands 20 m above, so that shadows keep directions and sizes."""
    rng = np.random.default_rng(seed)
    settings = generator_settings()
    posture = replace(draw_posture(rng, settings.posture, "dp"), foot_pitch=0.0, foot_roll=0.0, leg=False, **angles)
    person, foot, surfaces = stand(rng, skeleton, skeleton_settings(), draw_person(rng, settings.person), posture)
    beam = Beam(distance=20000.0, tilt=0.0, side_tilt=0.0, x=0.0, y=-40.0, gap=0.0)
    return Subject(person, foot, soft_tissue(rng, person, foot), beam, np.ones(len(bone_names())), surfaces=surfaces)


@pytest.fixture(scope="module")
def one_a_file(tmp_path_factory):
    folder = tmp_path_factory.mktemp("one_a_file")
    one_file_a_bone(folder, skeleton_settings("osim_rl"))
    return read_skeleton(folder, skeleton_settings("osim_rl"))


@pytest.mark.parametrize(("which", "seed"), [("skeleton", k) for k in range(4)] + [("one_a_file", 4)])
def test_the_shadow_shows_the_angles_that_were_asked_for(request, which, seed):
    """Capsules are straight, and bearings are angles in the plan view, which a far tube keeps."""
    shadow = project_subjects([subject(request.getfixturevalue(which), seed, **ASKED)], FILM, (800, 400))
    values = measure_values(
        shadow.detector_points.double().numpy(), landmark_schema(), measures=[by_name(name) for name in ASKED]
    )
    assert {name: float(value[0]) for name, value in values.items()} == pytest.approx(ASKED, abs=0.6)


def test_only_the_bones_of_the_skeleton_and_two_sesamoids_are_there(skeleton):
    foot = subject(skeleton, 5)
    assert {name for name, there in zip(bone_names(), foot.foot.present, strict=True) if there} == {
        *skeleton_settings().bones,
        *SESAMOIDS,
    }
    kept = np.isfinite(foot.surfaces).all(axis=(0, 2, 3, 4))
    assert {name for name, own in zip(bone_names(), kept, strict=True) if own} == set(skeleton_settings().bones)


def test_bones_that_a_subject_brings_are_cast_in_place_of_the_lofts(skeleton):
    """One ball of 10 mm, hollow to 8: a ray through its middle runs 20 mm through bone, 16 of them inside."""
    one = subject(skeleton, 6)
    i = bone_index("metatarsal_2")
    polar = np.linspace(0, np.pi, RINGS)[:, None]
    round_ = np.linspace(0, 2 * np.pi, SPOKES, endpoint=False)[None, :]
    ball = np.stack([np.sin(polar) * np.cos(round_), -np.cos(polar) + 0 * round_, np.sin(polar) * np.sin(round_)], -1)
    surfaces = np.full_like(one.surfaces, np.nan)
    surfaces[0, i], surfaces[1, i] = 10.0 * ball, 8.0 * ball
    present = np.arange(len(bone_names())) == i
    origin, frame = one.foot.origin.copy(), one.foot.frame.copy()
    origin[i], frame[i] = [0.0, -40.0, 30.0], np.eye(3)
    alone = replace(one, surfaces=surfaces, foot=replace(one.foot, present=present, origin=origin, frame=frame))
    shadow = project_subjects([alone], FILM, (800, 400))
    middle = 300 + 40 / PX, 200
    assert float(shadow.outer[0, int(middle[0]), middle[1]]) == pytest.approx(20.0, rel=0.02)
    assert float(shadow.inner[0, int(middle[0]), middle[1]]) == pytest.approx(16.0, rel=0.02)
    # Volume of the shell: pixels are PX wide.
    shell = float((shadow.outer - shadow.inner).sum()) * PX**2
    assert shell == pytest.approx(4 / 3 * np.pi * (10.0**3 - 8.0**3), rel=0.04)
