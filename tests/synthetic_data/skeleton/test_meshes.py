"""Bones told apart in files of meshes, and one clear error for a folder that does not fit."""

import os
import shutil
from pathlib import Path

import numpy as np
import pytest

from raysplay.synthetic_data.skeleton.meshes import SkeletonError, read_bones
from raysplay.synthetic_data.skeleton.settings import skeleton_settings

from .conftest import LENGTH, RADIUS, capsule, file_of, one_file_a_bone

SETTINGS = skeleton_settings()


def test_every_bone_is_found_where_the_list_says_with_its_size(capsules):
    bones = read_bones(capsules, SETTINGS)
    assert bones.keys() == SETTINGS.bones.keys()
    volume = np.pi * RADIUS**2 * (LENGTH - 2 * RADIUS) + 4 / 3 * np.pi * RADIUS**3
    for name, mesh in bones.items():
        assert mesh.is_watertight
        assert mesh.bounds.mean(axis=0) == pytest.approx(SETTINGS.bones[name].middle, abs=0.05)
        assert mesh.extents == pytest.approx([2 * RADIUS, LENGTH, 2 * RADIUS], rel=0.02)
        assert mesh.volume == pytest.approx(volume, rel=0.08)  # positive: normals point outward


def test_a_missing_file_a_missing_bone_and_a_torn_surface_are_named(capsules, tmp_path):
    folder = tmp_path / "meshes"
    shutil.copytree(capsules, folder)
    (folder / "r_talus.stl").unlink()
    with pytest.raises(SkeletonError, match=r"r_talus\.stl: no readable mesh"):
        read_bones(folder, SETTINGS)
    shutil.copy(capsules / "r_talus.stl", folder)
    file_of("r_foot.stl", without={"cuboid"}).export(folder / "r_foot.stl")
    with pytest.raises(SkeletonError, match=r"r_foot\.stl: cuboid: none near"):
        read_bones(folder, SETTINGS)
    torn = capsule()
    torn.update_faces(np.abs(np.asarray(torn.triangles_center)[:, 0]) < 3.0)
    torn.apply_translation(np.array(SETTINGS.bones["talus"].middle) - SETTINGS.files["r_talus.stl"].shift)
    back = np.empty_like(torn.vertices)
    back[:, list(SETTINGS.axes)] = torn.vertices / SETTINGS.to_mm
    torn.vertices = back
    shutil.copy(capsules / "r_foot.stl", folder)
    torn.export(folder / "r_talus.stl")
    with pytest.raises(SkeletonError, match="talus"):
        read_bones(folder, SETTINGS)


@pytest.mark.parametrize("name", ["osim_rl", "bodyparts3d"])
def test_bones_that_come_one_a_file_need_no_place(tmp_path, name):
    """The second list reads files whose axes run medial and backward."""
    settings = skeleton_settings(name)
    one_file_a_bone(tmp_path, settings)
    bones = read_bones(tmp_path, settings)
    assert bones.keys() == settings.bones.keys()
    talus = bones["talus"]
    assert talus.bounds.mean(axis=0) == pytest.approx(SETTINGS.bones["talus"].middle, abs=0.05)
    assert talus.extents == pytest.approx([2 * RADIUS, LENGTH, 2 * RADIUS], rel=0.02)
    file_of("r_foot.stl").export(tmp_path / settings.bones["cuboid"].file)
    with pytest.raises(SkeletonError, match=r"cuboid\w*\.stl: cuboid: \d+ parts in place of one bone"):
        read_bones(tmp_path, settings)


@pytest.mark.skipif("RAYSPLAY_SKELETON" not in os.environ, reason="RAYSPLAY_SKELETON names no folder of meshes")
def test_the_digitised_bones_have_the_proportions_of_an_adult_foot():
    """Against one adult female foot from CT: public bone geometries described in Viceconti, Clapworthy and Van Sint
    Jan 2008, J Physiol Sci; lengths in mm measured there. Two people differ: 20 % is allowed."""
    from raysplay.synthetic_data.skeleton.films import read_skeleton

    folder = Path(os.environ["RAYSPLAY_SKELETON"])
    length = {name: bone.length for name, bone in read_skeleton(folder, SETTINGS).items()}
    ct = {
        "metatarsal_1": 71.2,
        "metatarsal_2": 81.7,
        "metatarsal_3": 77.9,
        "metatarsal_4": 74.7,
        "metatarsal_5": 74.4,
        "proximal_phalanx_1": 35.1,
        "distal_phalanx_1": 28.6,
    }
    for name, mm in ct.items():
        assert length[name] == pytest.approx(mm, rel=0.2), name
