"""Side letters on films: letters in fonts that training did not see, put on grounds drawn here.

Fonts: Aileron (Pillow's default), Computer Modern typewriter (matplotlib), and strokes of Hershey's, below.
That every film bears an R or L of lead, placed with the exposure, is common practice, no source.
"""

import os
from pathlib import Path

import matplotlib
import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageFont
from scipy import ndimage

from raysplay.infer.films.side_letters import side_letters
from raysplay.infer.settings import reading_settings

# Strokes of R and L in the simplex font of A. V. Hershey (National Bureau of Standards, 1967), from memory.
HERSHEY = {
    "L": [[(4, 21), (4, 0)], [(4, 0), (16, 0)]],
    "R": [
        [(4, 21), (4, 0)],
        [(4, 21), (13, 21), (16, 20), (17, 19), (18, 17), (18, 15), (17, 13), (16, 12), (13, 11), (4, 11)],
        [(11, 11), (18, 0)],
    ],
}


def glyph(text, font, height=200):
    """Coverage 0..1 of a text whose capitals are ``height`` pixels high, trimmed."""
    image = Image.new("L", (1400, 500))
    pen = ImageDraw.Draw(image)
    if font == "hershey":
        scale, width = height / 21, round(0.13 * height)
        for stroke in HERSHEY[text]:
            pen.line([(60 + x * scale, 400 - y * scale) for x, y in stroke], fill=255, width=width, joint="curve")
    else:
        file = Path(matplotlib.get_data_path()) / "fonts/ttf/cmtt10.ttf"
        face = ImageFont.truetype(str(file), 1.6 * height) if font == "cmtt10" else ImageFont.load_default(1.4 * height)
        pen.text((100, 60), text, fill=255, font=face, stroke_width=round(0.03 * height))
    return np.asarray(image.crop(image.getbbox()), np.float32) / np.float32(255)


def turned_to(ink, height, mirrored, angle):
    ink = ink[:, ::-1] if mirrored else ink
    image = Image.fromarray(np.pad(ink, 6)).rotate(angle, Image.Resampling.BILINEAR, expand=True)
    factor = height / ink.shape[0]
    size = [max(3, round(side * factor)) for side in image.size]
    return np.asarray(image.resize(size, Image.Resampling.BOX), np.float32)


def put(film, ink, left, top, step, blur=0.0):
    """The film with ink that brightens it, and the middle of the ink."""
    layer = np.zeros(film.shape, np.float32)
    layer[top : top + ink.shape[0], left : left + ink.shape[1]] = ink
    layer = ndimage.gaussian_filter(layer, blur) if blur else layer
    return np.clip(film + step * layer, 0, 1).astype(np.float32), left + ink.shape[1] / 2, top + ink.shape[0] / 2


def drawn_on(rng, film, letter, mirrored, angle, share, font):
    """A letter at the darkest of thirty places, of some contrast and softness; where it is, its height."""
    height = share * max(film.shape)
    ink = turned_to(glyph(letter, font), height, mirrored, angle)
    rows, columns = (side - part - 8 for side, part in zip(film.shape, ink.shape, strict=True))
    spots = [(int(rng.integers(4, rows)), int(rng.integers(4, columns))) for _ in range(30)]
    means = [film[y : y + ink.shape[0], x : x + ink.shape[1]].mean() for y, x in spots]
    y, x = spots[int(np.argmin(means))]
    step, blur = float(rng.uniform(0.3, 0.9)), float(rng.uniform(0, 0.04)) * height
    return (*put(film, ink, x, y, step, blur), height)


def ground(seed=3, size=(1200, 1000)):
    """A dark film with grain and a soft bright foot-like bar in its middle."""
    rng = np.random.default_rng(seed)
    film = 0.12 + 0.02 * rng.normal(size=size)
    y, x = np.mgrid[: size[0], : size[1]]
    film += 0.5 / (1 + np.exp((np.abs(x - size[1] / 2) - 130) / 12)) * (y > 150)
    return np.clip(film, 0, 1).astype(np.float32)


def read(letter, *, mirrored=False, angle=0.0, height=48, font="aileron", step=0.7, blur=0.0, at=(120, 300)):
    film, _, _ = put(ground(), turned_to(glyph(letter, font), height, mirrored, angle), *at, step, blur)
    return [(one.letter, one.mirrored) for one in side_letters(film)]


FONTS = ("aileron", "cmtt10", "hershey")


@pytest.mark.parametrize("font", FONTS)
@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("letter", ["L", "R"])
def test_upright_letters_are_read_with_their_mirror_image(letter, mirrored, font):
    assert read(letter, mirrored=mirrored, font=font) == [(letter, mirrored)]


@pytest.mark.parametrize("angle", [0, 90, 180, 270])
@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("letter", ["L", "R"])
def test_a_turned_letter_is_no_mirrored_one(letter, mirrored, angle):
    assert read(letter, mirrored=mirrored, angle=angle) == [(letter, mirrored)]


@pytest.mark.parametrize("letter", ["L", "R"])
def test_a_tilted_letter_is_read_or_left_out_and_never_another_one(letter):
    said = [
        (read(letter, mirrored=mirrored, angle=angle), [(letter, mirrored)])
        for mirrored in (False, True)
        for angle in range(-40, 41, 8)
    ]
    assert all(found in ([], wanted) for found, wanted in said)
    assert sum(found == wanted for found, wanted in said) >= 0.75 * len(said)


def test_the_place_and_size_of_a_letter_are_those_on_the_film():
    """On a film that is reduced for the look, too."""
    film, x, y = put(ground(size=(2400, 2000)), turned_to(glyph("R", "aileron"), 90, False, 0), 200, 700, 0.7)
    (found,) = side_letters(film)
    assert (found.letter, found.mirrored) == ("R", False)
    assert np.hypot(found.x - x, found.y - y) < 5
    assert 80 < found.height < 105
    assert 0.97 <= found.score <= 1


def test_a_film_and_its_mirror_image_bear_the_same_letters_the_other_way_round():
    """What one reading finds, the other finds: no letter is easier to find plain than mirrored."""
    film, _, _ = put(ground(size=(1200, 1001)), turned_to(glyph("R", "cmtt10"), 60, False, 8), 140, 420, 0.5, 1.5)
    plain, turned = side_letters(film), side_letters(np.ascontiguousarray(film[:, ::-1]))
    assert [(one.letter, one.mirrored) for one in plain] == [("R", False)]
    assert [(one.letter, one.mirrored) for one in turned] == [("R", True)]
    assert turned[0].x == pytest.approx(1000 - plain[0].x, abs=1)


@pytest.mark.parametrize("angle", [0, 90, 180, 270])
@pytest.mark.parametrize("width", [0.04, 0.12, 0.2])
def test_a_corner_mark_of_equal_arms_is_no_letter(angle, width):
    """It is its own mirror image, turned: an L cannot be told from a mirrored one."""
    ink = np.zeros((200, 200), np.float32)
    ink[:, : round(200 * width)] = 1
    ink[-round(200 * width) :] = 1
    film, _, _ = put(ground(), turned_to(ink, 60, False, angle), 120, 300, 0.7)
    assert side_letters(film) == []


@pytest.mark.parametrize("word", ["ANKLE", "ERECT", "LAT", "BROAD"])
@pytest.mark.parametrize("angle", [0, 90])
def test_letters_of_a_word_are_no_side_letters(word, angle):
    film, _, _ = put(ground(), turned_to(glyph(word, "aileron"), 40, False, angle), 60, 300, 0.7)
    assert side_letters(film) == []


@pytest.mark.parametrize("text", list("ABCDEFGHIJKMNOPQSTUVWXYZ0123456789"))
def test_other_characters_are_no_side_letters(text):
    assert read(text, height=60) == []


def test_what_lies_over_bone_is_no_side_letter():
    """A letter stands beside a foot; over bone the grey round it varies, and edges of bone may look like one."""
    film = ground()
    grain = ndimage.gaussian_filter(np.random.default_rng(6).normal(size=film.shape), 7)
    bone = (film + 0.1 * grain / grain.std() + 0.2).astype(np.float32)
    drawn, _, _ = put(bone, turned_to(glyph("R", "aileron"), 60, False, 0), 120, 300, 0.45)
    settings = reading_settings().side_letters
    assert [one.letter for one in side_letters(drawn, settings.model_copy(update={"uneven_most": 9.0}))] == ["R"]
    assert side_letters(drawn) == []


def test_initials_below_a_letter_do_not_hide_it():
    film, _, _ = put(ground(), turned_to(glyph("R", "aileron"), 60, False, 0), 120, 300, 0.7)
    film, _, _ = put(film, turned_to(glyph("MS", "aileron"), 20, False, 0), 120, 375, 0.7)
    assert [(one.letter, one.mirrored) for one in side_letters(film)] == [("R", False)]


def test_a_word_close_below_a_letter_does_not_hide_it():
    """As workstations print it: the word half as high, its characters run together, hardly a gap between."""
    film, _, bottom = put(ground(), turned_to(glyph("R", "aileron"), 60, False, 0), 120, 300, 0.7)
    block = np.ones((26, 44), np.float32)
    film, _, _ = put(film, block, 120, round(bottom + 30 + 14), 0.7)
    assert [(one.letter, one.mirrored) for one in side_letters(film)] == [("R", False)]


def test_a_film_without_a_letter_and_one_that_is_black_bear_none():
    assert side_letters(ground()) == []
    assert side_letters(np.zeros((400, 300), np.float32)) == []


def test_a_letter_half_of_which_is_cut_off_is_left_out():
    ink = turned_to(glyph("R", "aileron"), 60, False, 0)
    film, _, _ = put(ground(), ink[: len(ink) // 2], 120, 300, 0.7)
    assert side_letters(film) == []


@pytest.mark.skipif("RAYSPLAY_OPEN_FILMS" not in os.environ, reason="NO OPEN FILMS: letters on real films not tested")
def test_letters_on_open_films():
    """FracAtlas (CC BY 4.0), judged by eye; 82 L, 47 and 2307 R; 2134 and 3757 bear none."""
    folder = Path(os.environ["RAYSPLAY_OPEN_FILMS"])
    for number, letters in {47: ["R"], 82: ["L"], 2307: ["R"], 2134: [], 3757: []}.items():
        with Image.open(folder / f"dp_{number:07d}.jpg") as opened:
            pixels = np.asarray(opened.convert("L"), np.float32) / np.float32(255)
        for seen, mirrored in ((pixels, False), (np.ascontiguousarray(pixels[:, ::-1]), True)):
            assert [(one.letter, one.mirrored) for one in side_letters(seen)] == [(one, mirrored) for one in letters]
