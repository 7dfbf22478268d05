"""Whole films: what stands where, and that the truth belongs to the picture."""

import hashlib

import numpy as np
import pytest
import torch

from raysplay.configs import landmark_schema
from raysplay.measure import measure_values, to_foot_frame
from raysplay.synthetic_data.anatomy.other_parts import OTHER_PARTS, part_field
from raysplay.synthetic_data.film.compose import FilmRequest, _lay, compose_film
from raysplay.synthetic_data.subject import draw_subject


def point(foot, code):
    return foot.landmarks[landmark_schema().index(code)]


@pytest.mark.parametrize("toes", ["up", "down", "left", "right"])
@pytest.mark.parametrize("side", ["R", "L"])
def test_a_foot_lies_as_asked(small, side, toes):
    # Seen from above with the toes up, a right foot has its great toe on the left: common knowledge, no source.
    request = FilmRequest(layout="single", views=("dp",), sides=(side,), toes=toes, whole=True)
    film = compose_film([5, 3], small(turned_share=0.0), request)
    (foot,) = film.feet
    distal = point(foot, "M2_tip") - point(foot, "M2_base_c")
    lateral = point(foot, "M5_tip") - point(foot, "M1_tip")
    ahead = {"up": (0, -1), "down": (0, 1), "left": (-1, 0), "right": (1, 0)}[toes]
    assert distal @ np.array(ahead) > 0.85 * np.linalg.norm(distal)
    turned_clockwise = distal[0] * lateral[1] - distal[1] * lateral[0] > 0
    assert turned_clockwise == (side == "R")


def test_two_feet_in_one_exposure_stand_with_the_great_toes_inside(small):
    film = compose_film([5, 4], small(turned_share=0.0), FilmRequest(layout="both", toes="up", whole=True))
    left, right = sorted(film.feet, key=lambda foot: foot.box[0])
    assert (left.side, right.side) == ("L", "R")
    assert point(left, "M5_tip")[0] < point(left, "M1_tip")[0]
    assert point(left, "M1_tip")[0] < point(right, "M1_tip")[0] < point(right, "M5_tip")[0]


@pytest.mark.parametrize("seed", range(4))
def test_both_feet_of_an_exposure_see_one_focal_spot(small, seed):
    # One tube, one film: mapped to the plate, focal spot and central point of both feet must coincide.
    ((first, second),) = _lay(
        *(np.random.default_rng(seed) for _ in range(2)), (5, seed), "both", small(), FilmRequest()
    )
    assert {first.side, second.side} == {"L", "R"}
    for place in (lambda beam: beam.focus[:2], lambda beam: (beam.x, beam.y)):
        seen = [foot.linear @ place(foot.subject.beam) + foot.shift for foot in (first, second)]
        assert seen[0] == pytest.approx(seen[1], abs=1e-6)
    assert first.subject.beam.focus[2] == pytest.approx(second.subject.beam.focus[2])
    # And it leans as the first foot's tube was drawn to lean: toward the toes that it stands over.
    assert first.subject.beam.tilt == pytest.approx(draw_subject(first.seed, "dp")[0].beam.tilt, abs=6.0)


def test_measures_follow_from_the_landmarks_and_not_from_the_posture(small):
    film = compose_film([5, 6], small(), FilmRequest(layout="single", views=("dp",), sides=("L",), whole=True))
    (foot,) = film.feet
    framed, _ = to_foot_frame(foot.landmarks[None], None, ["L"])
    again = measure_values(framed, landmark_schema())
    for name in ("hva", "ima", "hia", "ima45"):
        assert foot.measures[name] == pytest.approx(float(again[name][0]), abs=1e-9)
    assert max(abs(foot.measures[n] - foot.posed[n]) for n in foot.posed) > 0.1


def test_the_truth_is_the_same_on_a_finer_film_and_on_its_mirror_image(small):
    def film(side, pixel_mm):
        request = FilmRequest(layout="single", views=("dp",), sides=(side,), toes="up", pixel_mm=pixel_mm, whole=True)
        return compose_film([5, 7], small(), request).feet[0].measures

    coarse, fine, mirrored = film("R", 0.8), film("R", 0.5), film("L", 0.8)
    for name in ("hva", "ima", "hia", "ima45"):
        assert fine[name] == pytest.approx(coarse[name], abs=0.01)
        assert mirrored[name] == pytest.approx(coarse[name], abs=0.01)


def test_bones_are_bright_where_the_landmarks_say(small):
    request = FilmRequest(layout="single", views=("dp",), toes="up", whole=True, letter="missing")
    brighter = []
    for seed in range(8):
        film = compose_film([6, seed], small(turned_share=0.0), request)
        (foot,) = film.feet
        for code in ("M1p", "M1d", "M2d", "PPp"):
            medial, lateral = point(foot, f"{code}_med"), point(foot, f"{code}_lat")
            aside = lateral - medial
            x, y = np.rint(0.5 * (medial + lateral)).astype(int)
            inside = film.pixels[y - 1 : y + 2, x - 1 : x + 2].mean()
            x, y = np.rint(medial - 0.35 * aside if code[0] == "M" else lateral + 0.5 * aside).astype(int)
            brighter.append(inside > film.pixels[y - 1 : y + 2, x - 1 : x + 2].mean())
    assert np.mean(brighter) > 0.8


def test_boxes_hold_the_foot_and_lie_on_the_film(small):
    for seed in range(10):
        film = compose_film([7, seed], small(pixel_mm=(0.9, 1.0)))
        rows, columns = film.pixels.shape
        assert film.pixels.dtype == np.float32
        assert film.pixels.min() >= 0.0
        assert film.pixels.max() <= 1.0
        for foot in film.feet:
            left, top, right, bottom = foot.box
            assert 0 <= left < right <= columns - 1
            assert 0 <= top < bottom <= rows - 1
            seen = foot.landmarks[foot.visible]
            assert len(seen) > 20
            assert (seen >= np.array([left, top]) - 1e-6).all()
            assert (seen <= np.array([right, bottom]) + 1e-6).all()
            if foot.view != "dp":
                assert all(np.isnan(value) for value in foot.measures.values())


def test_a_cut_foot_has_no_measure_that_needs_what_is_off_the_film(small):
    schema = landmark_schema()
    settings = small(cut_share=1.0, cut=(60.0, 90.0), forefoot_share=0.0)
    cut = 0
    for seed in range(6):
        film = compose_film([8, seed], settings, FilmRequest(layout="single", views=("dp",)))
        (foot,) = film.feet
        needed = [schema.index(f"{bone}{end}") for bone in ("M1", "PP") for end in ("p_med", "p_lat", "d_med", "d_lat")]
        assert np.isnan(foot.measures["hva"]) == (not foot.visible[needed].all())
        cut += not foot.visible.all()
    assert cut >= 3


def test_side_letters_are_right_unless_a_wrong_one_is_asked_for(small):
    for letter, expected in (("right", {"R": "R", "L": "L"}), ("wrong", {"R": "L", "L": "R"})):
        for side in "RL":
            request = FilmRequest(layout="single", views=("dp",), sides=(side,), letter=letter)
            film = compose_film([9, 1], small(), request)
            (mark,) = (m for m in film.marks if m.kind == "letter")
            assert mark.text[0] == expected[side]
    film = compose_film([9, 1], small(), FilmRequest(layout="single", letter="missing"))
    assert not [m for m in film.marks if m.kind == "letter"]


def test_each_letter_lies_next_to_its_own_foot(small):
    right = 0
    for seed in range(6):
        settings = small()
        settings = settings.model_copy(update={"marks": settings.marks.model_copy(update={"letter_each": 1.0})})
        film = compose_film([10, seed], settings, FilmRequest(layout="both", toes="up", letter="right", whole=True))
        centre = {foot.side: np.array(foot.box).reshape(2, 2).mean(0) for foot in film.feet}
        for mark in film.marks:
            if mark.kind == "letter":
                nearest = min(centre, key=lambda side: np.hypot(*(centre[side] - (mark.x, mark.y))))
                right += nearest == mark.text[0]
    assert right >= 11


@pytest.mark.parametrize("part", OTHER_PARTS)
def test_another_part_makes_a_film_of_its_size_without_a_foot(small, part):
    settings = small(pixel_mm=(0.9, 1.0), turn=(0.0, 0.0), turned_share=0.0)
    film = compose_film([11, 1], settings, FilmRequest(part=part, toes="up"))
    assert film.feet == ()
    assert film.pixels.max() > 0.3
    # The field of the part, and at most the widest margin and border on either side.
    extent = np.array(film.pixels.shape[::-1]) * film.pixel_mm
    spare = extent - part_field(part)
    assert (spare > 2 * settings.film.margin[0] - 1.0).all()
    assert (spare < 2 * (settings.film.margin[1] + settings.collimation.border[1]) + 1.0).all()


def test_the_number_of_threads_does_not_change_a_film(small):
    before = torch.get_num_threads()
    digests = set()
    try:
        for threads in (1, 2):
            torch.set_num_threads(threads)
            for _ in range(2):
                film = compose_film([12, 1], small(pixel_mm=(0.35, 0.4)))
                digests.add(hashlib.sha256(film.pixels.tobytes()).hexdigest())
                assert torch.get_num_threads() == threads
    finally:
        torch.set_num_threads(before)
    assert len(digests) == 1
