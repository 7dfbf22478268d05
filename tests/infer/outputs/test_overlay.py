"""Overlays: what is drawn sits where the film has it. Geometry checked on pixels, not by eye alone."""

from dataclasses import replace

import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageFont
from scipy.stats import theilslopes

from raysplay.configs.protocol import reported_measures
from raysplay.infer.films.burnt_in_text import FOUND
from raysplay.infer.films.film import Spacing
from raysplay.infer.outputs.angle_arcs import interval_band
from raysplay.infer.outputs.axis_lines import AxisLine, axis_lines, crossing
from raysplay.infer.outputs.overlay import draw_overlay, lay_out
from raysplay.infer.outputs.overlay_panel import construction_words, interval_words, rows
from raysplay.infer.outputs.overlay_style import AXIS, DOUBT, GROUND, text_width
from raysplay.infer.outputs.run_folder import RunFolder
from raysplay.infer.outputs.run_writer import RunWriter
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import Decision, FilmRecord, Measurement, Outcome, Withheld
from raysplay.measure import MEASURES, by_name

M1_COLOUR = AXIS["M1"]
PANEL = 400


@pytest.fixture
def draw(schema):
    """A picture at the level of 90 %."""

    def drawn(film, name, record, doubtful=(), measures=None):
        return draw_overlay(film, name, record, schema, doubtful, level=0.9, measures=measures)

    return drawn


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
def test_the_first_axis_is_drawn_through_its_bone(film, foot_record, schema, draw, aspect):
    """Line drawn and line expected, fitted in the picture: same place to 2 pixels, square pixels or not."""
    film = replace(film, spacing=Spacing(aspect=aspect))
    record = foot_record(film_={"spacing": film.spacing})
    picture = draw(film, "a.dcm", record)
    (axis, _) = axis_lines(by_name("hva"), schema, record.landmarks.points)
    points = record.landmarks.points
    low, high = points.min(axis=0), points.max(axis=0)
    extra = 0.12 * (high - low).max()
    left, top = np.maximum(np.floor(low - extra), 0)
    right, bottom = np.minimum(np.ceil(high + extra), [900, 1000])
    scale = 1000 / max(right - left, (bottom - top) * aspect)
    # Room for labels: 150 pixels of the picture beside the outermost points, film or ground.
    first = min(left, low[0] - 150 / scale)
    expected = (axis.middle + 0.5 - [first, top]) * [scale, scale * aspect]
    rows, columns = near(picture.crop((0, 0, picture.width - PANEL, picture.height)), M1_COLOUR)
    assert len(rows) > 100
    close = np.abs(rows - expected[1]) < 12
    assert np.median(columns[close]) == pytest.approx(expected[0], abs=2.0)


def test_the_picture_says_by_which_construction(foot_record):
    """Angles of different constructions are not interchangeable: fact sheet, section 1."""
    shown = foot_record().measurements
    assert construction_words(shown) == ["axes: shaft"]
    mixed = tuple(replace(m, construction="head_base") if m.measure in ("hva", "ima") else m for m in shown)
    assert construction_words(mixed) == ["axes of HVA, IMA: head_base", "axes of IMA 4-5: shaft"]


def test_another_construction_draws_another_axis(film, foot_record, draw):
    """The first metatarsal's axis leans as its construction says, in the picture: golden points, section 8.5."""
    leaning = {}
    for construction in ("shaft", "head_base"):
        record = foot_record()
        read = tuple(replace(m, construction=construction) for m in record.measurements if m.measure == "ima")
        picture = draw(film, "a.dcm", replace(record, measurements=read))
        rows, columns = near(picture.crop((0, 0, picture.width - PANEL, picture.height)), M1_COLOUR)
        # Points and tag have the bone's colour, too: a slope that they do not pull on.
        leaning[construction] = np.degrees(np.arctan(theilslopes(columns[::7], rows[::7])[0]))
    # Rows run down, so a medial lean of a right foot's axis is a rise to the right with the rows.
    assert leaning["shaft"] - leaning["head_base"] == pytest.approx(13.995 - 12.488, abs=0.4)


def test_doubtful_points_are_marked_and_only_those(film, foot_record, schema, draw):
    record = foot_record()
    plain = draw(film, "a.dcm", record)
    marked = draw(film, "a.dcm", record, [schema.index("PPd_lat")])
    assert len(near(plain, DOUBT)[0]) == 0
    assert len(near(marked, DOUBT)[0]) > 60


def test_a_refused_foot_shows_the_whole_film_and_no_line(film, foot_record, draw):
    decision = Decision(
        Outcome.REFUSED, (Reason(ReasonKind.NOT_DORSOPLANTAR, "not a dorsoplantar view: looks lateral (0.93)"),)
    )
    picture = draw(film, "a.dcm", replace(foot_record(), decision=decision))
    assert picture.height == 1000
    shown = picture.crop((0, 0, 900, 1000))
    assert len(near(shown, M1_COLOUR)[0]) == 0
    assert np.asarray(shown)[:140, :140].max() < 10


def test_the_film_is_never_mirrored(film, foot_record, draw):
    """A left foot's overlay shows the film as it is; the bright half stays where the file has it."""
    pixels = film.pixels.copy()
    pixels[:, :450] = 0.0
    pixels[:, 450:] = 1.0
    picture = np.asarray(draw(replace(film, pixels=pixels), "a", foot_record(side="L")).convert("L"))
    assert picture[5, 5] < 20
    assert picture[5, picture.shape[1] - PANEL - 5] > 230


def test_odd_names_and_long_reasons_fit(film, foot_record, draw):
    record = replace(
        foot_record(),
        decision=Decision(
            Outcome.REVIEW, tuple(Reason(ReasonKind.WITHHELD, f"reason {i} " + "word " * 40) for i in range(12))
        ),
    )
    picture = draw(film, "足/" + "x" * 500, record)
    assert picture.height > 1000


def test_points_far_off_the_film_do_not_stop_the_drawing(film, foot_record, draw):
    record = foot_record()
    away = replace(record, landmarks=replace(record.landmarks, points=record.landmarks.points + 1e5))
    assert draw(film, "a", away).height == 1000


@pytest.mark.parametrize("level", [0.8, 0.9])
def test_the_picture_tells_the_level_of_its_intervals(film, foot_record, schema, tmp_path, level):
    """A reader who takes 80 % for 90 % trusts too much: the level goes from the run to the words."""
    record = FilmRecord("a.dcm", (foot_record(),), None)
    writer = RunWriter(RunFolder(tmp_path / "out"), schema, reported_measures(), level=level)
    writer.write(record, film)
    (written,) = (tmp_path / "out").rglob("*.png*")
    with Image.open(written) as picture:
        pixels = np.asarray(picture.convert("RGB"))
    by_level = {one: np.asarray(draw_overlay(film, "a.dcm", record.feet[0], schema, level=one)) for one in (0.8, 0.9)}
    assert not np.array_equal(by_level[0.8], by_level[0.9])
    assert np.array_equal(pixels, by_level[level])


@pytest.mark.parametrize(
    ("level", "words"),
    # Among them the share of a normal distribution within 1, 2 and 4 standard deviations (error function).
    [
        *((0.8, "80 %"), (0.9, "90 %"), (0.95, "95 %"), (0.99, "99 %"), (0.999, "99.9 %"), (0.975, "97.5 %")),
        *((0.683, "68.3 %"), (0.9545, "95.45 %"), (0.999937, "99.9937 %"), (0.9999999, "99.99999 %"), (0.57, "57 %")),
    ],
)
def test_the_level_is_told_unrounded(level, words):
    """68.3 % called 68 % is nearly right; 99.99994 % called 100 % is a promise that nobody made."""
    assert interval_words(level) == f"value with its {words} interval"


def test_rows_say_what_goes_with_a_number(foot_record):
    """The two sources on IMA 4-5 disagree (the project's audit of definitions); a withheld number has no such words."""
    shown = rows([replace(one, proven=True) for one in foot_record().measurements])
    assert [row.name for row in shown] == ["HVA", "IMA", "IMA 4-5"]
    assert shown[0].notes == ()
    assert "9.1" in shown[2].notes[0]
    assert "secondary" in shown[2].notes[0]
    why = Withheld.WIDE_INTERVAL
    nothing = Measurement("ima45", np.nan, np.nan, np.nan, "deg", "shaft", withheld=why)
    assert rows([nothing])[0] == replace(shown[2], value="withheld", interval="", notes=(why.words,))
    low = next(measure for measure in MEASURES if measure.low_confidence)
    notes = rows([Measurement(low.name, 1.0, 0.5, 1.5, low.unit, low.construction)])[0].notes
    assert notes[0].startswith("unproven: ")
    assert notes[1] == "low confidence"


def test_numbers_below_0_are_not_to_be_missed():
    """The typeface has a hyphen only, as in "IMA 4-5": a minus is drawn wider, and 0 has none."""
    assert text_width("-2.7", 22) > text_width("2.7", 22) + 10
    assert text_width("IMA 4-5", 22) == pytest.approx(
        text_width("IMA 4", 22) + text_width("-", 22) + text_width("5", 22), abs=2
    )
    (row,) = rows([Measurement("hva", -0.04, -2.0, -0.01, "deg", "shaft")])
    assert (row.value, row.interval) == ("0.0°", "-2.0 to 0.0")


def test_two_constructions_of_one_bone_are_two_axes(film, foot_record, schema):
    """HVA by head and base, IMA by shaft: each angle lies between the axes that it was read by (fact sheet, 8.5)."""
    record = foot_record()
    read = tuple(
        replace(m, construction="head_base" if m.measure == "hva" else "shaft")
        for m in record.measurements
        if m.measure in ("hva", "ima")
    )
    laid = lay_out(record.landmarks.points, read, schema, (), grey(film))
    assert sorted(axis.tag for axis in laid.axes) == ["M1 head_base", "M1 shaft", "M2", "PP"]
    assert subtended(laid.arcs[0]) == pytest.approx(30.489, abs=0.01)
    assert subtended(laid.arcs[1]) == pytest.approx(13.995, abs=0.01)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_band_at_an_arc_spans_the_interval_of_its_angle(film, foot_record, schema, mirrored, sign):
    """From the first axis, the ends of the band lie at the ends of the interval; on either foot, also below zero."""
    record = foot_record()
    points = record.landmarks.points * ([-1.0, 1.0] if mirrored else [1.0, 1.0]) + ([900.0, 0.0] if mirrored else 0.0)
    values = {"hva": (31.995, 30.0, 37.0), "ima": (13.995, 13.0, 14.5)}
    read = [
        Measurement(name, sign * value, *sorted((sign * low, sign * high)), "deg", "shaft")
        for name, (value, low, high) in values.items()
    ]
    laid = lay_out(points, read, schema, (), grey(film))
    assert len(laid.arcs) == 2
    for arc in laid.arcs:
        value, low, high = values[arc.measurement.measure]
        spread = subtended(arc) - value
        from_first = [subtended(replace(arc, points=np.stack([arc.points[0], end]))) for end in interval_band(arc)]
        assert sorted((from_first[0], from_first[-1])) == pytest.approx([low + spread, high + spread], abs=0.05)
        radius = np.linalg.norm(interval_band(arc) - arc.centre, axis=1)
        assert radius == pytest.approx(np.linalg.norm(arc.points[-1] - arc.centre), abs=1e-6)


def test_an_angle_without_an_interval_has_no_band(film, foot_record, schema):
    (arc,) = lay_out(
        foot_record().landmarks.points,
        [Measurement("hva", 32.0, np.nan, np.nan, "deg", "shaft")],
        schema,
        (),
        grey(film),
    ).arcs
    assert interval_band(arc) is None


def test_what_is_not_the_angle_between_two_axes_has_no_arc(film, place, schema):
    """IMA adjusted by another angle stands on the axes of IMA, but is a different number (fact sheet, section 1.3)."""
    names = ("ima", "ima_adjusted_mc5", "tsp", "m1_protrusion_arc")
    known = [measure for measure in MEASURES if measure.name in names]
    assert len(known) == len(names)
    read = [Measurement(m.name, 14.0, 12.0, 16.0, m.unit, m.construction) for m in known]
    laid = lay_out(place().points, read, schema, (), grey(film))
    assert [arc.measurement.measure for arc in laid.arcs] == ["ima"]


def test_a_narrow_film_gets_ground_for_its_labels(film, foot_record, schema, draw):
    """Film and ground are told apart by their colour; labels stay in the picture."""
    record = foot_record()
    points = record.landmarks.points
    first, last = int(points[:, 0].min()) - 5, int(points[:, 0].max()) + 5
    moved = replace(record, landmarks=replace(record.landmarks, points=points - [first, 0]))
    picture = draw(replace(film, pixels=film.pixels[:, first:last]), "a", moved)
    assert picture.getpixel((3, 3)) == GROUND
    assert picture.getpixel((picture.width - PANEL - 3, 3)) == GROUND
    assert picture.getpixel(((picture.width - PANEL) // 2, 3)) != GROUND


def test_bright_letters_beside_the_foot_do_not_darken_it(film, foot_record, draw):
    """Contrast is that of the bones, whatever lies beside them."""
    record = foot_record()
    plain = np.asarray(draw(film, "a", record).convert("L"))
    lettered = film.pixels.copy()
    lettered[:, : int(record.landmarks.points[:, 0].min()) - 5] = 50.0
    pixels = np.asarray(draw(replace(film, pixels=lettered), "a", record).convert("L"))
    middle = slice(plain.shape[1] // 2 - PANEL // 2, plain.shape[1] - PANEL)
    assert (plain[:, middle] == pixels[:, middle]).mean() > 0.95  # labels may go elsewhere


def test_every_measure_at_once_can_be_drawn(film, place, schema, draw, foot_record):
    """A configuration may name all measures: no label covers another's, and the panel grows with its rows."""
    read = tuple(Measurement(m.name, 5.0, 4.0, 6.0, m.unit, m.construction) for m in MEASURES)
    every = [measure.name for measure in MEASURES]
    assert draw(film, "a", replace(foot_record(), measurements=read), measures=every).height > 32 * len(MEASURES)


def grey(film):
    return (film.pixels * 255).astype(np.uint8)


def subtended(arc):
    """Angle of an arc at its centre, in degrees."""
    first, last = arc.points[0] - arc.centre, arc.points[-1] - arc.centre
    return np.degrees(np.arccos(first @ last / np.linalg.norm(first) / np.linalg.norm(last)))


def test_writing_that_a_remark_tells_of_is_hidden_and_a_side_marker_is_not(film, foot_record, draw):
    """Written by Pillow on the film; an invented name."""
    canvas = Image.fromarray((film.pixels * 255).astype(np.uint8))
    pen = ImageDraw.Draw(canvas)
    pen.text((200, 170), "SKERRYWYN ORLA", fill=255, font=ImageFont.load_default(34))
    pen.text((620, 840), "R", fill=255, font=ImageFont.load_default(80))
    written = replace(film, pixels=np.asarray(canvas, dtype=np.float32) / 255)
    open_, hidden = (
        np.asarray(draw(replace(written, remarks=remarks), "a.dcm", foot_record()).convert("L"))[:, :-PANEL].astype(int)
        for remarks in ((), (FOUND,))
    )
    rows, columns = np.nonzero(open_ != hidden)
    assert np.ptp(rows) < 0.12 * open_.shape[0], "one line of writing, and nothing else"
    part = np.s_[rows.min() : rows.max() + 1, columns.min() : columns.max() + 1]
    assert (open_[part] > 240).sum() > 10 * (hidden[part] > 240).sum()
    assert np.isin(hidden[part], (88, 120)).mean() > 0.8
