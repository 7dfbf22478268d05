"""Overlays: what is drawn sits where the film has it. Geometry checked on pixels, not by eye alone."""

from dataclasses import replace

import numpy as np
import pytest

from raysplay.configs.protocol import reported_measures
from raysplay.infer.films.film import Spacing
from raysplay.infer.outputs.axis_lines import AxisLine, axis_lines, crossing
from raysplay.infer.outputs.overlay import _constructions, draw_overlay
from raysplay.infer.records import Decision, Outcome
from raysplay.measure import by_name

M1_COLOUR = (126, 199, 178)
DOUBT = (240, 158, 84)


def near(picture, colour, tolerance=12):
    """Rows and columns of pixels of about this colour in the film part."""
    pixels = np.asarray(picture.convert("RGB")).astype(int)
    rows, columns = np.nonzero((np.abs(pixels - colour) <= tolerance).all(axis=-1))
    return rows, columns


@pytest.mark.parametrize("measure", reported_measures(), ids=lambda m: m.name)
def test_every_measure_finds_its_two_axes(measure, place, schema):
    lines = axis_lines(measure, schema, place().points)
    assert len(lines) == 2
    first, second = (line.direction for line in lines)
    angle = np.degrees(np.arctan2(first[0] * second[1] - first[1] * second[0], first @ second))
    # Rows run down, so a turn to lateral on an upright right foot is positive. Golden angles, section 8.5.
    golden = {"hva": 31.995, "ima": 13.995, "hia": 6.002, "ima45": 7.991}
    assert angle == pytest.approx(golden[measure.name], abs=0.002)


def test_lines_cross_where_they_meet():
    first = AxisLine("a", np.array([0.0, 0.0]), np.array([2.0, 2.0]))
    second = AxisLine("b", np.array([4.0, 0.0]), np.array([3.0, 1.0]))
    np.testing.assert_allclose(crossing(first, second), [2.0, 2.0])
    assert crossing(first, AxisLine("c", np.array([1.0, 0.0]), np.array([2.0, 1.0]))) is None


@pytest.mark.parametrize("aspect", [1.0, 2.0])
def test_the_first_axis_is_drawn_through_its_bone(film, foot_record, schema, aspect):
    """Line drawn and line expected, fitted in the picture: same place to 2 pixels, square pixels or not."""
    film = replace(film, spacing=Spacing(aspect=aspect))
    record = foot_record(film_={"spacing": film.spacing})
    picture = draw_overlay(film, "a.dcm", record, schema)
    (axis, _) = axis_lines(by_name("hva"), schema, record.landmarks.points)
    points = record.landmarks.points
    low, high = points.min(axis=0), points.max(axis=0)
    extra = 0.12 * (high - low).max()
    left, top = np.maximum(np.floor(low - extra), 0)
    right, bottom = np.minimum(np.ceil(high + extra), [900, 1000])
    scale = 1000 / max(right - left, (bottom - top) * aspect)
    expected = (axis.middle + 0.5 - [left, top]) * [scale, scale * aspect]
    rows, columns = near(picture.crop((0, 0, round((right - left) * scale), picture.height)), M1_COLOUR)
    assert len(rows) > 100
    close = np.abs(rows - expected[1]) < 12
    assert np.median(columns[close]) == pytest.approx(expected[0], abs=2.0)


def test_the_picture_says_by_which_construction(foot_record):
    """Angles of different constructions are not interchangeable: fact sheet, section 1."""
    shown = foot_record().measurements
    assert _constructions(shown) == ["axes: shaft"]
    mixed = tuple(replace(m, construction="head_base") if m.measure in ("hva", "ima") else m for m in shown)
    assert _constructions(mixed) == ["axes of HVA, IMA: head_base", "axes of IMA 4-5: shaft"]


def test_another_construction_draws_another_axis(film, foot_record, schema):
    """The first metatarsal's axis leans as its construction says, in the picture: golden points, section 8.5."""
    leaning = {}
    for construction in ("shaft", "head_base"):
        record = foot_record()
        read = tuple(replace(m, construction=construction) for m in record.measurements if m.measure == "ima")
        picture = draw_overlay(film, "a.dcm", replace(record, measurements=read), schema)
        rows, columns = near(picture.crop((0, 0, picture.width - 400, picture.height)), M1_COLOUR)
        leaning[construction] = np.degrees(np.arctan(np.polyfit(rows, columns, 1)[0]))
    # Rows run down, so a medial lean of a right foot's axis is a rise to the right with the rows.
    assert leaning["shaft"] - leaning["head_base"] == pytest.approx(13.995 - 12.488, abs=0.4)


def test_doubtful_points_are_marked_and_only_those(film, foot_record, schema):
    record = foot_record()
    plain = draw_overlay(film, "a.dcm", record, schema)
    marked = draw_overlay(film, "a.dcm", record, schema, [schema.index("PPd_lat")])
    assert len(near(plain, DOUBT)[0]) == 0
    assert len(near(marked, DOUBT)[0]) > 60


def test_a_refused_foot_shows_the_whole_film_and_no_line(film, foot_record, schema):
    decision = Decision(Outcome.REFUSED, ("not a dorsoplantar view: looks lateral (0.93)",))
    picture = draw_overlay(film, "a.dcm", replace(foot_record(), decision=decision), schema)
    assert picture.height == 1000
    shown = picture.crop((0, 0, 900, 1000))
    assert len(near(shown, M1_COLOUR)[0]) == 0
    assert np.asarray(shown)[:140, :140].max() < 10


def test_the_film_is_never_mirrored(film, foot_record, schema):
    """A left foot's overlay shows the film as it is; the bright half stays where the file has it."""
    pixels = film.pixels.copy()
    pixels[:, :450] = 0.0
    pixels[:, 450:] = 1.0
    picture = np.asarray(draw_overlay(replace(film, pixels=pixels), "a", foot_record(side="L"), schema).convert("L"))
    assert picture[5, 5] < 20
    assert picture[5, 500] > 230


def test_odd_names_and_long_reasons_fit(film, foot_record, schema):
    record = replace(
        foot_record(),
        decision=Decision(Outcome.REVIEW, tuple(f"reason {i} " + "word " * 40 for i in range(12))),
    )
    picture = draw_overlay(film, "足/" + "x" * 500, record, schema)
    assert picture.height > 1000


def test_points_far_off_the_film_do_not_stop_the_drawing(film, foot_record, schema):
    record = foot_record()
    away = replace(record, landmarks=replace(record.landmarks, points=record.landmarks.points + 1e5))
    assert draw_overlay(film, "a", away, schema).height == 1000
