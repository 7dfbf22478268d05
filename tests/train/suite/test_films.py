"""Films of a suite: the same whatever else is written, and what their condition says."""

import numpy as np
import pydicom
import pytest
from PIL import Image

from raysplay.infer.compare.truth import read_truth
from raysplay.train.suite.films import suite_film, write_suite
from raysplay.train.suite.settings import SuiteCondition

CLEAN = SuiteCondition(name="clean", expect="measure", of="clean", pixel_mm=0.9)
JPEG = SuiteCondition(name="jpeg", expect="measure", of="clean", pixel_mm=0.9, jpeg_quality=15)
SIDE = SuiteCondition(name="side", expect="turn away", of="lateral", pixel_mm=0.9)
HAND = SuiteCondition(name="hand", expect="turn away", of="non_foot", pixel_mm=0.9)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    out = tmp_path_factory.mktemp("suite")
    write_suite([CLEAN, JPEG, SIDE, HAND], 1, 5, out)
    return out


def test_a_film_depends_on_its_condition_and_number_alone(folder, tmp_path):
    write_suite([SIDE], 1, 5, tmp_path)
    written = [out / "films" / "side" / "film_00001.dcm" for out in (folder, tmp_path)]
    assert written[0].read_bytes() == written[1].read_bytes()
    assert not np.array_equal(suite_film(SIDE, 5, 0).pixels, suite_film(SIDE, 6, 0).pixels)


def test_truth_names_every_film_by_condition(folder):
    truth = {foot.film: foot for foot in read_truth(folder / "truth.csv")}
    assert set(truth) == {"clean/film_00001.dcm", "jpeg/film_00001.jpg", "side/film_00001.dcm", "hand/film_00001.dcm"}
    assert [truth[name].view for name in sorted(truth)] == ["dp", "other", "dp", "lateral"]
    assert truth["hand/film_00001.dcm"].side == ""
    assert set(truth["clean/film_00001.dcm"].angles) >= {"hva", "ima", "hia", "ima45"}
    assert len(truth["jpeg/film_00001.jpg"].landmarks) > 50
    assert all((folder / "films" / name).is_file() for name in truth)


def test_pixels_have_the_size_that_was_asked_for(folder):
    ds = pydicom.dcmread(folder / "films" / "side" / "film_00001.dcm")
    film = suite_film(SIDE, 5, 0)
    assert film.pixel_mm == pytest.approx(0.9, abs=2e-4)  # rounded up to a tenth of a micrometre
    assert (ds.Rows, ds.Columns) == film.pixels.shape


def test_jpeg_loses_what_its_quality_loses(folder):
    """Quality 15 scales the quantisation of the standard (ISO/IEC 10918-1, annex K) by 5000 / 15 per cent, by the
    Independent JPEG Group's rule: the first step of luminance is 16 x 3.33, rounded, 53."""
    with Image.open(folder / "films" / "jpeg" / "film_00001.jpg") as picture:
        assert picture.format == "JPEG"
        assert picture.quantization[0][0] == 53
        read = np.asarray(picture) / 255
    film = suite_film(JPEG, 5, 0)
    assert 0.002 < np.abs(read - film.pixels).mean() < 0.05


def test_the_field_ends_within_what_a_condition_is_to_be_without():
    cut = SuiteCondition(name="cut", expect="turn away", of="cropped", without=("hva", "ima"), pixel_mm=0.9)
    for number in range(3):
        (foot,) = suite_film(cut, 5, number).feet
        assert np.isnan(foot.measures["hva"]) or np.isnan(foot.measures["ima"])
        assert not foot.visible.all()


def test_feet_of_a_full_turn_point_any_way():
    """The film's section of archive.yaml, where turned is 35 degrees, is overridden: turns up to 180 are drawn."""
    turned = SuiteCondition(name="turned", expect="measure", of="rotated", film={"turned": 180.0}, pixel_mm=0.9)
    ahead = [suite_film(turned, 5, k).feet[0].axes[:, 1] for k in range(6)]
    angles = np.degrees([np.arctan2(x, -y) for x, y in ahead])
    assert np.abs(angles).max() > 60
    assert np.ptp(angles) > 60
