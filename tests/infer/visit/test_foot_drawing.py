"""The drawing: laid at published means, told in what the film's spacing allows, bones where their landmarks are."""

from pathlib import Path

import numpy as np
import pytest
import yaml

from raysplay.configs.load import landmark_schema
from raysplay.infer.films.film import SpacingKind
from raysplay.infer.visit.conditions import Conditions
from raysplay.infer.visit.foot_drawing import NORMAL, foot_picture, moved_by, outlines
from raysplay.infer.visit.language import language
from raysplay.infer.visit.persons import persons_of
from raysplay.train.reference_page.foot import REFERENCE_FOOT


@pytest.fixture
def foot(make_run, open_desk, film_of, foot_of):
    def found(spacing=SpacingKind.DETECTOR_PLANE, **about):
        desk = open_desk(make_run({"a.dcm": film_of(feet=(foot_of(**about),), spacing=spacing)}, spacing.name))
        (person,), _ = persons_of(desk, Conditions())
        return person.feet[0], desk.run.protocol()

    return found


def test_the_means_are_the_published_ones():
    """synthetic_data/anatomy/published.yaml: 100 asymptomatic feet, Foot Ankle Int 1996 (seen)."""
    path = Path(__file__).parents[3] / "synthetic_data" / "anatomy" / "published.yaml"
    rows = next(iter(value for value in yaml.safe_load(path.read_text()).values() if isinstance(value, list)))
    for name, mean in (("hva", NORMAL.hva), ("ima", NORMAL.ima)):
        row = next(one for one in rows if one["quantity"] == name and "Foot Ankle Int 1996" in one["source"])
        assert row["mean"] == mean


def test_a_foot_at_the_means_has_not_moved(foot):
    moved = moved_by(*foot(hva=11.0, ima=8.7))
    assert max(moved.head, moved.edge, moved.tip) < 0.2
    assert (moved.hva, moved.ima) == pytest.approx((0.0, 0.0), abs=0.051)


@pytest.mark.parametrize("side", ["L", "R"])
def test_the_head_stands_apart_as_a_chord_of_the_turn(foot, side):
    """A point at distance r from the base that turns by a lies 2 r sin(a / 2) from where it was (geometry)."""
    moved = moved_by(*foot(side=side, hva=30.0, ima=18.7))
    base, head = (np.array(REFERENCE_FOOT[code]) for code in ("M1_base_c", "M1_head_c"))
    chord = 2.0 * np.linalg.norm(head - base) * np.sin(np.radians(10.0) / 2.0)
    assert moved.millimetres
    assert moved.head == pytest.approx(chord, abs=0.1)


def test_without_millimetres_a_share_of_the_second_metatarsal_is_told(foot):
    with_mm = moved_by(*foot(hva=30.0, ima=18.7))
    shared = moved_by(*foot(SpacingKind.UNKNOWN, hva=30.0, ima=18.7))
    length = np.linalg.norm(np.subtract(REFERENCE_FOOT["M2_tip"], REFERENCE_FOOT["M2_base_c"]))
    assert not shared.millimetres
    assert shared.head == pytest.approx(100.0 * with_mm.head / length, abs=0.1)


def test_outlines_pass_through_the_landmarks_of_their_bones():
    schema = landmark_schema()
    points = np.array([REFERENCE_FOOT[code] for code in schema.codes])
    lines = dict(outlines(points))
    assert {"metatarsal_1", "metatarsal_2", "proximal_phalanx_1", "distal_phalanx_1", "medial_sesamoid"} <= set(lines)
    for code, bone in (("M1d_med", "metatarsal_1"), ("M2p_lat", "metatarsal_2"), ("DP_tip", "distal_phalanx_1")):
        assert np.linalg.norm(lines[bone] - points[schema.index(code)], axis=1).min() < 1e-9
    points[schema.index("DP_tip")] = np.nan
    assert "distal_phalanx_1" not in dict(outlines(points))


def test_the_picture_is_grey(foot):
    """Readable without colour: every stroke and fill has equal red, green and blue."""
    import io

    from PIL import Image

    picture, _ = foot_picture(*foot(), language("en"))
    pixels = np.asarray(Image.open(io.BytesIO(picture.png)).convert("RGB"), dtype=int)
    assert (pixels.max(axis=2) == pixels.min(axis=2)).all()
    assert "<svg" in picture.svg
