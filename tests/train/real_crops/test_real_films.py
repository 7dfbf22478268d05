"""Folders of real crops: read, refused with file and reason, and gathered from films by a reader."""

import csv
import runpy
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch
from PIL import Image
from typer.testing import CliRunner

from raysplay.configs import landmark_schema
from raysplay.configs.conditions import CONDITIONS
from raysplay.infer.records import FootLandmarks, FoundFoot
from raysplay.infer.settings import reading_settings
from raysplay.infer.shipped_weights import WEIGHTS_DIR
from raysplay.infer.user_table import UserTableError
from raysplay.infer.warp import transform_points
from raysplay.train.cli import app
from raysplay.train.real_crops.gather import CONFIDENT, gather
from raysplay.train.real_crops.real_films import MARGIN, RealFilmsError, load_real_crops

CPU = torch.device("cpu")
ROWS, COLUMNS = (side + 2 * MARGIN for side in reading_settings().crop_size)


@pytest.fixture
def folder(tmp_path):
    """Two crops, one from above with a landmark, one from the side."""
    (tmp_path / "crops").mkdir()
    for name, grey in (("one.png", 90), ("two.png", 180)):
        Image.fromarray(np.full((40, 30), grey, np.uint8)).save(tmp_path / "crops" / name)
    (tmp_path / "crops.csv").write_text("crop,film,view\none.png,a.dcm,dp\ntwo.png,b.dcm,lateral\n")
    (tmp_path / "landmarks.csv").write_text("crop,landmark,x,y\none.png,M1_head_c,12.5,20.25\n")
    return tmp_path


def test_a_folder_is_read(folder):
    real = load_real_crops(folder, CPU)
    assert len(real) == 2
    assert real.images.dtype == torch.uint8
    assert [int(picture.unique()) for picture in real.images] == [90, 180]
    assert real.view.tolist() == [0, 2]
    at = landmark_schema().index("M1_head_c")
    assert real.known.nonzero().tolist() == [[0, at]]
    assert real.points[0, at].tolist() == [12.5, 20.25]


def test_conditions_are_yes_no_or_not_known(folder):
    table = "crop,film,view,cast,metal\none.png,a.dcm,dp,yes,\ntwo.png,b.dcm,lateral,no,no\n"
    (folder / "crops.csv").write_text(table)
    conditions = load_real_crops(folder, CPU).conditions
    cast, metal = CONDITIONS.index("cast"), CONDITIONS.index("metal")
    assert conditions[:, cast].tolist() == [1.0, 0.0]
    assert conditions[:, metal].isnan().tolist() == [True, False]
    assert int((~conditions.isnan()).sum()) == 3


def test_landmarks_may_be_missing_altogether(folder):
    (folder / "landmarks.csv").unlink()
    assert not load_real_crops(folder, CPU).known.any()


@pytest.mark.parametrize(
    ("table", "text"),
    [
        ("crops.csv", "crop,film,view\n"),
        ("crops.csv", "crop,film\none.png,a.dcm\n"),
        ("crops.csv", "crop,film,view\none.png,a.dcm\n"),
        ("crops.csv", "crop,film,view\none.png,a.dcm,sideways\n"),
        ("crops.csv", "crop,film,view\nthree.png,a.dcm,dp\n"),
        ("crops.csv", "crop,film,view,cast\none.png,a.dcm,dp,maybe\n"),
        ("landmarks.csv", "crop,landmark,x,y\none.png,M1_head_c,left,2\n"),
        ("landmarks.csv", "crop,landmark,x,y\none.png,M1_head_c,1\n"),
        ("landmarks.csv", "crop,landmark,x,y\none.png,NOSE,1,2\n"),
        ("landmarks.csv", "crop,landmark,x,y\nthree.png,M1_head_c,1,2\n"),
    ],
)
def test_a_folder_that_does_not_fit_is_refused_by_name(folder, table, text):
    (folder / table).write_text(text)
    with pytest.raises(RealFilmsError, match=table.replace(".", r"\.")):
        load_real_crops(folder, CPU)


def test_crops_of_two_sizes_are_refused(folder):
    Image.fromarray(np.zeros((40, 31), np.uint8)).save(folder / "crops" / "two.png")
    with pytest.raises(RealFilmsError, match="one size"):
        load_real_crops(folder, CPU)


def test_a_damaged_picture_and_a_missing_folder_are_refused(folder, tmp_path):
    (folder / "crops" / "two.png").write_bytes(b"\x89PNG\r\n\x1a\n")
    with pytest.raises(RealFilmsError, match=r"crops\.csv"):
        load_real_crops(folder, CPU)
    with pytest.raises(RealFilmsError, match=r"crops\.csv"):
        load_real_crops(tmp_path / "nowhere", CPU)


class OneFoot:
    """Finds one right foot on every film, half as large as the crop, with its landmarks in a row along the blob."""

    def __init__(self, at):
        count = len(landmark_schema())
        matrix = np.array([[0.8, 0, 60.0], [0, 0.8, 20.0], [0, 0, 1]])
        foot = FoundFoot(np.eye(3), "R", 0.9, 0.9, {"dp": 1.0})
        confidence = np.full(count, 0.9)
        confidence[5:] = CONFIDENT - 0.01
        points = np.tile(np.asarray(at, float), (count, 1))
        self.foot, self.read = foot, FootLandmarks(replace(foot, film_from_crop=matrix), points, None, confidence)

    def find(self, film):
        return [self.foot]

    def landmarks(self, film, foot):
        assert foot is self.foot
        return self.read


@pytest.fixture
def gathered(tmp_path, draw_blob):
    """Two films of one name in two folders, a third that is no film; the first is trusted."""
    films = tmp_path / "films"
    at = (230.4, 301.7)
    blob = np.rint(220 * draw_blob((560, 460), at, 9.0)).astype(np.uint8)
    for name, picture in (("a/foot.png", blob), ("b/foot.png", np.full_like(blob, 128))):
        (films / name).parent.mkdir(parents=True)
        picture = picture.copy()
        picture[0, 0], picture[0, 1] = 0, 255
        Image.fromarray(picture).save(films / name)
    (films / "broken.dcm").write_bytes(b"no film at all")
    table = tmp_path / "list.csv"
    lines = [
        "film,view,trusted,cast",
        "a/foot.png,dp,yes,no",
        "broken.dcm,dp,yes,",
        "b/foot.png,dp,no,",
        "gone.dcm,other,no,",
    ]
    table.write_text("\n".join(lines) + "\n")
    out = tmp_path / "out"
    return gather(films, table, out, OneFoot(at)), out


def test_gathered_crops_are_read_back_with_landmarks_where_they_lie(gathered, centre_of_mass):
    count, out = gathered
    assert count == 2
    real = load_real_crops(out, CPU)
    assert real.images.shape == (2, ROWS, COLUMNS)
    # Only the trusted film gives landmarks, and only confident ones.
    assert real.known.sum(1).tolist() == [5, 0]
    assert (real.known[0, :5]).all()
    assert real.conditions[:, CONDITIONS.index("cast")].nan_to_num(9).tolist() == [0, 9]
    picture, at = real.images[0].float().numpy(), real.points[0, 0].numpy()
    assert centre_of_mass(np.clip(picture - 60, 0, None), at, 30) == pytest.approx(at, abs=0.3)
    # The stored crop reaches MARGIN pixels beyond the reader's.
    inner = transform_points(np.linalg.inv(OneFoot((230.4, 301.7)).read.foot.film_from_crop), np.array([230.4, 301.7]))
    assert at == pytest.approx(inner + MARGIN, abs=0.01)


def test_films_of_the_same_name_do_not_overwrite_each_other(gathered):
    _, out = gathered
    with (out / "crops.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["film"] for row in rows] == ["a/foot.png", "b/foot.png"]
    assert len({row["crop"] for row in rows}) == 2
    first, second = (np.asarray(Image.open(out / "crops" / Path(row["crop"]))) for row in rows)
    assert (np.median(first), first.max() > 200) == (0, True)
    assert np.median(second) == pytest.approx(128, abs=3)


def test_of_a_film_with_several_feet_only_one_that_is_named_is_taken(tmp_path, capsys):
    """The feet of one film may show different views."""
    Image.fromarray(np.tile(np.arange(200, dtype=np.uint8), (300, 1))).save(tmp_path / "two.png")
    reader = OneFoot((100.0, 150.0))
    reader.find = lambda film: [replace(reader.foot, side="L"), reader.foot]
    table = tmp_path / "list.csv"
    table.write_text("film,view,trusted\ntwo.png,dp,no\n")
    assert gather(tmp_path, table, tmp_path / "none", reader) == 0
    assert "two.png: no foot, or not clear which" in capsys.readouterr().err
    table.write_text("film,view,trusted,foot\ntwo.png,dp,no,R\n")
    assert gather(tmp_path, table, tmp_path / "one", reader) == 1


def test_a_list_with_semicolons_capitals_and_names_without_ending(tmp_path):
    Image.fromarray(np.tile(np.arange(200, dtype=np.uint8), (300, 1))).save(tmp_path / "one.png")
    table = tmp_path / "list.csv"
    table.write_bytes("Film;View;Trusted;Cast;Größe\r\none;DP;no;Yes;1,5\r\n".encode("cp1252"))
    assert gather(tmp_path, table, tmp_path / "out", OneFoot((100.0, 150.0))) == 1
    with (tmp_path / "out" / "crops.csv").open(encoding="utf-8") as file:
        (row,) = csv.DictReader(file)
    assert (row["film"], row["view"], row["cast"]) == ("one.png", "dp", "yes")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("film,view\none.png,dp\n", "no column trusted"),
        ("film,view,trusted\none.png,front,no\n", "line 2, column view: 'front' is not one of: dp"),
        ("film,view,trusted\none.png,dp,maybe\n", "line 2, column trusted: 'maybe' is not one of: yes, no"),
        ("film,view,trusted,gast\none.png,dp,no,yes\n", "no column is called gast: did you mean cast?"),
        ("film,view,trusted,cast\none.png,dp,no,x\n", "line 2, column cast: 'x' is not one of"),
        ("film,view,trusted,foot\none.png,dp,no,X\n", "line 2, column foot: 'X' is no side"),
    ],
)
def test_a_list_that_cannot_be_used_is_refused_by_line_and_column(tmp_path, text, said):
    """A condition that is misspelt would be taken as not looked for, another view would be learned."""
    (tmp_path / "list.csv").write_text(text, encoding="utf-8")
    with pytest.raises(UserTableError) as caught:
        gather(tmp_path, tmp_path / "list.csv", tmp_path / "out", OneFoot((100.0, 150.0)))
    assert said in str(caught.value)
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("table", "text", "said"),
    [
        ("crops.csv", "crop,film,view\none.png,a.dcm,dp\ntwo.png,b.dcm,sideways\n", "line 3, column view"),
        ("crops.csv", "crop,film,view\nthree.png,a.dcm,dp\n", "line 2, column crop: the picture three.png"),
        ("landmarks.csv", "crop,landmark,x,y\none.png,M1_head_c,left,2\n", "line 2, column x: 'left' is not a number"),
        (
            "landmarks.csv",
            "crop,landmark,x,y\none.png,NOSE,1,2\n",
            "column landmark: there is no landmark 'NOSE'",
        ),
        ("landmarks.csv", "crop;landmark;x;y\none.png;M1_head_c;1,5;\n", "line 2: a place is missing"),
    ],
)
def test_a_folder_is_refused_by_line_and_column(folder, table, text, said):
    (folder / table).write_text(text)
    with pytest.raises(RealFilmsError) as caught:
        load_real_crops(folder, CPU)
    assert said in str(caught.value)


@pytest.mark.filterwarnings("ignore:.*found in sys.modules:RuntimeWarning")
@pytest.mark.parametrize("module", ["real_crops.gather", "view_head_fit", "familiarity", "shaft_edge_fit"])
def test_modules_that_take_tables_say_in_words_what_is_wrong_with_them(tmp_path, module, monkeypatch, capsys):
    """Status 2 and no traceback, before any long work; run as ``python -m`` runs them."""
    (tmp_path / "films").mkdir()
    for name in ("truth.csv", "list.csv"):
        (tmp_path / name).write_text("film,view,foot,hav,trusted\na,dp,L,1,perhaps\n", encoding="utf-8")
    arguments = {
        "real_crops.gather": [tmp_path / "films", tmp_path / "list.csv", tmp_path / "out"],
        "view_head_fit": [WEIGHTS_DIR / "landmarks.safetensors", folder_of_crops(tmp_path), tmp_path],
        "familiarity": [WEIGHTS_DIR / "landmarks.safetensors", "--real", tmp_path / "nowhere"],
        "shaft_edge_fit": [tmp_path],
    }[module]
    monkeypatch.setenv("COLUMNS", "240")
    monkeypatch.setattr(sys, "argv", [module, *map(str, arguments)])
    with pytest.raises(SystemExit) as ended:
        runpy.run_module(f"raysplay.train.{module}", run_name="__main__")
    told = capsys.readouterr().err
    said = " ".join(told.replace("│", " ").split())
    assert ended.value.code == 2, told
    assert "Traceback" not in told
    expected = {"real_crops.gather": "column trusted: 'perhaps'", "familiarity": "crops.csv: cannot be read"}
    assert expected.get(module, "did you mean hva?") in said


def test_a_table_of_shape_gap_says_what_is_wrong_with_it(tmp_path, monkeypatch):
    monkeypatch.setenv("COLUMNS", "240")
    (tmp_path / "run").mkdir()
    (tmp_path / "truth.csv").write_text("film,view,foot,hav\na,dp,L,1\n", encoding="utf-8")
    ended = CliRunner().invoke(app, ["shape-gap", str(tmp_path / "run"), str(tmp_path)])
    assert ended.exit_code == 2
    assert "did you mean hva?" in " ".join(ended.output.replace("│", " ").split())


def folder_of_crops(path):
    crops = path / "real"
    (crops / "crops").mkdir(parents=True)
    Image.fromarray(np.full((40, 30), 90, np.uint8)).save(crops / "crops" / "one.png")
    (crops / "crops.csv").write_text("crop,film,view\none.png,a.dcm,dp\n")
    return crops
