"""Damaged copies of a film: made alike by the same seed, and counted as wrong where an accepted angle moved."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from pydicom import dcmread

from raysplay.configs import landmark_schema
from raysplay.infer.films.decode import FilmReader
from raysplay.infer.films.film import Film
from raysplay.infer.records import FootLandmarks, FoundFoot
from raysplay.infer.robustness.damage import Damage, Row, damages, inside_dicom, read_damaged
from raysplay.synthetic_data.film.compose import FilmRequest, compose_film
from raysplay.synthetic_data.film.settings import clean_settings


@pytest.fixture(scope="module")
def composed():
    return compose_film(5, clean_settings(), FilmRequest(pixel_mm=0.4))


@pytest.fixture(scope="module")
def jpeg(composed) -> bytes:
    stream = io.BytesIO()
    Image.fromarray(np.rint(composed.pixels * 255).astype(np.uint8)).save(stream, "JPEG", quality=80)
    return stream.getvalue()


class OneFoot:
    """Places the true landmarks; where a picture is another one than the sound film's, the hallux turned."""

    digests: dict[str, str] = {}  # noqa: RUF012

    def __init__(self, composed, turn: float) -> None:
        (self._true,) = composed.feet
        self._turn, self._sound = turn, None

    def find(self, film: Film) -> list[FoundFoot]:
        if self._sound is None:
            self._sound = film.pixels
        view = {"dp": 0.97, "oblique": 0.01, "lateral": 0.01, "other": 0.01}
        side = self._true.side
        matrix = np.diag([1.0 if side == "R" else -1.0, 1.0, 1.0])
        matrix[:2, 2] = np.nanmean(self._true.landmarks, axis=0)
        return [FoundFoot(matrix, side, 0.99, 0.99, view)]

    def landmarks(self, film: Film, foot: FoundFoot) -> FootLandmarks:
        schema = landmark_schema()
        points = np.array(self._true.landmarks, dtype=float)
        if film.pixels.shape != self._sound.shape or (film.pixels != self._sound).any():
            hallux = [k for k, code in enumerate(schema.codes) if code.startswith(("PPp", "PPd"))]
            middle = points[hallux].mean(axis=0)
            cos, sin = np.cos(np.radians(self._turn)), np.sin(np.radians(self._turn))
            points[hallux] = (points[hallux] - middle) @ np.array([[cos, -sin], [sin, cos]]) + middle
        size = len(schema)
        return FootLandmarks(foot, points, np.broadcast_to(0.1 * np.eye(2), (size, 2, 2)).copy(), np.full(size, 0.95))


@pytest.fixture
def run(composed, jpeg, tmp_path):
    def read(turn: float, content: bytes = jpeg, number: int = 24) -> list[Row]:
        with FilmReader() as films:
            return read_damaged("a", content, number, 3, films, OneFoot(composed, turn), tmp_path, ("hva", "ima"))[1]

    return read


def test_a_seed_gives_the_same_copies(jpeg) -> None:
    made = list(damages(jpeg, 24, [1, 2]))
    assert made == list(damages(jpeg, 24, [1, 2]))
    assert made[:10] == list(damages(jpeg, 10, [1, 2]))
    assert made != list(damages(jpeg, 24, [1, 3]))
    for damage in made:
        other = damage.done_to(jpeg)
        (changed,) = [i for i, (one, two) in enumerate(zip(jpeg, other, strict=True)) if one != two]
        assert (changed, jpeg[changed], other[changed]) == (damage.offset, damage.before, damage.after)


def test_inside_dicom_the_picture_is_the_same(jpeg) -> None:
    """pydicom's own reading of it, by Pillow, is the reference."""
    ds = dcmread(io.BytesIO(inside_dicom(jpeg)))
    np.testing.assert_array_equal(ds.pixel_array, np.asarray(Image.open(io.BytesIO(jpeg))))
    assert inside_dicom(jpeg) == inside_dicom(jpeg)


@pytest.mark.parametrize("wrapped", [False, True])
def test_every_copy_is_accounted_for(run, jpeg, wrapped) -> None:
    """One film, 24 damages: about half end in a refusal (measured on six films), none in anything but an outcome."""
    rows = run(0.0, inside_dicom(jpeg) if wrapped else jpeg)
    assert len(rows) == 24
    assert {row.outcome for row in rows} <= {"unreadable", "same", "accepted", "review", "refused"}
    refused = [row for row in rows if row.outcome == "unreadable"]
    assert 6 <= len(refused) <= 20
    assert all(row.reasons for row in refused)
    assert not any(row.wrong for row in rows)


def test_an_accepted_angle_that_moved_is_wrong(run) -> None:
    moved = [row for row in run(2.0) if row.outcome == "accepted"]
    assert moved
    assert all(row.wrong for row in moved)
    assert all(row.off["hva"] == pytest.approx(2.0, abs=0.3) for row in moved)
    still = [row for row in run(0.5) if row.outcome == "accepted"]
    assert len(still) == len(moved)
    assert not any(row.wrong for row in still)


def test_a_foot_that_the_sound_film_does_not_have_is_wrong() -> None:
    damage = Damage(0, 1, 2)
    assert Row("a", damage, "accepted", "", {"hva": float("inf")}).wrong
    assert Row("a", damage, "accepted", "", {"hva": float("nan")}).wrong
    assert not Row("a", damage, "review", "", {}).wrong


def test_folder_with_spaces(tmp_path: Path, jpeg, composed) -> None:
    folder = tmp_path / "two words"
    folder.mkdir()
    with FilmReader() as films:
        record, rows = read_damaged("a", jpeg, 2, 3, films, OneFoot(composed, 0.0), folder, ("hva",))
    assert len(record.feet) == 1
    assert len(rows) == 2
