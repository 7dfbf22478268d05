"""Words on films: lines in fonts that training did not see, put on grounds drawn here.

Fonts: Aileron (Pillow's default), Arial and Courier (as ReportLab has them). What the words say is common practice, no
source; names are of the invented island, or nearly a word.
"""

import io
import os
from dataclasses import replace
from pathlib import Path

import matplotlib
import numpy as np
import pytest
import reportlab
from PIL import Image, ImageDraw, ImageFont
from scipy import ndimage

from raysplay.infer.films import read_line
from raysplay.infer.films.burnt_in_text import FOUND, text_boxes
from raysplay.infer.films.film import Film
from raysplay.infer.films.film_words import statements_on, with_words
from raysplay.infer.films.loading import Loading, Stated, settle
from raysplay.infer.films.remark import Remark, RemarkKind

HELD_OUT = {
    "Aileron": None,
    "Arial": Path(reportlab.__file__).parent / "fonts" / "_a______.pfb",
    "Arial bold": Path(reportlab.__file__).parent / "fonts" / "_ab_____.pfb",
    "Courier": Path(reportlab.__file__).parent / "fonts" / "com_____.pfb",
    "Courier bold": Path(reportlab.__file__).parent / "fonts" / "cob_____.pfb",
}
FULL, PARTIAL, NONE, UNKNOWN = Loading.FULL, Loading.PARTIAL, Loading.NONE, Loading.UNKNOWN
SILENT = Remark(RemarkKind.LOADING_UNKNOWN, "loading unknown: nothing in the file says weight-bearing")


def face_of(font, height):
    """A font whose capitals are about ``height`` pixels high."""
    if HELD_OUT[font] is None:
        return ImageFont.load_default(1.38 * height)
    return ImageFont.truetype(str(HELD_OUT[font]), round(1.4 * height))


def ground(seed=0, shape=(420, 640)):
    """A dark film with grain and a soft bright shape, as the foot is one."""
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    foot = np.exp(-((((rows - 420) / 140) ** 2 + ((columns - 430) / 100) ** 2) ** 2))
    return np.clip(28 + 140 * foot + np.random.default_rng(seed).normal(0, 2.0, shape), 0, 255)


def written(picture, text, at, face, ink=255, paper=None, turned=False):
    """A copy of the picture with a line of text at a place, on paper of one grey if asked for."""
    left, top, right, bottom = face.getbbox(text)
    stencil = Image.new("L", (int(right - left) + 6, int(bottom - top) + 6))
    ImageDraw.Draw(stencil).text((3 - left, 3 - top), text, fill=255, font=face)
    share = np.asarray(stencil) / 255.0
    share = np.rot90(share) if turned else share
    x, y = at
    part = slice(y, y + share.shape[0]), slice(x, x + share.shape[1])
    made = picture.copy()
    made[part] = (made[part] if paper is None else paper) * (1 - share) + ink * share
    return made


def as_jpeg(picture, quality):
    stream = io.BytesIO()
    Image.fromarray(np.clip(picture, 0, 255).astype(np.uint8)).save(stream, "JPEG", quality=quality)
    return np.asarray(Image.open(stream), dtype=float)


def drawn(*texts, font="Aileron", height=24, at=(20, 40), ink=255, paper=None, apart=1.6):
    """Lines one below the other beside a foot."""
    picture = ground()
    for k, text in enumerate(texts):
        place = at[0], at[1] + round(k * apart * height)
        picture = written(picture, text, place, face_of(font, height), ink, paper)
    return as_jpeg(picture, 90)


def said(picture):
    pixels = np.ascontiguousarray(picture, np.float32) / np.float32(255)
    return settle(statements_on(pixels, text_boxes(pixels)))


@pytest.mark.parametrize("font", ["Aileron", "Arial", "Arial bold"])
@pytest.mark.parametrize(
    ("text", "loading"),
    [
        ("WEIGHT BEARING", FULL),
        ("FOOT AP STANDING", FULL),
        ("STEHEND", FULL),
        ("EN CHARGE", FULL),
        ("NON WEIGHT BEARING", NONE),
        ("NWB", NONE),
        ("SUPINE", NONE),
        ("UNBELASTET", NONE),
        ("PARTIAL WEIGHT BEARING", PARTIAL),
    ],
)
def test_words_are_read_in_fonts_that_training_did_not_see(font, text, loading):
    assert said(drawn(text, font=font)) is loading


@pytest.mark.parametrize(("text", "loading"), [("WEIGHT BEARING", FULL), ("STEHEND", FULL), ("NON ERECT", NONE)])
def test_words_are_read_in_a_font_with_serifs_and_even_steps(text, loading):
    assert said(drawn(text, font="Courier bold")) is loading


@pytest.mark.parametrize(("ink", "paper"), [(215, None), (255, 0), (0, 250)])
def test_words_are_read_in_either_polarity(ink, paper):
    assert said(drawn("WEIGHT BEARING", font="Arial", ink=ink, paper=paper)) is FULL
    assert said(drawn("NON WEIGHT BEARING", font="Arial", ink=ink, paper=paper)) is NONE


@pytest.mark.parametrize("turn", range(4))
@pytest.mark.parametrize("mirrored", [False, True])
def test_words_are_read_however_the_film_lies(turn, mirrored):
    """A film is turned and flipped as a whole; "non" stays before what it denies."""
    for text, loading in (("STANDING", FULL), ("NON WEIGHT BEARING", NONE)):
        picture = np.rot90(drawn(text, font="Arial"), turn)
        assert said(picture[:, ::-1] if mirrored else picture) is loading


NAMES = (
    ("STANDISH MILES", "ERECTUS", "SKERRYWYN ORLA", "STANDING ORLA", "WEBB", "LOADER"),
    ("STEHENDORFER", "PRONK", "SITTINGBOURNE", "BELASTINGER", "DEBOUTIN", "CARICOLA"),
    ("CHARGEBOEUF", "SUPREME", "HEATED", "BAKER WB", "FOOT DP", "ANKLE"),
    ("MB", "DW", "BW", "17.04.1931 10:15", "MS-448812", "STAND"),
    ("STAENDER", "STANDIN", "ERIC", "WBC 12", "STANLING", "SUPINSKI"),
)


@pytest.mark.parametrize("names", NAMES, ids=lambda names: names[0])
@pytest.mark.parametrize("font", ["Aileron", "Arial bold"])
def test_names_and_words_that_are_like_one_say_nothing(names, font):
    assert said(drawn(*names, font=font, height=20, apart=3.2)) is UNKNOWN


def test_words_of_other_languages_say_what_they_say_or_nothing():
    """Russian, Polish and Dutch words for standing, and Dutch ones for not loaded, are in no list."""
    for text in ("STOJĄC", "СТОЯ", "STAAND", "ONBELAST", "ZONDER BELASTING"):
        face = ImageFont.truetype(str(Path(matplotlib.get_data_path(), "fonts", "ttf", "DejaVuSans.ttf")), 30)
        assert said(as_jpeg(written(ground(), text, (20, 40), face), 90)) is UNKNOWN
    assert said(drawn("IN SCARICO", "IN SCARICO", apart=4)) is NONE


@pytest.mark.parametrize("flip", [(slice(None, None, -1), slice(None)), (slice(None), slice(None, None, -1))])
def test_initials_that_are_a_word_in_a_mirror_say_nothing(flip):
    """MB upside down in a mirror is WB."""
    assert said(drawn("MB", font="Arial")[flip]) is UNKNOWN


@pytest.mark.parametrize("text", ["NON WEIGHT BEARING", "NOT STANDING", "NICHT BELASTET", "SANS CHARGE"])
@pytest.mark.parametrize("harm", ["blurred", "half hidden", "grain", "faint", "struck out"])
def test_a_denial_that_cannot_be_read_never_leaves_the_opposite(text, harm):
    """Whatever befalls the first word, the rest must not be taken for a film of a loaded foot."""
    picture = ground()
    face = face_of("Arial", 26)
    first, rest = text.split(" ", 1)
    wide = round(face.getlength(f"{first} "))
    for seed in range(2):
        with_first = written(picture, first, (40, 60), face)
        part = slice(50, 110), slice(34, 40 + wide - 3)
        hurt = with_first.copy()
        if harm == "blurred":
            hurt[part] = ndimage.gaussian_filter(with_first[part], 3 + seed)
        elif harm == "half hidden":
            hurt[70 + 4 * seed : 110, part[1]] = picture[70 + 4 * seed : 110, part[1]]
        elif harm == "grain":
            noise = np.random.default_rng(seed).normal(0, 90, hurt[part].shape)
            hurt[part] = np.clip(hurt[part] + noise, 0, 255)
        elif harm == "faint":
            hurt[part] = picture[part] + (with_first[part] - picture[part]) * (0.55 - 0.05 * seed)
        else:
            hurt[78 + seed : 84 + seed, part[1]] = 255
        whole = written(hurt, rest, (40 + wide, 60), face)
        assert said(whole) in (UNKNOWN, NONE, Loading.CONTRADICTORY)


@pytest.mark.parametrize("font", ["Aileron", "Courier bold"])
def test_lines_that_belong_together_are_read_together(font):
    assert said(drawn("NON", "WEIGHT BEARING", font=font)) is NONE
    assert said(drawn("WEIGHT", "BEARING", font=font)) is FULL
    assert said(drawn("SKERRYWYN ORLA", "17.04.1931", "STANDING", font=font)) is FULL


def test_a_denial_above_that_was_not_found_as_writing_is_seen():
    """What finds writing now and then leaves out a short line between others."""
    pixels = (drawn("NON", "WEIGHT BEARING", font="Arial", height=28) / 255).astype(np.float32)
    boxes = np.array([box for box in text_boxes(pixels).tolist() if box[1] > 60])
    assert 0 < len(boxes) < len(text_boxes(pixels))
    assert settle(statements_on(pixels, boxes)) is NONE


def test_words_that_contradict_each_other_are_told_so():
    assert said(drawn("STANDING", "SUPINE", apart=6.0)) is Loading.CONTRADICTORY


def film_of(picture, *remarks, **about):
    return Film(Path("quay.dcm"), (picture / 255).astype(np.float32), remarks=(SILENT, FOUND, *remarks), **about)


@pytest.mark.parametrize(
    ("text", "stated", "loading", "read", "words"),
    [
        ("STANDING", {}, FULL, FULL, "weight-bearing; the file says nothing of it"),
        ("STANDING", {Stated.LOADED}, FULL, FULL, "weight-bearing; the file says the same"),
        ("NWB", {}, NONE, NONE, "not weight-bearing; the file says nothing of it"),
        ("NWB", {Stated.STANDING}, Loading.CONTRADICTORY, NONE, "not weight-bearing; the file says: weight-bearing"),
        (
            "STANDING",
            {Stated.AT_REST},
            Loading.CONTRADICTORY,
            FULL,
            "weight-bearing; the file says: not weight-bearing",
        ),
        ("PARTIAL WB", {Stated.STANDING}, PARTIAL, PARTIAL, "partly weight-bearing; the file says: weight-bearing"),
        ("SKERRYWYN ORLA", {Stated.LOADED}, FULL, UNKNOWN, None),
        ("SKERRYWYN ORLA", {}, UNKNOWN, UNKNOWN, None),
    ],
)
def test_words_and_the_file_are_settled_together(text, stated, loading, read, words):
    film = film_of(drawn(text, font="Arial"), loading=settle(stated), loading_stated=frozenset(stated))
    seen = with_words(film)
    assert (seen.loading, seen.loading_read) == (loading, read)
    told = [one.text for one in seen.remarks if one.kind is RemarkKind.LOADING_READ]
    assert told == ([f"words on the film, read off the picture and unproven, say: {words}"] if words else [])
    assert (SILENT in seen.remarks) == (words is None)
    assert np.array_equal(seen.pixels, film.pixels)


def test_no_text_of_a_film_is_passed_on(caplog, capsys):
    """Names, dates and numbers stand in the same lines; only the closed list of statements leaves."""
    texts = ("SKERRYWYN ORLA", "17.04.1931", "STANDING", "MS-448812")
    film = film_of(drawn(*texts, font="Arial"))
    seen = with_words(film)
    assert seen.loading is FULL
    shown = repr(replace(seen, pixels=np.zeros(1), found_writing=None)) + caplog.text + "".join(capsys.readouterr())
    for text in texts:
        for word in text.split():
            assert word.casefold() not in shown.casefold().replace("standing", "") or word == "STANDING"
    assert "STANDING" not in shown


def test_a_film_without_writing_costs_no_look(monkeypatch):
    monkeypatch.setattr(read_line, "character_network", lambda: pytest.fail("the network was asked"))
    bare = Film(Path("quay.dcm"), (ground() / 255).astype(np.float32), remarks=(SILENT,))
    assert with_words(bare) is bare
    picture = (ground() / 255).astype(np.float32)
    assert statements_on(picture, text_boxes(picture)) == frozenset()


def test_where_writing_stands_is_looked_for_once(monkeypatch):
    film = film_of(drawn("STANDING"))
    seen = with_words(film)
    monkeypatch.setattr("raysplay.infer.films.burnt_in_text.text_boxes", lambda *_, **__: pytest.fail("looked again"))
    assert len(seen.writing) > 0


@pytest.mark.skipif("RAYSPLAY_OPEN_FILMS" not in os.environ, reason="NO OPEN FILMS: words on real films not tested")
def test_open_films_with_writing_say_nothing():
    """FracAtlas (CC BY 4.0), judged by eye: writing on all of them, and no word on loading."""
    folder = Path(os.environ["RAYSPLAY_OPEN_FILMS"])
    for number in (47, 82, 140, 151, 216, 2307):
        with Image.open(folder / f"dp_{number:07d}.jpg") as opened:
            picture = np.asarray(opened.convert("L"), float)
        assert said(picture) is UNKNOWN
        assert said(picture[:, ::-1]) is UNKNOWN
