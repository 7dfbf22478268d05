"""Own films with a landmark table: cut where the landmarks lie, or refused with file, row and reason."""

import csv
import sys

import numpy as np
import pytest
import torch
from PIL import Image
from scipy.ndimage import gaussian_filter
from typer.testing import CliRunner

from raysplay.configs import landmark_schema
from raysplay.infer.films.decode import FilmReader
from raysplay.infer.outputs.names import film_name
from raysplay.infer.settings import reading_settings
from raysplay.infer.warp import transform_points
from raysplay.synthetic_data.archive import LANDMARK_COLUMNS
from raysplay.train.cli import app
from raysplay.train.real_crops.own_films import (
    COLUMNS,
    FinetuneFilmsError,
    GivenFoot,
    bone_lead,
    cut_films,
    lay_crop,
    read_landmarks,
)
from raysplay.train.real_crops.real_films import MARGIN, load_real_crops

ANCHORS = reading_settings().anchors
HEAD = ",".join(COLUMNS) + "\n"


def place(turn=12.0, scale=1.3, shift=(150.0, 40.0), mirrored=False):
    """A crop's place on a film: similarity, mirrored for a left foot."""
    angle = np.radians(turn)
    c, s = scale * np.cos(angle), scale * np.sin(angle)
    matrix = np.array([[c, -s, shift[0]], [s, c, shift[1]], [0, 0, 1.0]])
    mirror = np.array([[-1.0, 0, reading_settings().crop_columns - 1], [0, 1, 0], [0, 0, 1]])
    return matrix @ mirror if mirrored else matrix


def foot_at(matrix, side, codes=None):
    landmarks = {a.code: tuple(transform_points(matrix, np.array([a.x, a.y]))) for a in ANCHORS}
    return GivenFoot("a.png", side, 2, {c: p for c, p in landmarks.items() if codes is None or c in codes})


def lines(foot, index="0"):
    return "".join(f"{foot.film},{foot.side},{index},{c},{x},{y}\n" for c, (x, y) in foot.landmarks.items())


@pytest.mark.parametrize("side", ["R", "L"])
@pytest.mark.parametrize("count", [3, len(ANCHORS)])
def test_the_crop_lies_where_the_anchors_say(side, count):
    # The anchors stand where the template has them: the least squares must give the very matrix that put them there.
    matrix = place(mirrored=side == "L")
    foot = foot_at(matrix, side, [a.code for a in ANCHORS][:count])
    np.testing.assert_allclose(lay_crop(foot, 1.0), matrix, atol=1e-9)


@pytest.mark.parametrize("called", ["R", "L"])
@pytest.mark.parametrize("mirrored", [False, True])
def test_a_mirrored_film_is_cut_as_its_landmarks_show_it(called, mirrored):
    """A left foot on a mirrored film looks like a right one, whatever it is called: medial stays where it is."""
    matrix = place(mirrored=mirrored)
    foot = foot_at(matrix, called)
    np.testing.assert_allclose(lay_crop(foot, 1.0), matrix, atol=1e-9)


def test_rows_further_apart_than_columns_are_taken_into_account():
    # The same foot on a detector whose rows are twice as far apart as its columns: y halves, the crop stays.
    matrix = place()
    squeezed = np.diag([1, 0.5, 1]) @ matrix
    np.testing.assert_allclose(lay_crop(foot_at(squeezed, "R"), 2.0), squeezed, atol=1e-9)


def test_feet_are_cut_with_their_landmarks_on_them(tmp_path, draw_blob, centre_of_mass):
    matrix = place(mirrored=True)
    foot = foot_at(matrix, "L")
    at = foot.landmarks["M1_head_c"]
    picture = np.rint(200 * draw_blob((980, 760), at, 7.0)).astype(np.uint8)
    picture[0, 0] = 255
    Image.fromarray(picture).save(tmp_path / "a.png")
    (tmp_path / "b.png").write_bytes(b"no film")
    other = GivenFoot("b.png", "R", 0, foot_at(place(), "R").landmarks)
    table = tmp_path / "landmarks.csv"
    table.write_text(HEAD + lines(foot) + lines(other))
    count, refused = cut_films(tmp_path, table, tmp_path / "out")
    assert count == 1
    assert list(refused) == ["b.png"]
    real = load_real_crops(tmp_path / "out", torch.device("cpu"))
    assert int(real.known.sum()) == len(ANCHORS)
    where = real.points[0, landmark_schema().index("M1_head_c")].numpy()
    anchor = next(a for a in ANCHORS if a.code == "M1_head_c")
    assert where == pytest.approx([anchor.x + MARGIN, anchor.y + MARGIN], abs=0.01)
    shown = np.clip(real.images[0].float().numpy() - 40, 0, None)
    assert centre_of_mass(shown, where, 30) == pytest.approx(where, abs=0.3)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows allows no such names")
def test_films_with_odd_names_are_found_by_the_names_of_a_run(tmp_path, draw_blob):
    foot = foot_at(place(), "R")
    picture = np.rint(200 * draw_blob((980, 760), foot.landmarks["M1_head_c"], 7.0)).astype(np.uint8)
    odd = ["a\nb.png", "a\\nb.png", "a%0Ab.png", "=a.png"]
    for film in odd:
        Image.fromarray(picture).save(tmp_path / film)
    with (tmp_path / "marks.csv").open("w", encoding="utf-8", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(COLUMNS)
        for film in odd:
            rows.writerows((film_name(film), "R", 0, code, *at) for code, at in foot.landmarks.items())
    assert cut_films(tmp_path, tmp_path / "marks.csv", tmp_path / "crops") == (4, {})
    # Crops show a person's film: mode 0600, folders 0700 (POSIX).
    assert not any(path.stat().st_mode & 0o077 for path in [tmp_path / "crops", *(tmp_path / "crops").rglob("*")])


@pytest.mark.parametrize("bone", [235, 20], ids=["bone bright", "bone dark"])
def test_a_film_in_doubt_is_shown_with_bone_bright_as_the_landmarks_tell(tmp_path, bone):
    # Mottled all over, so that the background tells nothing; one shaft, 40 pixels wide, upright in the crop.
    matrix = place(turn=0.0, scale=1.3)
    foot = foot_at(matrix, "R")
    x, y = foot.landmarks["M1_head_c"]
    grey = gaussian_filter(np.random.default_rng(3).normal(size=(980, 760)), 9)
    picture = np.clip(128 + 40 * grey / grey.std(), 0, 255)
    picture[round(y) - 150 : round(y) + 150, round(x) - 20 : round(x) + 20] = bone
    cortices = {"M2p_med": (x - 20, y + 60), "M2p_lat": (x + 20, y + 60)}
    cortices |= {"M2d_med": (x - 20, y - 60), "M2d_lat": (x + 20, y - 60)}
    foot.landmarks.update(cortices)
    Image.fromarray(picture.astype(np.uint8)).save(tmp_path / "a.png")
    with FilmReader() as films:
        film = films.read(tmp_path / "a.png")
    assert film.polarity_doubtful
    assert (bone_lead(film, [foot]) > 0) == (bone == 235)
    table = tmp_path / "landmarks.csv"
    table.write_text(HEAD + lines(foot))
    cut_films(tmp_path, table, tmp_path / "out")
    real = load_real_crops(tmp_path / "out", torch.device("cpu"))
    column, row = real.points[0, landmark_schema().index("M1_head_c")].round().int().tolist()
    shown = real.images[0].float()
    assert shown[row, column] > 200
    assert shown[row, column] > shown.median() + 50


def test_without_cortices_nothing_is_said_of_the_polarity(tmp_path):
    Image.fromarray(np.linspace(0, 255, 980 * 760).reshape(980, 760).astype(np.uint8)).save(tmp_path / "a.png")
    with FilmReader() as films:
        film = films.read(tmp_path / "a.png")
    assert np.isnan(bone_lead(film, [foot_at(place(), "R")]))


def test_the_table_is_the_one_that_generated_films_come_with():
    assert COLUMNS == LANDMARK_COLUMNS


def test_two_feet_of_a_film_and_a_byte_order_mark(tmp_path):
    table = tmp_path / "t.csv"
    both = lines(foot_at(place(), "R"), "0") + lines(foot_at(place(mirrored=True), "L"), "1")
    table.write_text(HEAD + both, encoding="utf-8-sig")
    assert [(f.side, len(f.landmarks)) for f in read_landmarks(table)] == [("R", 8), ("L", 8)]


@pytest.mark.parametrize("encoding", ["utf-8-sig", "cp1252", "utf-16"])
def test_a_table_as_a_german_spreadsheet_writes_it(tmp_path, encoding):
    """Semicolons, decimal commas, capitals, an umlaut (common practice, no source)."""
    foot = foot_at(place(), "R")
    table, plain = tmp_path / "t.csv", tmp_path / "plain.csv"
    plain.write_text(HEAD + lines(foot))
    rows = lines(foot).replace(",", ";").replace(".", ",").replace("a,png", "Möwe/a.png")
    table.write_bytes(("Film;FOOT;foot_index;Landmark;X;Y\n" + rows).replace("\n", "\r\n").encode(encoding))
    (read,), (known,) = read_landmarks(table), read_landmarks(plain)
    assert (read.film, read.side, read.landmarks) == ("Möwe/a.png", "R", known.landmarks)


def test_films_are_found_by_the_names_that_people_write(tmp_path):
    picture = np.zeros((980, 760), np.uint8)
    picture[0, 0] = 255
    for name in ("ward/a.png", "ward/c.png", "spare/c.png"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        picture[0, 1] += 50
        Image.fromarray(picture).save(tmp_path / name)
    table = tmp_path / "t.csv"
    table.write_text(HEAD + lines(foot_at(place(), "R")).replace("a.png", "a"))
    count, refused = cut_films(tmp_path, table, tmp_path / "out")
    assert (count, refused) == (1, {})
    for name, said in (("c", r"line 2: c could be spare/c\.png or ward/c\.png"), ("gone", "gone: ")):
        table.write_text(HEAD + lines(foot_at(place(), "R")).replace("a.png", name))
        with pytest.raises(FinetuneFilmsError, match=said):
            cut_films(tmp_path, table, tmp_path / "out")
    both = lines(foot_at(place(), "R")), lines(foot_at(place(), "L"), "1").replace("a.png", "a")
    table.write_text(HEAD + "".join(both))
    with pytest.raises(FinetuneFilmsError, match=r"line 10: a\.png and a are the same film"):
        cut_films(tmp_path, table, tmp_path / "out")


GOOD = lines(foot_at(place(), "R"))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("film,foot,landmark,x,y\n", r"t\.csv: no column foot_index"),
        (HEAD, r"t\.csv: holds no landmark"),
        (HEAD + GOOD + "a.png,R,0,NOSE,1,2\n", r"t\.csv: line 10, column landmark: there is no landmark 'NOSE'"),
        (
            HEAD + "a.png,both,0,M1_head_c,1,2\n",
            r"t\.csv: line 2, column foot: 'both' is no side of a foot; expected is L or R",
        ),
        (HEAD + "a.png,R,0,M1_head_c,1,two\n", r"t\.csv: line 2, column y: 'two' is not a number"),
        (HEAD + "a.png,R,0,M1_head_c,nan,2\n", r"t\.csv: line 2: says that there is no place"),
        (HEAD + "a.png,R,0,M1_head_c,1\n", r"t\.csv: line 2, column y: is empty"),
        (
            HEAD + GOOD + "a.png,R,0,M1_head_c,1,2\n",
            r"t\.csv: line 10, column landmark: M1_head_c of this foot is given twice",
        ),
        (HEAD + GOOD + "a.png,L,0,M1_tip,1,2\n", r"t\.csv: line 10, column foot: foot 0 of a\.png was R in line 2"),
        (
            HEAD + "".join(GOOD.splitlines(keepends=True)[:2]),
            r"t\.csv: line 2: this foot of a\.png has 2 of .* needs 3",
        ),
    ],
)
def test_a_table_that_cannot_be_used_is_refused_by_row(tmp_path, text, said):
    table = tmp_path / "t.csv"
    table.write_text(text)
    with pytest.raises(FinetuneFilmsError, match=said):
        read_landmarks(table)


def test_a_missing_table_and_a_picture_in_its_place_are_refused(tmp_path):
    (tmp_path / "t.png").write_bytes(b"\x89PNG\xff\x00")
    for name, said in (("none.csv", "cannot be read"), ("t.png", "is not a text table")):
        with pytest.raises(FinetuneFilmsError, match=f"{name}: {said}"):
            read_landmarks(tmp_path / name)


def test_landmarks_off_the_film_and_films_that_none_can_read_are_refused(tmp_path):
    table = tmp_path / "t.csv"
    table.write_text(HEAD + GOOD)
    with pytest.raises(FinetuneFilmsError, match=r"none of the 1 films can be read; a\.png"):
        cut_films(tmp_path, table, tmp_path / "out")
    picture = np.zeros((150, 140), np.uint8)
    picture[50, 50] = 255
    Image.fromarray(picture).save(tmp_path / "a.png")
    with pytest.raises(
        FinetuneFilmsError, match=r"t\.csv: M1_head_c of the foot from line 2 .* off a\.png with 140 columns"
    ):
        cut_films(tmp_path, table, tmp_path / "out")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["train_finetune.yaml", "--films", "."], "go together"),
        (["train_finetune.yaml", "--films", ".", "--landmarks", "bad.csv"], "no column"),
        (["train_landmarks.yaml", "--films", ".", "--landmarks", "none.csv"], "none.csv"),
        (["train_locator.yaml", "--films", ".", "--landmarks", "bad.csv"], "own films need the network landmarks"),
    ],
)
def test_the_command_says_in_one_line_what_is_wrong(tmp_path, monkeypatch, arguments, said):
    monkeypatch.chdir(tmp_path)
    with (tmp_path / "bad.csv").open("w") as file:
        csv.writer(file).writerow(["film"])
    result = CliRunner().invoke(app, ["train", *arguments])
    assert result.exit_code == 2
    assert said in " ".join(result.output.replace("│", " ").split())
