"""The reader of feet: its geometry with networks that answer as told, its work with the shipped weights."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from raysplay.configs import landmark_schema
from raysplay.configs.conditions import CONDITIONS
from raysplay.configs.protocol import protocol
from raysplay.configs.views import VIEWS
from raysplay.infer.compare.truth import read_truth
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.films.collect import Candidate
from raysplay.infer.films.decode import FilmReader
from raysplay.infer.films.film import Film, Spacing
from raysplay.infer.foot_reader import FootReader, _moved
from raysplay.infer.network.graphs import MAP
from raysplay.infer.network.locator_map import UNIT
from raysplay.infer.network.weights_error import WeightsError
from raysplay.infer.pipeline import FilmPipeline
from raysplay.infer.reason import ReasonKind
from raysplay.infer.records import Outcome
from raysplay.infer.settings import reading_settings
from raysplay.infer.shipped_weights import WEIGHTS_DIR, weights_meant
from raysplay.infer.warp import transform_points
from raysplay.measure import measure_values, to_foot_frame
from raysplay.synthetic_data.archive import FILMS, write_archive
from raysplay.synthetic_data.film.compose import FilmRequest, compose_film
from raysplay.synthetic_data.film.settings import archive_settings
from raysplay.synthetic_data.settings import generator_settings
from raysplay.synthetic_data.subject import draw_subject

SIDE = reading_settings().film_side
STRIDE = 8
CELLS = SIDE // STRIDE


def turned(degrees):
    a = np.radians(degrees)
    return np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])


def pose(side, degrees, scale, middle):
    """Anchors of an average foot of ``side``, turned, scaled and laid about ``middle`` in the locator's square."""
    anchors = reading_settings().anchor_points
    anchors = (anchors - anchors.mean(0)) * scale
    if side == "L":
        anchors = anchors * [-1, 1]
    return anchors @ turned(degrees).T + middle


def answer(feet, near=0.0):
    """What a locator would say of ``feet``: (anchors, left, score, view); ``near`` is said of cells beside them."""
    count = len(reading_settings().anchors)
    output = np.zeros((2 + 2 * count + len(VIEWS), CELLS, CELLS), np.float32)
    output[0] = -12.0
    for anchors, left, score, view in feet:
        column, row = np.rint((anchors.mean(0) - (STRIDE - 1) / 2) / STRIDE).astype(int)
        for r in range(row - 1, row + 2):
            for c in range(column - 1, column + 2):
                place = np.array([c, r]) * STRIDE + (STRIDE - 1) / 2
                cell = output[:, r, c]
                cell[0] = np.log(score / (1 - score)) - (3.0 if (r, c) != (row, column) else 0.0)
                cell[1 : 1 + 2 * count] = ((anchors - place) / UNIT).ravel()
                cell[1 + 2 * count] = 8.0 if left else -8.0
                cell[2 + 2 * count + VIEWS.index(view)] = 8.0
    return {MAP: output}


def film_of(shape=(SIDE, SIDE), aspect=1.0):
    return Film(Path("film.dcm"), np.zeros(shape, np.float32), Spacing(aspect=aspect))


@pytest.mark.parametrize("side", ["L", "R"])
@pytest.mark.parametrize("degrees", [0, 90, 180, -35])
@pytest.mark.parametrize(("shape", "aspect"), [((SIDE, SIDE), 1.0), ((900, 700), 1.0), ((500, 1400), 2.0)])
def test_crops_are_laid_upright_over_anchors(untrained_reader, side, degrees, shape, aspect):
    reader = untrained_reader()
    anchors = pose(side, degrees, 0.35, (170.0, 210.0))
    reader._locator = lambda picture: answer([(anchors, side == "L", 0.9, "oblique")])
    (foot,) = reader.find(film_of(shape, aspect))
    # From the square to the film, written out: the longer side fills the square, middles meet, rows are apart by the
    # aspect.
    scale = max(shape[0] * aspect, shape[1]) / SIDE
    even = (anchors + 0.5 - SIDE / 2) * scale + np.array([shape[1], shape[0] * aspect]) / 2
    on_film = even / [1.0, aspect] - 0.5
    assert transform_points(foot.film_from_crop, reading_settings().anchor_points) == pytest.approx(on_film, abs=0.05)
    assert foot.side == side
    assert (np.linalg.det(foot.film_from_crop) < 0) == (side == "L")
    assert foot.side_probability > 0.99
    assert foot.score == pytest.approx(0.9, abs=1e-3)
    assert max(foot.view, key=foot.view.get) == "oblique"
    assert sum(foot.view.values()) == pytest.approx(1, abs=1e-5)


def test_a_side_that_the_anchors_contradict_is_open(untrained_reader):
    reader = untrained_reader()
    reader._locator = lambda picture: answer([(pose("L", 10, 0.4, (190, 190)), False, 0.9, "dp")])
    (foot,) = reader.find(film_of())
    assert foot.side_probability <= 0.5


def test_feet_come_surest_first_and_once(untrained_reader):
    reader = untrained_reader()
    first, second = pose("L", 0, 0.3, (110, 190)), pose("R", 0, 0.3, (280, 190))
    again = second + 40.0
    feet = [(first, True, 0.6, "dp"), (second, False, 0.95, "dp"), (again, False, 0.7, "dp")]
    reader._locator = lambda picture: answer(feet)
    assert [foot.side for foot in reader.find(film_of())] == ["R", "L"]


def test_where_no_foot_is_seen_the_film_is_looked_at_with_a_margin(untrained_reader):
    """Its feet are laid on the film as seen in the larger square, are told apart, and must score higher."""
    settings = reading_settings()
    for score in (settings.score_min_beyond - 0.05, settings.score_min_beyond + 0.05):
        looks = []

        def locate(picture, score=score, looks=looks):
            looks.append(picture)
            return answer([] if len(looks) == 1 else [(pose("R", 0, 0.3, (190, 190)), False, score, "dp")])

        reader = untrained_reader()
        reader._locator = locate
        film = Film(Path("film.dcm"), np.ones((900, 700), np.float32), Spacing())
        found = reader.find(film)
        first, second = (look.reshape(SIDE, SIDE, -1)[..., 0] for look in looks)
        shown = [float((look > 0.5).any(1).mean()) for look in (first, second)]
        assert shown == pytest.approx([1.0, 1 / (1 + 2 * settings.margin)], abs=0.02)
        assert len(found) == (score > settings.score_min_beyond)
        for foot in found:
            assert foot.reaches_beyond
            scale = (1 + 2 * settings.margin) * 900 / SIDE
            even = (pose("R", 0, 0.3, (190, 190)) + 0.5 - SIDE / 2) * scale + np.array([700, 900]) / 2 - 0.5
            assert transform_points(foot.film_from_crop, settings.anchor_points) == pytest.approx(even, abs=0.1)


def test_a_weak_peak_is_no_foot(untrained_reader):
    reader = untrained_reader()
    for score, count in ((reading_settings().score_min - 0.05, 0), (reading_settings().score_min + 0.05, 1)):
        reader._locator = lambda picture, s=score: answer([(pose("R", 0, 0.3, (190, 190)), False, s, "dp")])
        assert len(reader.find(film_of())) == count


def test_anchors_in_one_point_give_no_foot(untrained_reader):
    reader = untrained_reader()
    reader._locator = lambda picture: answer([(np.full((8, 2), 190.0), False, 0.9, "dp")])
    assert reader.find(film_of()) == []


def test_the_locator_sees_the_whole_film_and_black_around_it(untrained_reader):
    reader = untrained_reader()
    seen = []
    reader._locator = lambda picture: seen.append(picture) or answer([])
    film = replace(film_of((800, 400)), pixels=np.ones((800, 400), np.float32))
    assert reader.find(film) == []
    picture, _ = seen  # the other one has a margin
    assert picture.shape == (SIDE, SIDE)
    assert picture[:, SIDE // 4 + 1 : -SIDE // 4 - 1].min() > 0.999
    assert picture[:, : SIDE // 4 - 1].max() == picture[:, -SIDE // 4 + 1 :].max() == 0.0


class Seeker:
    """Says that every landmark is in the middle of the brightest blob, with a spread told beforehand."""

    def __init__(self, centre_of_mass, factor=(2.0, 0.5, 1.0)):
        self.centre_of_mass, self.factor = centre_of_mass, factor
        self.pictures = []

    def __call__(self, picture):
        self.pictures.append(picture)
        count = len(landmark_schema())
        row, column = np.unravel_index(picture.argmax(), picture.shape)
        # Anchors lie as on an average foot about it, so that the crop can be laid anew.
        points = np.tile(self.centre_of_mass(picture, (column, row), 25), (count, 1))
        for anchor in reading_settings().anchors:
            points[landmark_schema().index(anchor.code)] = anchor.x, anchor.y
        return {
            "points": points,
            "spread": np.tile(self.factor, (count, 1)),
            "confidence": np.full(count, 2.0),
            "view": np.array([5.0, 0.0, 0.0, 0.0]),
            "conditions": np.zeros(len(CONDITIONS)),
            "strangeness": np.zeros(()),
        }


@pytest.mark.parametrize("side", ["L", "R"])
@pytest.mark.parametrize("aspect", [1.0, 1.6])
def test_landmarks_lie_on_the_film_where_the_crop_shows_them(untrained_reader, draw_blob, centre_of_mass, side, aspect):
    reader = untrained_reader()
    anchors = pose(side, 25, 0.4, (200, 190))
    reader._locator = lambda picture: answer([(anchors, side == "L", 0.9, "dp")])
    shape = (int(1200 / aspect), 1200)
    film = film_of(shape, aspect)
    (foot,) = reader.find(film)
    at = transform_points(foot.film_from_crop, np.array([180.0, 300.0]))
    blob = draw_blob((1200, 1200), at * [1, aspect], 9.0)
    rows = (np.arange(shape[0]) * aspect).astype(int)
    blob = blob[rows]  # the nearest row stands for one that is between
    at = centre_of_mass(blob)
    film = replace(film, pixels=blob.astype(np.float32))
    reader._landmarks = Seeker(centre_of_mass)
    read = reader.landmarks(film, foot)
    other = [k for k, code in enumerate(landmark_schema().codes) if code not in {a.code for a in foot_anchors()}]
    assert read.points[other] == pytest.approx(np.broadcast_to(at, (len(other), 2)), abs=0.15)
    assert len(reader._landmarks.pictures) == reading_settings().passes
    # Covariance: the factor of the crop, carried through the linear part of the map.
    factor = np.array([[2.0, 0], [0.5, 1.0]])
    linear = read.foot.film_from_crop[:2, :2]
    assert read.covariance[other[0]] == pytest.approx(linear @ factor @ factor.T @ linear.T, rel=1e-5)
    assert read.confidence == pytest.approx(1 / (1 + np.exp(-2.0)), abs=1e-5)
    assert max(read.foot.view, key=read.foot.view.get) == "dp"


class TestReadingAgain:
    """A crop is laid anew over the landmarks that it gave, and read once more where it moved far enough."""

    @pytest.fixture
    def read(self, untrained_reader, centre_of_mass):
        """How often the crop is read where one more read asks for a move of that many pixels."""

        def count(beyond):
            reader = untrained_reader()
            reader._locator = lambda picture: answer([(pose("R", 10, 0.4, (200, 190)), False, 0.9, "dp")])
            reader._landmarks = Seeker(centre_of_mass)
            reader._again_beyond = beyond
            film = replace(film_of(), pixels=np.full((SIDE, SIDE), 0.5, np.float32))
            (foot,) = reader.find(film)
            reader.landmarks(film, foot)
            return len(reader._landmarks.pictures)

        return count

    def test_the_careful_reader_always_reads_again(self, read):
        assert read(0.0) == reading_settings().passes == 2

    def test_a_crop_that_lies_well_is_read_once(self, read):
        assert read(1.0) == 1

    def test_a_move_is_the_root_mean_square_over_the_corners(self):
        before = np.array([[2.0, 0, 5], [0, 2, 7], [0, 0, 1]])
        aside = before @ np.array([[1.0, 0, 3], [0, 1, 4], [0, 0, 1]])
        assert _moved(before, aside, (576, 384)) == pytest.approx(5.0)
        turned = before @ np.array([[0.0, -1, 0], [1, 0, 0], [0, 0, 1]])
        # A quarter turn about a corner carries every corner by its distance from there times the root of two.
        distances = np.array([0, 384, 576, np.hypot(384, 576)]) * np.sqrt(2)
        assert _moved(before, turned, (576, 384)) == pytest.approx(np.sqrt((distances**2).mean()))


def foot_anchors():
    return reading_settings().anchors


def test_landmarks_off_the_film_have_no_confidence(untrained_reader):
    reader = untrained_reader()
    reader._locator = lambda picture: answer([(pose("R", 0, 0.6, (60, 190)), False, 0.9, "dp")])
    film = replace(film_of(), pixels=np.full((SIDE, SIDE), 0.5, np.float32))
    (foot,) = reader.find(film)
    # All but the anchors at the left border of the crop, which lies off the film. An even film has no brightest spot
    # to seek: which pixel wins there is rounding.
    reader._landmarks = Seeker(lambda *_: np.array([1.0, 288.0]))
    read = reader.landmarks(film, foot)
    off = (read.points < -0.5).any(1)
    assert 0 < off.sum() < len(off)
    assert (read.confidence[off] == 0).all()
    assert (read.confidence[~off] > 0.8).all()


def test_missing_weights_are_named(tmp_path):
    with pytest.raises(WeightsError, match=r"locator\.safetensors"):
        FootReader(tmp_path / "locator.safetensors", tmp_path / "landmarks.safetensors")


# With the shipped weights, on generated films.

needs_weights = pytest.mark.skipif(
    not all((WEIGHTS_DIR / f"{name}.safetensors").is_file() for name in ("locator", "landmarks")),
    reason="THE WEIGHTS ARE MISSING: infer/weights/{locator,landmarks}.safetensors, nothing of the reading was tested",
)

DEGREES = 3.0
"""How far HVA may be off the truth of a generated film."""

ASKED = {
    "right": FilmRequest(layout="single", views=("dp",), sides=("R",), toes="up", whole=True),
    "left": FilmRequest(layout="single", views=("dp",), sides=("L",), toes="up", whole=True),
    "down": FilmRequest(layout="single", views=("dp",), sides=("R",), toes="down", whole=True),
    "both": FilmRequest(layout="both", toes="up", whole=True),
}


def hva(read, film):
    points, _ = to_foot_frame(read.points[None], None, [read.foot.side], aspect=film.spacing.aspect)
    return float(measure_values(points, landmark_schema())["hva"][0])


def read_all(reader, film):
    return [reader.landmarks(film, foot) for foot in reader.find(film)]


@pytest.fixture(scope="module")
def shipped():
    return FootReader.shipped(threads=1)


@pytest.fixture(scope="module", params=list(reading_settings().readers))
def each(request):
    """Every reader that comes with the package."""
    return FootReader.by_landmarks(weights_meant(request.param), threads=1)


@pytest.fixture(scope="module")
def settings():
    shipped = archive_settings()
    film = shipped.film.model_copy(update={"pixel_mm": (0.28, 0.32), "views": {"dp": 1.0}, "cut_share": 0.0})
    return shipped.model_copy(update={"film": film})


def draw_ordinary(seed, view="dp", settings=None, condition=None):
    """Feet of people with ordinary bones: how far the network errs on unusual ones is for the evaluation to say."""
    shipped = generator_settings()
    person = shipped.person.model_copy(update={"spread": (0.6, 0.6)})
    return draw_subject(seed, view, shipped.model_copy(update={"person": person}), condition)


@pytest.fixture(scope="module")
def films(settings):
    """Generated films by what was asked for."""
    asked = enumerate(ASKED.items())
    return {name: compose_film([77, k], settings, request, draw_ordinary) for k, (name, request) in asked}


def as_film(pixels, aspect=1.0):
    return Film(Path("film.dcm"), np.ascontiguousarray(pixels, np.float32), Spacing(aspect=aspect))


@needs_weights
@pytest.mark.parametrize("name", list(ASKED))
def test_feet_are_found_with_their_side_and_hallux_valgus_angle(each, films, name):
    made = films[name]
    film = as_film(made.pixels)
    read = read_all(each, film)
    assert len(read) == len(made.feet)
    for truth in made.feet:
        left, top, right, bottom = truth.box
        middle = np.array([(left + right) / 2, (top + bottom) / 2])
        nearest = min(read, key=lambda r: np.linalg.norm(r.points.mean(0) - middle))
        assert nearest.foot.side == truth.side
        assert nearest.foot.side_probability > 0.5
        assert max(nearest.foot.view, key=nearest.foot.view.get) == "dp"
        assert hva(nearest, film) == pytest.approx(truth.measures["hva"], abs=DEGREES)


@needs_weights
@pytest.mark.parametrize("name", ["right", "left", "down"])
def test_a_film_that_ends_within_the_metatarsals_is_said_to_cut_the_foot_off(shipped, films, name):
    """Such films were said to show no foot."""
    made = films[name]
    (truth,) = made.feet
    head, base = (truth.landmarks[landmark_schema().index(code)][1] for code in ("M1_head_c", "C1M1_med"))
    cut = round(head + 0.6 * (base - head))
    film = as_film(made.pixels[:cut] if base > head else made.pixels[cut:])
    only = SimpleNamespace(read=lambda path: film)
    pipeline = FilmPipeline(only, shipped, decision_settings(), landmark_schema(), protocol())
    (reading,) = pipeline.read([Candidate(film.path, "film.dcm")])
    (foot,) = reading.record.feet
    assert foot.decision.outcome is not Outcome.ACCEPTED
    assert ReasonKind.CUT_OFF in {reason.kind for reason in foot.decision.reasons}


@needs_weights
def test_a_reader_is_known_by_the_weights_of_its_landmarks(tmp_path):
    for name, reader in reading_settings().readers.items():
        own = tmp_path / f"mine_{name}.safetensors"
        own.write_bytes((WEIGHTS_DIR / f"{reader.landmarks}.safetensors").read_bytes())
        made = FootReader.by_landmarks(own, threads=1)
        assert f"{reader.locator}.safetensors" in made.digests
        assert made._again_beyond == reader.again_beyond


def test_weights_are_meant_by_a_path_or_by_the_name_of_a_reader(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert weights_meant(None) is None
    assert weights_meant("quick") == WEIGHTS_DIR / "lean_landmarks.safetensors"
    assert weights_meant(Path("careful")) == WEIGHTS_DIR / "landmarks.safetensors"
    assert weights_meant("mine.safetensors") == Path("mine.safetensors")
    Path("quick").write_bytes(b"a file of that name goes first")
    assert weights_meant("quick") == Path("quick")


@needs_weights
def test_films_of_an_archive_are_read_from_their_files(shipped, settings, tmp_path):
    truth = read_truth(write_archive(2, 78, tmp_path, settings=settings, workers=1))
    asked = [foot for foot in truth if foot.side and "hva" in foot.angles]
    assert asked
    with FilmReader() as opener:
        for name in sorted({foot.film for foot in truth}):
            film = opener.read(tmp_path / FILMS / name)
            read = read_all(shipped, film)
            known = [foot for foot in asked if foot.film == name]
            assert len(read) == len([foot for foot in truth if foot.film == name and foot.side])
            for foot in known:
                nearest = min(read, key=lambda r: np.linalg.norm(r.points.mean(0) - foot.centre))
                assert nearest.foot.side == foot.side
                assert hva(nearest, film) == pytest.approx(foot.angles["hva"], abs=DEGREES)


@pytest.fixture(scope="module")
def plain_reading(shipped, films):
    """The one foot of each of the first three films, as it lies."""
    readings = {}
    for name in ("right", "left", "down"):
        (readings[name],) = read_all(shipped, as_film(films[name].pixels))
    return readings


@needs_weights
@pytest.mark.parametrize("name", ["right", "left"])
def test_a_mirrored_film_shows_the_other_side_and_the_same_angle(shipped, films, plain_reading, name):
    film = as_film(films[name].pixels[:, ::-1])
    (read,) = read_all(shipped, film)
    assert {read.foot.side, plain_reading[name].foot.side} == {"L", "R"}
    assert hva(read, film) == pytest.approx(hva(plain_reading[name], film), abs=1.0)


@needs_weights
@pytest.mark.parametrize("quarters", [1, 2, 3])
@pytest.mark.parametrize("name", ["right", "left"])
def test_turning_a_film_changes_neither_side_nor_angle(shipped, films, plain_reading, name, quarters):
    film = as_film(np.rot90(films[name].pixels, quarters))
    (read,) = read_all(shipped, film)
    assert read.foot.side == plain_reading[name].foot.side
    assert hva(read, film) == pytest.approx(hva(plain_reading[name], film), abs=1.0)


@needs_weights
@pytest.mark.parametrize("name", ["right", "down"])
def test_pixels_that_are_not_square_give_the_angle_of_square_ones(shipped, films, plain_reading, name):
    pixels = films[name].pixels
    paired = pixels[: len(pixels) // 2 * 2].reshape(-1, 2, pixels.shape[1]).mean(1)
    film = as_film(paired, aspect=2.0)
    (read,) = read_all(shipped, film)
    assert read.foot.side == plain_reading[name].foot.side
    assert hva(read, film) == pytest.approx(hva(plain_reading[name], as_film(pixels)), abs=1.0)
