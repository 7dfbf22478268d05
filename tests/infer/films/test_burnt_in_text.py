"""Writing that is burnt into films: what is found by characters, what is left, and that pictures hide it.

Characters are drawn by Pillow (fonts of Pillow and Matplotlib, sizes by their own metrics), so that where each stands
is known from outside of what looks for it. Names are of the invented island.
"""

import io
import os
from dataclasses import replace
from pathlib import Path

import matplotlib
import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageFont
from scipy import ndimage, sparse

from raysplay.infer.films import burnt_in_text
from raysplay.infer.films.burnt_in_text import FOUND, NOT_FOUND, STATED, looked_through, text_boxes, without_text
from raysplay.infer.films.decode import FilmReader
from raysplay.infer.films.film import Film
from raysplay.infer.films.read import read_film
from raysplay.infer.films.remark import RemarkKind

FONTS = Path(matplotlib.get_data_path(), "fonts", "ttf")
TEXTS = ("SKERRYWYN ORLA", "Skerrywyn, Orla", "MS-448812", "17.04.1931 10:15", "Merrow Skerry Light")


def font(name, height):
    """Capitals of about ``height`` pixels."""
    if name == "pillow":
        return ImageFont.load_default(1.38 * height)
    return ImageFont.truetype(str(FONTS / f"{name}.ttf"), round(1.38 * height))


def ground(seed=0, shape=(1000, 900)):
    """A dark film with grain and a soft bright shape, as the foot is one."""
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    foot = np.exp(-((((rows - 520) / 330) ** 2 + ((columns - 430) / 150) ** 2) ** 2))
    grain = np.random.default_rng(seed).normal(0, 2.0, shape)
    return np.clip(28 + 140 * foot + grain, 0, 255)


def written(picture, text, at, face, ink=255, paper=None, turned=False):
    """A copy of the picture with text, and a box of each character: left, top, right, bottom."""
    left, top, right, bottom = face.getbbox(text)
    stencil = Image.new("L", (int(right - left) + 6, int(bottom - top) + 6))
    ImageDraw.Draw(stencil).text((3 - left, 3 - top), text, fill=255, font=face)
    share = np.asarray(stencil) / 255.0
    ends = [(face.getlength(text[:i]), face.getlength(text[: i + 1])) for i in range(len(text)) if text[i] != " "]
    boxes = [(3 - left + a, 0, 3 - left + b, share.shape[0]) for a, b in ends]
    if turned:
        width = share.shape[1]
        share = np.rot90(share)
        boxes = [(y0, width - x1, y1, width - x0) for x0, y0, x1, y1 in boxes]
    x, y = at
    made = picture.copy()
    part = slice(y, y + share.shape[0]), slice(x, x + share.shape[1])
    under = made[part] if paper is None else paper
    made[part] = under * (1 - share) + ink * share
    return made, [(round(a) + x, round(b) + y, round(c) + x, round(d) + y) for a, b, c, d in boxes]


def as_jpeg(picture, quality):
    stream = io.BytesIO()
    Image.fromarray(np.clip(picture, 0, 255).astype(np.uint8)).save(stream, "JPEG", quality=quality)
    return np.asarray(Image.open(stream), dtype=float)


def hidden(boxes, pixels):
    mask = np.zeros(pixels.shape, dtype=bool)
    for left, top, right, bottom in boxes:
        mask[top:bottom, left:right] = True
    return mask


def shares(picture, characters):
    """Share of every character's box that is within what was found."""
    mask = hidden(text_boxes(np.asarray(picture, dtype=np.float32) / 255), picture)
    return [mask[top:bottom, left:right].mean() for left, top, right, bottom in characters]


@pytest.mark.parametrize(
    "name", ["pillow", "DejaVuSans-Bold", "DejaVuSerif", "DejaVuSansMono", "STIXGeneral", "cmss10"]
)
@pytest.mark.parametrize("height", [12, 20, 32])
def test_writing_beside_the_foot_is_covered(name, height):
    covered = []
    for number, text in enumerate(TEXTS):
        picture, characters = written(ground(number), text, (20, 30 + 8 * number), font(name, height))
        covered += [share > 0.9 for share in shares(as_jpeg(picture, 85), characters)]
    assert np.mean(covered) >= 0.97, np.mean(covered)


@pytest.mark.parametrize(("ink", "paper"), [(255, None), (210, None), (255, 0), (0, 250)])
@pytest.mark.parametrize("quality", [95, 60])
@pytest.mark.parametrize("turned", [False, True])
def test_either_polarity_every_quality_and_lines_that_run_down_are_covered(ink, paper, quality, turned):
    picture, characters = written(ground(), "SKERRYWYN ORLA 448812", (30, 40), font("pillow", 22), ink, paper, turned)
    assert np.mean(np.array(shares(as_jpeg(picture, quality), characters)) > 0.9) >= 0.95


def test_white_writing_over_bone_is_covered():
    picture, characters = written(ground(), "SKERRYWYN ORLA", (340, 500), font("DejaVuSans", 24))
    assert np.mean(np.array(shares(picture, characters)) > 0.9) >= 0.9


@pytest.mark.parametrize("letter", ["L", "R"])
@pytest.mark.parametrize("height", [18, 40, 80, 120])
@pytest.mark.parametrize("at", [(60, 60), (420, 480)])
def test_a_side_marker_by_itself_stays(letter, height, at):
    picture, _ = written(ground(), letter, at, font("DejaVuSans-Bold", height))
    assert len(text_boxes(picture.astype(np.float32) / 255)) == 0


def test_a_side_marker_away_from_writing_stays_and_the_writing_goes():
    picture, marker = written(ground(), "R", (700, 120), font("DejaVuSans-Bold", 60))
    picture, characters = written(picture, "SKERRYWYN ORLA", (20, 20), font("pillow", 18))
    assert max(shares(picture, marker)) == 0
    assert min(shares(picture, characters)) > 0.9


@pytest.mark.parametrize("spread", [6.0, 12.0, 20.0, 30.0])
def test_grain_is_not_hidden_and_writing_in_it_is(spread):
    """Grain of a film that was underexposed: where it was taken for writing, pictures of whole feet were hatched."""
    grain = np.random.default_rng(3).normal(0, spread, ground().shape)
    film = np.clip(ground() + grain, 0, 255)
    assert hidden(text_boxes(film.astype(np.float32) / 255), film).mean() < 0.001
    picture, characters = written(film, "SKERRYWYN ORLA 448812", (30, 40), font("DejaVuSans-Bold", 32))
    mask = hidden(text_boxes(picture.astype(np.float32) / 255), picture)
    assert mask.mean() < 0.06
    if spread <= 20:
        assert np.mean([mask[top:bottom, left:right].mean() > 0.9 for left, top, right, bottom in characters]) >= 0.9


@pytest.mark.parametrize("letter", ["L", "R"])
@pytest.mark.parametrize("word", ["FOOT", "STANDING"])
def test_a_side_marker_above_a_word_stays_whole(letter, word):
    """As lead markers and machines have it; an L without its foot was left on a picture."""
    picture, marker = written(ground(), letter, (60, 60), font("DejaVuSans-Bold", 130), ink=214, paper=0)
    (left, top, right, bottom), *_ = marker
    picture, characters = written(picture, word, (40, bottom + 14), font("DejaVuSans-Bold", 40), ink=214, paper=0)
    mask = hidden(text_boxes(picture.astype(np.float32) / 255), picture)
    assert np.mean([mask[y0:y1, x0:x1].mean() for x0, y0, x1, y1 in characters]) > 0.9
    assert mask[top : bottom - 8, left:right].mean() == 0


def test_a_film_without_writing_has_no_box():
    for seed in range(3):
        assert len(text_boxes(ground(seed).astype(np.float32) / 255)) == 0
    assert len(text_boxes(np.zeros((40, 40), np.float32))) == 0
    assert len(text_boxes(np.ones((8, 3), np.float32))) == 0


def film_of(picture, **about):
    return Film(Path("a.png"), (np.asarray(picture) / 255.0).astype(np.float32), **about)


def remarks_on(film):
    before = film.remarks
    after = looked_through(film).remarks
    assert after[: len(before)] == before
    return after[len(before) :]


def test_a_remark_says_that_a_film_carries_writing():
    picture, _ = written(ground(), "MS-448812", (30, 40), font("pillow", 22))
    assert remarks_on(film_of(picture)) == (FOUND,)
    assert remarks_on(film_of(ground())) == ()
    assert remarks_on(film_of(ground(), remarks=(STATED,))) == (NOT_FOUND,)


def test_what_a_file_states_makes_fainter_writing_count():
    picture, _ = written(ground(), "SKERRYWYN ORLA", (30, 40), font("DejaVuSans", 26), ink=80)
    assert remarks_on(film_of(picture)) == ()
    assert remarks_on(film_of(picture, remarks=(STATED,))) == (FOUND,)


@pytest.mark.parametrize("side", [900, 1850])
@pytest.mark.parametrize("remarks", [(), (STATED,)])
def test_pictures_hide_the_same_whether_decoding_looked_or_they_do(side, remarks):
    """Decoding tells where writing stands; on a large film its quick look is not thorough enough for pictures."""
    picture, _ = written(ground(shape=(1000, side)), "SKERRYWYN ORLA", (30, 40), font("pillow", 22))
    picture, _ = written(picture, "MS-448812", (300, 900), font("pillow", 10))
    film = film_of(picture, remarks=remarks)
    known = looked_through(film)
    thorough = burnt_in_text.text_boxes(film.pixels, stated=bool(remarks))
    assert len(thorough) > 2
    assert (known.found_writing is None) == (side > 1800 and not remarks)
    assert np.array_equal(known.writing, thorough)
    # Of other pixels it says nothing: the name of a turned or changed film would stand in the open.
    moved = replace(known, pixels=np.roll(known.pixels, 200, axis=0))
    assert np.array_equal(moved.writing, text_boxes(moved.pixels, stated=bool(remarks)))
    assert not np.array_equal(moved.writing, thorough)


def test_what_decoding_found_is_not_looked_for_again(limits, tmp_path, monkeypatch):
    picture, _ = written(ground(), "SKERRYWYN ORLA", (30, 40), font("pillow", 22))
    Image.fromarray(np.clip(picture, 0, 255).astype(np.uint8)).save(tmp_path / "a.png")
    with FilmReader(limits) as reader:
        film = reader.read(tmp_path / "a.png")
    expected = text_boxes(film.pixels)
    monkeypatch.setattr(burnt_in_text, "text_boxes", lambda *_, **__: pytest.fail("looked again"))
    assert np.array_equal(film.writing, expected)
    assert len(expected) > 0
    assert film.writing.dtype == expected.dtype


@pytest.mark.parametrize(("said", "kinds"), [("YES", 2), ("yes ", 2), ("NO", 0), ("", 0), (None, 0)])
def test_burned_in_annotation_of_a_file_is_passed_on(make_dicom, limits, tmp_path, said, kinds):
    """PS3.3, C.7.6.3.1.2 in the module General Image: YES or NO."""
    ds = make_dicom((ground() * 16).astype(np.uint16), BurnedInAnnotation=said)
    ds.save_as(tmp_path / "a.dcm", enforce_file_format=True)
    remarks = read_film(tmp_path / "a.dcm", limits).remarks
    assert [one for one in remarks if one.kind is RemarkKind.BURNT_IN_TEXT] == [STATED, NOT_FOUND][:kinds]


def test_a_file_with_writing_is_read_with_its_pixels_as_they_are(limits, tmp_path):
    """Masks are for pictures alone: what networks see stays."""
    picture, characters = written(ground(), "SKERRYWYN ORLA", (30, 40), font("pillow", 22))
    Image.fromarray(np.clip(picture, 0, 255).astype(np.uint8)).save(tmp_path / "a.png")
    film = read_film(tmp_path / "a.png", limits)
    assert FOUND in film.remarks
    left, top, right, bottom = characters[0]
    assert film.pixels[top:bottom, left:right].max() > 0.95
    on_screen = read_film(tmp_path / "a.png", limits.model_copy(update={"beyond_window": True}))
    assert on_screen.pixels[top:bottom, left:right].max() > 0.95


def test_a_picture_is_hatched_where_writing_stands_and_nowhere_else():
    picture, characters = written(ground(), "SKERRYWYN ORLA", (30, 40), font("pillow", 22))
    film = film_of(picture, remarks=(FOUND,))
    grey = np.clip(picture, 0, 255).astype(np.uint8)
    half = np.asarray(Image.fromarray(grey).resize((450, 500)))
    shown = without_text(half, film, lambda points: (points + 0.5) / 2)
    mask = hidden(text_boxes(film.pixels), grey)
    for left, top, right, bottom in characters:
        assert set(np.unique(shown[top // 2 : bottom // 2, left // 2 : right // 2])) <= {88, 120}
    away = ~np.asarray(Image.fromarray(mask).resize((450, 500))) & (np.indices(half.shape)[0] > 100)
    assert np.array_equal(shown[away], half[away])
    assert np.array_equal(without_text(half, replace(film, remarks=()), lambda points: points), half)


@pytest.mark.skipif(
    "RAYSPLAY_OPEN_FILMS" not in os.environ,
    reason="RAYSPLAY_OPEN_FILMS is not set: false masks were NOT counted on open films",
)
def test_bones_of_open_films_are_not_masked():
    """FracAtlas (CC BY 4.0): hardly a pixel of a dorsoplantar film is hidden."""
    paths = sorted(Path(os.environ["RAYSPLAY_OPEN_FILMS"]).glob("dp*.jpg"))
    assert len(paths) >= 120
    share = []
    for path in paths:
        with Image.open(path) as opened:
            grey = np.asarray(opened.convert("L"))
        share.append(hidden(text_boxes(grey.astype(np.float32) / 255), grey).mean())
    assert np.mean(share) < 0.002
    assert np.mean(np.array(share) > 0) < 0.1


class TestArithmetic:
    """The quick forms give what scipy and numpy give."""

    grey = np.random.default_rng(4).integers(0, 256, (37, 52), dtype=np.uint8)

    def test_an_outline_is_what_an_erosion_takes_away(self):
        strokes = self.grey > 90
        rows, columns = np.nonzero(strokes)
        outline = burnt_in_text._on_outline(strokes, rows, columns)
        assert np.array_equal(outline, ~ndimage.binary_erosion(strokes)[rows, columns])

    def test_the_largest_value_round_a_pixel_is_that_of_a_filter(self):
        rows, columns = np.nonzero(self.grey > 90)
        largest = burnt_in_text._largest_round(self.grey, rows, columns)
        assert np.array_equal(largest, ndimage.maximum_filter(self.grey, 3, mode="nearest")[rows, columns])

    def test_boxes_of_parts_are_where_scipy_finds_them(self):
        labelled, count = ndimage.label(self.grey > 200)
        rows, columns = np.nonzero(labelled)
        boxes = burnt_in_text._boxes(rows, columns, labelled[rows, columns] - 1, count)
        found = [(x.start, y.start, x.stop, y.stop) for y, x in ndimage.find_objects(labelled)]
        assert np.array_equal(boxes, found)

    def test_grain_is_a_low_rank_of_the_medians_of_tiles(self):
        hat = np.random.default_rng(6).integers(0, 90, (150, 203), dtype=np.uint8)
        hat[40:90, 30:110] = 200
        tiles = hat[:144:2, :192:2].reshape(9, 8, 12, 8).transpose(0, 2, 1, 3).reshape(9, 12, -1)
        medians = np.sort(tiles, axis=2)[:, :, 32]
        down, across = np.indices((9, 12)).reshape(2, -1)
        told = burnt_in_text._grain(hat, down, across)
        assert np.array_equal(told, ndimage.percentile_filter(medians, 30, 3, mode="nearest")[down, across])

    def test_strokes_of_characters_that_touch_are_counted_by_the_third_quartile_of_rows(self):
        for seed in range(20):
            drawn = np.random.default_rng(seed).random((7 + seed % 4, 40)) < 0.3
            drawn[:, :2] = True
            begun = np.diff(np.pad(drawn, ((0, 0), (1, 1))).astype(int), axis=1) == 1
            part = burnt_in_text._Part(0, 0, 40, len(drawn), 80.0, 1.0, 255.0, drawn)
            assert part.characters == min(40 / (0.7 * len(drawn)), np.percentile(begun.sum(1), 75) / 1.6)

    def test_neighbours_are_those_of_every_pair_by_itself(self, monkeypatch):
        monkeypatch.setattr(burnt_in_text, "_AT_ONCE", 7)
        rng = np.random.default_rng(8)
        corner = rng.integers(0, 120, (60, 2))
        boxes = np.concatenate([corner, corner + rng.integers(5, 20, (60, 2))], axis=1)
        ink = rng.uniform(150, 255, 60)

        def beside(one, other):
            (left, top, right, bottom), (left_, top_, _, bottom_) = boxes[one], boxes[other]
            tall, low = max(bottom - top, bottom_ - top_), min(bottom - top, bottom_ - top_)
            overlap = min(bottom, bottom_) - max(top, top_)
            near = left_ - right <= 1.2 * tall and left_ >= left + 0.3 * (right - left)
            return near and overlap >= 0.6 * low and low >= 0.5 * tall and abs(ink[one] - ink[other]) <= 42

        pairs = {(i, j) for i in range(60) for j in range(60) if beside(i, j)}
        assert len(pairs) > 20
        assert {tuple(pair) for pair in burnt_in_text._beside(boxes, ink).tolist()} == pairs
        linked = sparse.coo_array((np.ones(len(pairs)), np.array(sorted(pairs)).T), (60, 60))
        count, of = sparse.csgraph.connected_components(linked, directed=False)
        groups = burnt_in_text._groups(boxes, ink)
        assert len(set(zip(groups.tolist(), of.tolist(), strict=True))) == count == len(set(groups.tolist()))

    @pytest.mark.parametrize("stated", [False, True])
    def test_what_is_left_out_before_the_costly_questions_could_be_no_line(self, stated, monkeypatch):
        picture, _ = written(ground(3), "MS-448812", (60, 500), font("pillow", 18), ink=220)
        picture, _ = written(picture, "4I", (600, 90), font("DejaVuSans", 24))
        picture, _ = written(picture, "17.04.1931", (40, 620), font("cmss10", 14), turned=True)
        film = (as_jpeg(picture, 60) / 255).astype(np.float32)
        told = text_boxes(film, stated=stated)
        assert len(told) >= 3
        monkeypatch.setattr(burnt_in_text, "_may_read", lambda boxes, *_: np.ones(len(boxes), dtype=bool))
        assert np.array_equal(text_boxes(film, stated=stated), told)

    def test_percentiles_are_those_of_numpy(self):
        of = np.repeat(np.arange(4), (1, 2, 7, 90)).astype(np.int32)
        values = self.grey.ravel()[: len(of)]
        mixed = np.random.default_rng(1).permutation(len(of))
        told = burnt_in_text._percentiles(values[mixed], of[mixed], np.bincount(of), 85)
        assert np.allclose(told, [np.percentile(values[of == i], 85) for i in range(4)], rtol=0, atol=1e-9)
