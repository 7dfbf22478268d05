"""The archive of films: the form of ``raysplay synthesize``, the truth that the bones give and no other."""

import csv

import numpy as np
import pydicom
import pytest

from raysplay.configs import landmark_schema
from raysplay.measure import by_name, measure_values, to_foot_frame
from raysplay.synthetic_data.archive import LANDMARK_COLUMNS, truth_columns
from raysplay.synthetic_data.skeleton.films import write_skeleton_archive
from raysplay.synthetic_data.skeleton.meshes import SkeletonError
from raysplay.synthetic_data.skeleton.settings import skeleton_settings


@pytest.fixture(scope="module")
def archive(skeleton, tmp_path_factory):
    out = tmp_path_factory.mktemp("archive")
    write_skeleton_archive(skeleton, skeleton_settings(), 2, 11, out)
    return out


def rows(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_truth_follows_from_the_landmarks_beside_it(archive):
    feet, points = rows(archive / "truth.csv"), rows(archive / "truth_landmarks.csv")
    assert tuple(feet[0]) == truth_columns()
    assert tuple(points[0]) == LANDMARK_COLUMNS
    schema = landmark_schema()
    for foot in feet:
        assert foot["view"] == "dp"
        assert (archive / "films" / foot["film"]).is_file()
        known = {p["landmark"]: (float(p["x"]), float(p["y"])) for p in points if p["film"] == foot["film"]}
        assert known.keys() == {code for name in skeleton_settings().known for code in by_name(name).landmarks}
        place = np.array([[known.get(code, (np.nan, np.nan)) for code in schema.codes]])
        framed, _ = to_foot_frame(place, None, [foot["foot"]])
        for name in skeleton_settings().known:
            again = float(measure_values(framed, schema, measures=[by_name(name)])[name][0])
            assert float(foot[name]) == pytest.approx(again, abs=0.01)
        assert foot["dmaa"] == ""


def test_the_same_seed_gives_the_same_bytes(archive, skeleton, tmp_path):
    write_skeleton_archive(skeleton, skeleton_settings(), 1, 11, tmp_path)
    name = rows(tmp_path / "truth.csv")[0]["film"]
    assert (tmp_path / "films" / name).read_bytes() == (archive / "films" / name).read_bytes()
    assert pydicom.dcmread(tmp_path / "films" / name).pixel_array.std() > 0


def test_feet_of_one_severity_can_be_asked_for(skeleton, tmp_path):
    write_skeleton_archive(skeleton, skeleton_settings(), 2, 4, tmp_path, hva=(40.0, 42.0))
    assert all(34 < float(foot["hva"]) < 48 for foot in rows(tmp_path / "truth.csv"))
    with pytest.raises(SkeletonError, match="no stance has an HVA from 90 to 95 degrees"):
        write_skeleton_archive(skeleton, skeleton_settings(), 1, 4, tmp_path, hva=(90.0, 95.0))
