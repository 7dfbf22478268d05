"""Films of one condition: every film shows it, the truth tells of it, and the rest stays as it was."""

import csv

import numpy as np
import pytest
import typer
from typer.testing import CliRunner

from raysplay.configs import landmark_schema
from raysplay.measure import measure_values, to_foot_frame
from raysplay.synthetic_data.archive import LANDMARKS, TRUTH, truth_rows, write_archive
from raysplay.synthetic_data.archive_settings import (
    FILM_CONDITIONS,
    ConditionSettings,
    WearSettings,
    archive_settings,
    condition_settings,
    plain_settings,
)
from raysplay.synthetic_data.command import synthesize
from raysplay.synthetic_data.film.compose import FilmRequest, compose_film

FEET = tuple(n for n in ConditionSettings.model_fields if n != "strength")
FILMS = tuple(n for n in WearSettings.model_fields if n != "strength")
COARSE = FilmRequest(pixel_mm=0.8)


def film(name, seed=1, strength=1.0, request=COARSE):
    return compose_film([21, seed], condition_settings(name, strength), request)


def test_unknown_names_are_refused():
    with pytest.raises(ValueError, match="no such condition"):
        condition_settings("gout")
    assert set(FEET) | set(FILMS) < set(FILM_CONDITIONS)


def test_the_shipped_archive_is_mostly_plain():
    shipped = archive_settings()
    shares = [v for part in (shipped.conditions, shipped.wear) for k, v in part if k != "strength"]
    assert max(shares) <= 0.02


@pytest.mark.parametrize("name", FEET)
def test_feet_have_the_condition_that_is_asked_for(name):
    found = [foot.conditions for seed in range(4) for foot in film(name, seed).feet]
    share = np.mean([name in conditions for conditions in found])
    # Feet laid over each other mostly hide enough of both.
    assert share == 1.0 if name != "overlap" else share > 0.6
    assert all(conditions <= {name, "overlap"} for conditions in found)


@pytest.mark.parametrize("name", FEET)
def test_a_request_can_name_the_condition(name):
    request = FilmRequest(pixel_mm=0.8, condition=name)
    seen = [
        foot.conditions for k in range(3) for foot in compose_film([21, k], condition_settings("clean"), request).feet
    ]
    assert any(name in conditions for conditions in seen)


def test_clean_feet_have_none():
    assert [foot.conditions for foot in film("clean").feet] == [frozenset()]
    assert len(film("two_feet").feet) == 2
    assert film("non_foot").feet == ()
    assert film("lateral").feet[0].view == "lateral"


@pytest.mark.parametrize(
    "name", ["metal", "cast", "splint", *(f for f in FILMS if f not in ("low_resolution", "photographed"))]
)
def test_what_lies_on_a_foot_or_a_film_moves_no_landmark(name):
    clean, other = film("clean"), film(name)
    assert other.pixels.shape == clean.pixels.shape
    assert np.abs(other.pixels - clean.pixels).max() > 0.003
    assert (other.feet[0].landmarks == clean.feet[0].landmarks).all()
    assert other.feet[0].measures == pytest.approx(clean.feet[0].measures, abs=0, nan_ok=True)


def test_carried_things_brighten_only():
    clean = film("clean", 2)
    metal = film("metal", 2)
    difference = metal.pixels - clean.pixels
    assert difference.max() > 0.05
    # Scatter, edge enhancement and equalisation reach a little further.
    assert (difference < -0.1).mean() < 0.02


def test_films_stored_small_have_coarse_pixels_and_the_same_angles():
    fine, small = (
        film("clean", request=FilmRequest(pixel_mm=0.4)),
        film("low_resolution", request=FilmRequest(pixel_mm=0.4)),
    )
    assert 0.6 <= small.pixel_mm <= 1.01
    ratio = fine.pixel_mm / small.pixel_mm
    assert small.pixels.shape == pytest.approx(np.array(fine.pixels.shape) * ratio, abs=1.0)
    framed, _ = to_foot_frame(small.feet[0].landmarks[None], None, [small.feet[0].side])
    values = measure_values(framed, landmark_schema())
    for name in ("hva", "ima"):
        assert float(values[name][0]) == pytest.approx(fine.feet[0].measures[name], abs=0.1)
    # A landmark lies on the same grey as before: films are alike once the fine one is looked at as coarsely.
    assert small.pixels.mean() == pytest.approx(fine.pixels.mean(), abs=0.01)


def test_a_photographed_film_moves_its_landmarks_and_keeps_its_measures():
    clean, photo = film("clean"), film("photographed")
    moved = np.linalg.norm(photo.feet[0].landmarks - clean.feet[0].landmarks, axis=1)
    assert moved.max() > 1
    assert photo.feet[0].measures == pytest.approx(clean.feet[0].measures, abs=0, nan_ok=True)
    left, top, right, bottom = photo.feet[0].box
    seen = photo.feet[0].landmarks[photo.feet[0].visible]
    assert (seen >= (left - 1e-6, top - 1e-6)).all()
    assert (seen <= (right + 1e-6, bottom + 1e-6)).all()


def test_landmarks_of_missing_toes_are_left_out_of_the_truth():
    missing = 0
    for seed in range(6):
        lost = film("missing_toe", seed)
        codes = {row["landmark"] for row in truth_rows(lost, "f", 1).landmarks}
        (foot,) = lost.feet
        assert codes == {c for c, v in zip(landmark_schema().codes, foot.visible, strict=True) if v}
        assert np.isnan(foot.measures["hva"]) == (not {"PPp_med", "PPp_lat", "PPd_med", "PPd_lat"} <= codes)
        missing += len(codes) < len(landmark_schema())
    assert missing >= 4


def test_a_film_without_a_condition_does_not_depend_on_the_shares_of_others():
    plain = plain_settings()
    rare = plain.model_copy(update={"conditions": ConditionSettings(metal=1e-9), "wear": WearSettings(dust=1e-9)})
    one, other = (compose_film([22, 3], s, FilmRequest(pixel_mm=0.8)) for s in (plain, rare))
    assert np.array_equal(one.pixels, other.pixels)


def test_truth_tells_the_condition(tmp_path):
    settings = condition_settings("metal")
    settings = settings.model_copy(update={"film": settings.film.model_copy(update={"pixel_mm": (0.8, 0.9)})})
    write_archive(2, 5, tmp_path, settings=settings)
    rows = list(csv.DictReader((tmp_path / TRUTH).open()))
    assert [row["condition"] for row in rows] == ["metal", "metal"]
    assert all(row["hva"] for row in rows)
    assert (tmp_path / LANDMARKS).exists()


def test_the_command_knows_conditions(tmp_path):
    app = typer.Typer()
    app.command()(synthesize)
    run = CliRunner().invoke(app, ["--n", "1", "--out", str(tmp_path / "a"), "--condition", "gout"])
    assert run.exit_code == 2
    assert not (tmp_path / "a").exists()
