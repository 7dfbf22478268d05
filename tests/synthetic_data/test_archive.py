"""Archives: the same bytes from the same seed, valid DICOM, truth that fits the films."""

import csv
import hashlib
import shutil
import subprocess
import warnings
from dataclasses import replace

import numpy as np
import pydicom
import pytest
import torch
from pydicom.pixels import apply_voi_lut

from raysplay.configs import landmark_schema
from raysplay.infer.compare.truth import read_truth
from raysplay.measure import measure_values, to_foot_frame
from raysplay.synthetic_data.archive import FILMS, LANDMARKS, write_archive
from raysplay.synthetic_data.dicom_file import draw_writing, film_dataset, patient_orientation
from raysplay.synthetic_data.film.compose import FilmRequest, compose_film

N, SEED = 14, 23


def digest(folder):
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def archive(tmp_path_factory, small):
    out = tmp_path_factory.mktemp("archive")
    seen = []
    truth = write_archive(N, SEED, out, lambda done, whole: seen.append((done, whole)), small(), workers=2)
    assert seen == [(k + 1, N) for k in range(N)]
    return out, truth


def rows(path):
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_the_same_seed_gives_the_same_bytes_whatever_the_threads_and_processes(archive, tmp_path, small):
    out, _ = archive
    before = torch.get_num_threads()
    try:
        for threads in (1, 2):
            torch.set_num_threads(threads)
            write_archive(4, SEED, tmp_path / str(threads), None, small(), workers=1)
    finally:
        torch.set_num_threads(before)
    assert digest(tmp_path / "1") == digest(tmp_path / "2")
    films = digest(out / FILMS)
    assert {name: films[name] for name in digest(tmp_path / "1" / FILMS)} == digest(tmp_path / "1" / FILMS)
    write_archive(2, SEED + 1, tmp_path / "other", None, small())
    assert not set(digest(tmp_path / "other" / FILMS).values()) & set(films.values())


def test_every_film_reads_as_it_was_written(archive):
    out, _ = archive
    names = sorted(path.name for path in (out / FILMS).iterdir())
    assert len(names) == N
    uids = set()
    photometric, kinds = set(), set()
    for name in names:
        ds = pydicom.dcmread(out / FILMS / name)
        uids |= {ds.SOPInstanceUID, ds.SeriesInstanceUID, ds.StudyInstanceUID}
        assert ds.file_meta.TransferSyntaxUID == pydicom.uid.ExplicitVRLittleEndian
        # PS3.5 B.2: a UID derived from a UUID is 2.25 and the decimal value of 128 bits.
        assert all(uid.is_valid and uid.startswith("2.25.") and int(uid[5:]) < 2**128 for uid in uids)
        assert (ds.BodyPartExamined, ds.BitsAllocated, ds.HighBit) == ("FOOT", 16, ds.BitsStored - 1)
        assert 10 <= ds.BitsStored <= 16
        assert ds.pixel_array.max() < 2**ds.BitsStored
        assert ds.PatientBirthDate == ""
        assert ds.PatientID.startswith("GEN")
        photometric.add(ds.PhotometricInterpretation)
        kinds.add(ds.Modality)
    assert len(uids) == 3 * N
    assert photometric == {"MONOCHROME1", "MONOCHROME2"}
    assert "DX" in kinds


@pytest.mark.parametrize("monochrome1", [False, True])
@pytest.mark.parametrize("bits", [10, 16])
def test_a_viewer_shows_the_composed_film(small, monochrome1, bits):
    film = compose_film([31, 1], small())
    writing = draw_writing(np.random.default_rng(1), small().dicom, film)
    full = 2**bits - 1
    writing = replace(writing, monochrome1=monochrome1, bits=bits, low=full // 10, high=full * 9 // 10, window=True)
    ds = film_dataset(film, writing, "test")
    # PS3.3 C.11.2: the window comes before the photometric interpretation, which only then turns grey round.
    shown = apply_voi_lut(ds.pixel_array, ds).astype(float) / full
    if monochrome1:
        shown = 1 - shown
    assert np.abs(shown - film.pixels).max() < 2 / (0.8 * full)


def test_dciodvfy_finds_no_error(archive):
    checker = shutil.which("dciodvfy")
    if checker is None:
        warnings.warn("dciodvfy (Debian package dicom3tools) is not installed: films were NOT validated", stacklevel=1)
        pytest.skip("dciodvfy (Debian package dicom3tools) is not installed")
    out, _ = archive
    for path in sorted((out / FILMS).iterdir()):
        said = subprocess.run([checker, str(path)], capture_output=True, text=True, check=False)
        lines = (said.stdout + said.stderr).splitlines()
        assert [line for line in lines if line.startswith(("Error", "Abort"))] == []
        assert any(line in ("DXImageForPresentation", "CRImage") for line in lines)


def test_truth_names_every_film_and_fits_the_landmarks(archive):
    out, truth = archive
    feet, points = rows(truth), rows(out / LANDMARKS)
    assert {foot["film"] for foot in feet} == {path.name for path in (out / FILMS).iterdir()}
    schema = landmark_schema()
    checked = 0
    for foot in feet:
        ds = pydicom.dcmread(out / FILMS / foot["film"], stop_before_pixels=True)
        x, y, width, height = (float(foot[key]) for key in ("x", "y", "width", "height"))
        assert 0 <= x - width / 2 < x + width / 2 <= ds.Columns
        assert 0 <= y - height / 2 < y + height / 2 <= ds.Rows
        stated = ds.get("ImageLaterality") or ds.get("Laterality")
        assert stated in (foot["foot"], "B", "", None)
        own = [p for p in points if (p["film"], p["foot_index"]) == (foot["film"], foot["foot_index"])]
        if foot["view"] != "dp":
            assert own == []
            assert foot["hva"] == ""
            continue
        array = np.full((1, len(schema), 2), np.nan)
        for p in own:
            assert p["foot"] == foot["foot"]
            array[0, schema.index(p["landmark"])] = float(p["x"]), float(p["y"])
        framed, _ = to_foot_frame(array, None, [foot["foot"]])
        for name, value in measure_values(framed, schema).items():
            if name in ("hva", "ima", "hia", "ima45") and np.isfinite(value[0]):
                # Points are printed to a thousandth of a pixel; the great toe's axis is some 15 pixels long here.
                assert float(foot[name]) == pytest.approx(float(value[0]), abs=0.03)
                checked += 1
    assert checked > 20


def test_evaluation_reads_the_truth(archive):
    _, truth = archive
    feet = read_truth(truth)
    assert len(feet) == len(rows(truth))
    assert any(foot.landmarks and "hva" in foot.angles for foot in feet)


def test_patient_orientation_of_feet_with_the_toes_up_and_down(small):
    # PS3.3 C.7.6.1.1.1: letters of the direction of the rows and of the columns. Seen from above with the toes up,
    # the right hand side of the film is the patient's right, and its lower edge lies toward the heel (posterior).
    for toes, expected in (("up", ["R", "P"]), ("down", ["L", "A"]), ("left", ["P", "L"])):
        for side in "RL":
            request = FilmRequest(layout="single", views=("dp",), sides=(side,), toes=toes)
            film = compose_film([32, 1], small(pixel_mm=(0.9, 1.0), turned_share=0.0), request)
            assert patient_orientation(film.feet[0]) == expected
