"""The golden foot of the project's fact sheet (section 8.5), drawn on a film as a network would report it."""

import json
import os
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from raysplay.configs.load import landmark_schema
from raysplay.configs.protocol import protocol
from raysplay.infer.decide.case import FootCase
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.films.collect import collect
from raysplay.infer.films.decode import FilmReader
from raysplay.infer.films.film import Film, Spacing, SpacingKind
from raysplay.infer.pipeline import FilmPipeline
from raysplay.infer.records import FootLandmarks, FoundFoot, Measurement
from raysplay.infer.review.films import FilmShelf

PX_PER_MM = 5.0
ORIGIN = (400.0, 700.0)
GOLDEN = json.loads((Path(__file__).parents[1] / "data" / "golden_points.json").read_text(encoding="utf-8"))
FOUR = protocol().model_copy(update={"reported": ("hva", "ima", "hia", "ima45")})
"""Two measures that decide over a foot and two that do not; the shipped protocol has one of these less."""
DP = {"dp": 0.97, "oblique": 0.02, "lateral": 0.005, "other": 0.005}


CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.fixture(scope="session")
def chromium():
    """Debian's Chromium, once for all pages: a process may start what drives it only once."""
    if CHROMIUM is None:
        pytest.skip("NO BROWSER: no page was tested. Install Debian's chromium, or name one in CHROMIUM")
    sync_api = pytest.importorskip("playwright.sync_api", reason="NO PLAYWRIGHT: no page was tested")
    sync_api.expect.set_options(timeout=60_000)  # as for all else that is waited for: other tests share the cores
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM)
        yield browser
        browser.close()


WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
"""axe-core's rules for WCAG 2.0 to 2.2, levels A and AA, and what it advises besides."""


@pytest.fixture(scope="session")
def violations():
    """``violations(page)``: broken rules with the elements that break them, by axe-core."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="NO AXE: accessibility was not tested")

    settled = """Promise.race([
        Promise.allSettled(document.getAnimations().map((one) => one.finished)),
        new Promise((done) => setTimeout(done, 3000)),
    ]).then(() => null)"""

    def found(page):
        page.evaluate(settled)  # colours that fade in have no contrast yet
        options = {"runOnly": {"type": "tag", "values": WCAG}}
        rules = axe.Axe().run(page, options=options).response["violations"]
        return [(rule["id"], [node["html"][:160] for node in rule["nodes"]]) for rule in rules]

    return found


@pytest.fixture(autouse=True)
def own_state(tmp_path_factory, monkeypatch):
    """Keys for codes of persons do not go to the home of whoever runs the tests."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path_factory.getbasetemp() / "state"))


@pytest.fixture
def no_films_ahead(monkeypatch):
    """For tests that look at no film: decoding processes take longer to start and end than the rest of a test.

    A film that is asked for is decoded all the same.
    """
    for ahead in ("begin", "prepare"):
        monkeypatch.setattr(FilmShelf, ahead, lambda self, films: None)


@pytest.fixture(scope="session")
def schema():
    return landmark_schema()


@pytest.fixture
def film():
    """1000 x 900 pixels at 0.2 mm, a soft bright bar where the foot lies."""
    pixels = np.full((1000, 900), 0.1, dtype=np.float32)
    pixels[150:950, 150:700] = 0.5
    spacing = Spacing(0.2, 0.2, SpacingKind.DETECTOR_PLANE)
    return Film(Path("film.dcm"), pixels, spacing, laterality="R", view="AP")


@pytest.fixture
def place(schema):
    """Golden points on a film: ``place(side, turned=False)`` gives FootLandmarks in film pixels."""

    def placed(side="R", *, turned=False, sd=1.0, view=DP, origin=ORIGIN):
        known = {code: np.asarray(GOLDEN["points"][code]) for code in schema.codes if code in GOLDEN["points"]}
        middle = np.mean(list(known.values()), axis=0)
        mm = np.stack([known.get(code, middle) for code in schema.codes])
        linear = np.diag([1.0 if side == "R" else -1.0, 1.0])
        if turned:
            linear = -linear
        # Crop pixels: x lateral, y downward, that is, proximal.
        points = (mm * [PX_PER_MM, -PX_PER_MM]) @ linear.T + origin
        film_from_crop = np.eye(3)
        film_from_crop[:2, :2] = linear
        film_from_crop[:2, 2] = origin
        foot = FoundFoot(film_from_crop, side, 0.99, 0.98, dict(view))
        covariance = np.broadcast_to(sd**2 * np.eye(2), (len(schema), 2, 2)).copy()
        return FootLandmarks(foot, points, covariance, np.full(len(schema), 0.95))

    return placed


@pytest.fixture
def case(schema, film, place):
    """A foot without a fault; keyword arguments change parts of film, foot, landmarks or measurements."""

    def made(*, film_=None, foot=None, landmarks=None, values=None, companions=(), width=2.0, side="R"):
        placed = place(side)
        placed = replace(placed, foot=replace(placed.foot, **(foot or {})), **(landmarks or {}))
        numbers = {"hva": 32.0, "ima": 14.0, "hia": 6.0, "ima45": 8.0} | (values or {})
        measurements = tuple(
            Measurement(
                m.name,
                numbers[m.name],
                numbers[m.name] - width / 2,
                numbers[m.name] + width / 2,
                m.unit,
                m.construction,
            )
            for m in FOUR.reported_measures()
        )
        return FootCase(replace(film, **(film_ or {})), placed, measurements, schema, tuple(companions), FOUR)

    return made


class _OneFoot:
    def __init__(self, placed):
        self.digests = {"known": "0" * 64}
        self.placed = placed

    def find(self, film):
        return [self.placed.foot]

    def landmarks(self, film, foot):
        return self.placed


@pytest.fixture
def read_one_foot(tmp_path, schema):
    """What the pipeline reads on the one film in ``tmp_path``, where the networks see one foot with these landmarks."""

    def read(landmarks):
        with FilmReader() as films:
            pipeline = FilmPipeline(films, _OneFoot(landmarks), decision_settings(), schema, protocol())
            (reading,) = pipeline.read(collect([tmp_path]).candidates)
        return reading

    return read
