"""Measuring from Python: the command's numbers, every film's reason, and no number where there is none."""

import csv
import json
import math
import subprocess
import sys
import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from PIL import Image
from typer.testing import CliRunner

import raysplay.infer
from raysplay.configs.load import digest, landmark_descriptions, landmark_schema
from raysplay.configs.protocol import protocol
from raysplay.infer import (
    MeasuredValue,
    NoFilmsError,
    Outcome,
    PandasMissingError,
    PointsError,
    RaysplayError,
    ReadsAtStakeError,
    RunError,
    RunFolderError,
    UnknownMeasureError,
    Withheld,
    WithheldError,
    accepted,
    command,
    measure,
    measure_into,
    measure_points,
    read_run,
    to_arrow,
    to_pandas,
)
from raysplay.train.cli import app

PX_PER_MM = 5.0
GOLDEN = json.loads((Path(__file__).parents[1] / "data" / "golden_points.json").read_text(encoding="utf-8"))

NAMES = ["broken.dcm", "clear.png", "doubt.png", "none.png", "side.png", "weak.png"]


class Known:
    """A known foot on every film; on ``none`` none, on ``side`` and ``doubt`` the view is not or barely dorsoplantar,
    on ``weak`` the fifth metatarsal is unsure."""

    digests = {"known": "0" * 64}  # noqa: RUF012

    def __init__(self, placed, schema):
        self.placed, self.fifth = placed, schema.index("M5d_med")

    def find(self, film):
        if film.path.name == "none.png":
            return []
        views = {"side.png": {"dp": 0.01, "oblique": 0.02, "lateral": 0.97, "other": 0.0}}
        views["doubt.png"] = {"dp": 0.6, "oblique": 0.4, "lateral": 0.0, "other": 0.0}
        return [replace(self.placed.foot, view=views.get(film.path.name, self.placed.foot.view))]

    def landmarks(self, film, foot):
        confidence = self.placed.confidence.copy()
        if film.path.name == "weak.png":
            confidence[self.fifth] = 0.05
        return replace(self.placed, foot=foot, confidence=confidence)


@pytest.fixture
def films(tmp_path):
    folder = tmp_path / "films"
    folder.mkdir()
    for number, name in enumerate(name for name in NAMES if name.endswith(".png")):
        pixels = np.full((1000, 900), 40, dtype=np.uint8)
        pixels[150:950, 150:700] = 140
        pixels[0, number] = 255
        Image.fromarray(pixels).save(folder / name)
    (folder / "broken.dcm").write_bytes(b"\0" * 128 + b"DICM")
    return folder


@pytest.fixture
def load(place, schema):
    return lambda threads, weights: Known(place(), schema)


@pytest.fixture
def results(films, load):
    return {film.film: film for film in measure(films, load=load)}


@pytest.fixture
def run(films, load, tmp_path):
    return measure_into(films, tmp_path / "run", overlays=False, load=load).read()


def table(path):
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_a_damaged_film_among_good_ones_costs_nothing_else(results):
    assert list(results) == NAMES
    assert [len(film.feet) for film in results.values()] == [0, 1, 1, 0, 1, 1]
    assert results["broken.dcm"].decision is results["none.png"].decision is Outcome.REFUSED
    assert str(results["broken.dcm"].reasons[0]).startswith("unreadable:")
    assert [str(one) for one in results["none.png"].reasons] == ["no foot found"]
    (foot,) = results["clear.png"].feet
    assert foot["hva"].value == pytest.approx(GOLDEN["angles"]["hva"], abs=0.06)
    assert (foot.side, foot.index, foot.decision) == ("R", 0, Outcome.ACCEPTED)


def test_what_is_withheld_has_no_number_and_says_why(results):
    (foot,) = results["weak.png"].feet
    number = foot["ima45"]
    assert (number.value, number.low, number.high) == (None, None, None)
    assert number.withheld is Withheld.NO_POINTS
    assert number.why == Withheld.NO_POINTS.words
    assert str(number) == f"IMA 4-5: no number, {number.why}"
    with pytest.raises(WithheldError, match="IMA 4-5 is not given: points that it needs"):
        float(number)
    with pytest.raises(TypeError):
        number.value + 1.0
    assert foot["hva"].value is not None
    assert foot["hva"].why == ""


def test_a_refused_foot_has_no_numbers_and_no_points_and_says_why(results):
    (foot,) = results["side.png"].feet
    assert foot.decision is Outcome.REFUSED
    assert list(foot.measures) == ["hva", "ima", "ima45"]
    for number in foot.measures.values():
        assert number.value is None
        assert "refused (not a dorsoplantar view:" in number.why
    assert not foot.landmarks


def test_only_who_asks_for_accepted_feet_gets_them_alone(results):
    everything = [foot for film in results.values() for foot in film.feet]
    chosen = list(accepted(results.values()))
    assert len(everything) == 4
    assert {foot.decision for foot in everything} == set(Outcome)
    assert {foot.decision for foot in chosen} == {Outcome.ACCEPTED}
    assert len(chosen) == sum(foot.decision is Outcome.ACCEPTED for foot in everything)


def test_a_measure_that_is_not_reported_is_named(results):
    with pytest.raises(UnknownMeasureError, match=r"^hia: is not reported; there are hva, ima, ima45$"):
        results["clear.png"].feet[0]["hia"]


def test_landmarks_are_those_of_the_networks(results, place, schema):
    placed, landmarks = place(), results["clear.png"].feet[0].landmarks
    assert tuple(landmarks) == schema.codes
    for code, point in landmarks.items():
        index = schema.index(code)
        assert (point.x, point.y) == tuple(placed.points[index])
        assert point.bone == schema.bones[index]
        np.testing.assert_array_equal(point.covariance, placed.covariance[index])
        assert point.confidence == placed.confidence[index]


def test_a_number_has_a_value_or_a_reason():
    sound = MeasuredValue("hva", "HVA", 31.5, 30.0, 33.0, "deg", "shaft", None, True, False)
    assert str(sound) == "HVA 31.5 deg (30.0 to 33.0), shaft"
    assert str(replace(sound, low=None, high=None, proven=False)) == "HVA 31.5 deg, shaft, unproven"
    for wrong in (
        {"value": None},
        {"why": "for no reason"},
        {"withheld": Withheld.NO_POINTS},
        {"low": None},
        {"value": None, "why": "no points"},
    ):
        with pytest.raises(ValueError, match="hva: "):
            replace(sound, **wrong)


@pytest.mark.parametrize("made", [lambda path: None, lambda path: path.mkdir()], ids=["missing", "empty"])
def test_without_a_film_nothing_is_loaded_or_written(tmp_path, made):
    def never(*_):
        raise AssertionError("networks were loaded")

    made(tmp_path / "films")
    for called in (
        lambda: measure(tmp_path / "films", load=never),
        lambda: measure_into(tmp_path / "films", tmp_path / "out", load=never),
    ):
        with pytest.raises(NoFilmsError, match=r"films: no such file|no file to measure"):
            called()
    assert not (tmp_path / "out").exists()


def test_the_command_and_python_leave_the_same_tables(films, load, run, tmp_path, monkeypatch):
    monkeypatch.setattr(command, "foot_reader", load)
    result = CliRunner().invoke(app, ["measure", str(films), "--out", str(tmp_path / "by_command"), "--no-overlays"])
    assert result.exit_code == 0, result.output
    for name in ("feet.csv", "measurements.csv", "crops.csv", "landmarks.parquet", "feet.xlsx"):
        assert (tmp_path / "by_command" / name).read_bytes() == (run.folder / name).read_bytes()
    about = json.loads((run.folder / "run.json").read_text(encoding="utf-8"))
    assert about["command"] == ["raysplay.infer.measure_into"]


def test_a_finished_run_reads_as_it_was_measured(run, results):
    read = {film.film: film for film in run}
    assert read == results
    assert len(run) == len(NAMES)
    assert dict(run.constructions) == {"hva": "shaft", "ima": "shaft", "ima45": "shaft"}
    for film, result in results.items():
        for foot, same in zip(result.feet, read[film].feet, strict=True):
            assert foot.landmarks.keys() == same.landmarks.keys()
            for code, point in foot.landmarks.items():
                assert (point.x, point.y) == (same.landmarks[code].x, same.landmarks[code].y)
                np.testing.assert_array_equal(point.covariance, same.landmarks[code].covariance)


def test_tables_are_those_of_the_run(run, results):
    """Every column of the CSV files but the picture's; a file without a foot and a refused foot are not lost."""
    for found in (run.to_arrow(), to_arrow(results.values())):
        rows = table(run.folder / "feet.csv")
        assert found.column_names == [name for name in rows[0] if name != "overlay"]
        assert len(rows) == found.num_rows == 6
        for row, same in zip(rows, found.to_pylist(), strict=True):
            for name, value in same.items():
                told = "" if value is None else value if isinstance(value, str) else float(value)
                assert told == (row[name] if isinstance(told, str) else float(row[name])), (row["film"], name)
    numbers = table(run.folder / "measurements.csv")
    found = run.to_arrow("measurements")
    assert found.column_names == [name for name in numbers[0] if name != "overlay"]
    for row, same in zip(numbers, found.to_pylist(), strict=True):
        assert (row["film"], row["measure"], row["withheld"]) == (same["film"], same["measure"], same["withheld"])
        assert (row["value"] or None) == (None if same["value"] is None else str(same["value"]))
        assert (row["proof"], row["decision"], row["low"]) == (same["proof"], same["decision"], str(same["low"] or ""))
    assert run.to_arrow("landmarks").equals(pq.read_table(run.folder / "landmarks.parquet"))
    with pytest.raises(ValueError, match="rows must be one of feet, measurements, landmarks"):
        run.to_arrow("films")


def test_a_data_frame_leaves_withheld_numbers_empty(run):
    frame = run.to_pandas("measurements").set_index(["film", "measure"])
    assert math.isnan(frame.loc[("weak.png", "ima45"), "value"])
    assert frame.loc[("weak.png", "ima45"), "withheld"] == "no_points"
    assert frame.loc[("clear.png", "hva"), "value"] == pytest.approx(32.0, abs=0.06)


def test_without_pandas_its_want_is_said(results, monkeypatch):
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(PandasMissingError, match="pip install pandas, or use to_arrow"):
        to_pandas(results.values())


def test_no_films_are_an_empty_table():
    assert to_arrow([]).num_rows == 0


def test_progress_tells_every_film_and_what_became_of_it(films, load, tmp_path):
    steps = []
    measure_into(films, tmp_path / "out", overlays=False, load=load, progress=steps.append)
    assert [(step.stage, step.done) for step in steps] == [
        ("loading", 0),
        *[("measuring", done) for done in range(7)],
        ("writing", 6),
    ]
    assert {step.total for step in steps} == {6}
    assert [step.film.film for step in steps if step.film] == NAMES


def test_a_callback_that_fails_stops_the_run_and_keeps_its_rows(films, load, tmp_path):
    def tired(step):
        if step.done == 3:
            raise InterruptedError

    said = []
    with pytest.raises(InterruptedError):
        measure_into(films, tmp_path / "out", overlays=False, load=load, progress=tired, notice=said.append)
    assert "end in .partial" in said[0]
    assert len(table(tmp_path / "out" / "feet.csv.partial")) == 3
    with pytest.raises(RunError, match="finished run"):
        read_run(tmp_path / "out")
    measure_into(films, tmp_path / "out", overlays=False, load=load)


def test_an_iterator_that_is_left_lets_its_helpers_go(films, load):
    left = measure(films, load=load)
    assert next(left).film == NAMES[0]
    left.close()
    assert not [one for one in threading.enumerate() if one.name.startswith("decode")]


def test_a_run_is_not_replaced_unasked(films, load, run, tmp_path):
    with pytest.raises(RunFolderError, match="holds an earlier run"):
        measure_into(films, run.folder, load=load)
    (run.folder / "review_stores.txt").write_text("postgresql://quay/reads\n", encoding="utf-8")
    with pytest.raises(ReadsAtStakeError, match="was reviewed with"):
        measure_into(films, run.folder, overwrite=True, load=load)


def test_a_table_that_was_changed_is_not_read(run):
    path = run.folder / "feet.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("32.0", "22.0", 1), encoding="utf-8")
    with pytest.raises(RunError, match="was changed after the run"):
        read_run(run.folder)


def test_a_missing_number_without_a_known_reason_is_no_number_of_a_run(run):
    path, about = run.folder / "feet.csv", run.folder / "run.json"
    path.write_text(path.read_text(encoding="utf-8").replace("ima45:no_points", "ima45:moonlight"), encoding="utf-8")
    content = json.loads(about.read_text(encoding="utf-8"))
    content["tables"]["feet.csv"] = digest(path)
    about.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(RunError, match=r"feet\.csv: a number is missing without a reason"):
        list(read_run(run.folder))


def test_what_is_given_to_python_loads_no_network_before_a_film():
    """Nor pandas; torch takes seconds."""
    code = (
        "import sys; from raysplay.infer import *; import raysplay.infer.measuring;"
        "measure_points({'M1p_med': (1, 2)}, 'R'); sys.exit(bool({'torch', 'pandas'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_the_face_has_what_it_names():
    for name in raysplay.infer.__all__:
        assert getattr(raysplay.infer, name).__name__ == name
    assert set(raysplay.infer.__all__) == set(raysplay.infer._HOME)
    with pytest.raises(AttributeError, match="nothing"):
        _ = raysplay.infer.nothing


def test_all_errors_are_of_one_kind_and_carry_the_commands_status():
    """infer/GUIDE.md, "Exit status": 2 where nothing was done, 1 for a run that was stopped."""
    errors = [getattr(raysplay.infer, name) for name in raysplay.infer.__all__ if name.endswith("Error")]
    assert len(errors) == 15
    for error in errors:
        assert issubclass(error, RaysplayError)
        assert error.exit_status == (1 if error.__name__ == "RunStoppedError" else 2)


@pytest.mark.parametrize("status", [1, 2])
def test_the_command_ends_with_the_status_of_the_error(films, monkeypatch, tmp_path, status):
    class FogError(RaysplayError):
        exit_status = status

    def foggy(*_):
        raise FogError("the lamp is out")

    monkeypatch.setattr(command, "foot_reader", foggy)
    result = CliRunner().invoke(app, ["measure", str(films), "--out", str(tmp_path / "out")])
    assert (result.exit_code, result.stderr.splitlines()[-1]) == (status, "Error: the lamp is out")


# Points of the golden foot, fact sheet 8.5, in pixels of a film with its toes up: y runs downward.
MM = {code: place for code, place in GOLDEN["points"].items() if code in landmark_schema().codes}
RIGHT = {code: (400.0 + x * PX_PER_MM, 700.0 - y * PX_PER_MM) for code, (x, y) in MM.items()}
LEFT = {code: (400.0 - x * PX_PER_MM, 700.0 - y * PX_PER_MM) for code, (x, y) in MM.items()}


@pytest.mark.parametrize(("points", "side"), [(RIGHT, "R"), (LEFT, "L")])
def test_given_points_give_the_worked_example(points, side):
    """Fact sheet 8.5: HVA 32.0, IMA 14.0 degrees on either foot; nothing of it is proven by a network."""
    found = measure_points(points, side)
    assert [found[name].value for name in ("hva", "ima")] == [32.0, 14.0]
    assert not any(number.proven for number in found.values())
    assert all(number.low is number.high is None for number in found.values())


def test_a_spread_of_the_points_gives_an_interval_that_grows_with_it():
    small, large = (measure_points(RIGHT, "R", sd_pixels=sd)["hva"] for sd in (0.5, 2.0))
    assert small.low < small.value == 32.0 < small.high
    assert large.high - large.low == pytest.approx(4 * (small.high - small.low), abs=0.3)


def test_points_may_be_named_by_the_words_of_the_list(schema):
    words = dict(zip(schema.codes, landmark_descriptions(), strict=True))
    assert measure_points({words[code]: place for code, place in RIGHT.items()}, "R") == measure_points(RIGHT, "R")


def test_missing_points_withhold_what_needs_them_alone():
    without = {code: place for code, place in RIGHT.items() if code != "PPd_med"}
    for points in (without, {**without, "PPd_med": (math.nan, math.nan)}):
        found = measure_points(points, "R")
        assert found["hva"].value is None
        assert found["hva"].withheld is Withheld.NO_POINTS
        assert found["hva"].why == "landmark not placed: PPd_med"
        assert found["ima"].value == 14.0
    assert all(number.value is None for number in measure_points({}, "L").values())


def test_lengths_need_the_size_of_a_pixel():
    """The head and base of the first metatarsal are as far apart as in the fact sheet's table."""
    name = next(one.name for one in protocol().measures() if one.unit == "mm" and set(one.landmarks) <= set(RIGHT))
    without = measure_points(RIGHT, "R", measures=name)[name]
    assert (without.value, without.withheld) == (None, Withheld.NO_MILLIMETRES)
    one, double = (measure_points(RIGHT, "R", measures=[name], pixel_mm=mm)[name].value for mm in (0.2, 0.4))
    assert double == pytest.approx(2 * one, abs=0.11)


def test_pixels_that_are_not_square_are_measured_as_they_are():
    """Rows 1.25 times as far apart as columns: the same foot covers fewer rows."""
    squeezed = {code: (x, y / 1.25) for code, (x, y) in RIGHT.items()}
    assert measure_points(squeezed, "R", pixel_mm=(0.25, 0.2))["hva"].value == 32.0
    assert measure_points(squeezed, "R")["hva"].value != 32.0


@pytest.mark.parametrize("side", ["", "r", "right", None, "B"])
def test_an_unknown_side_is_no_side(side):
    with pytest.raises(PointsError, match="side: must be 'L' or 'R'"):
        measure_points(RIGHT, side)


@pytest.mark.parametrize(("points", "side", "shown"), [(RIGHT, "L", "right"), (LEFT, "R", "left")])
def test_mirrored_points_are_refused_since_angles_would_count_the_wrong_way(points, side, shown):
    with pytest.raises(PointsError, match=f"the points show a {shown} foot"):
        measure_points(points, side)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"nose": (1, 2)}, "no landmark 'nose'"),
        ({"M1p_med": (1, 2, 3)}, "M1p_med must be x and y"),
        ({"M1p_med": (math.nan, 2)}, "M1p_med must be x and y"),
        ({"M1p_med": (math.inf, 2)}, "M1p_med must be x and y"),
        ({"M1p_med": "here"}, "M1p_med is no pair of numbers"),
        ({"M1p_med": None}, "M1p_med must be x and y"),
        ({landmark_descriptions()[0]: (1, 2)}, "M1p_med stands twice"),
    ],
)
def test_points_that_are_none_are_named(change, said):
    with pytest.raises(PointsError, match=said):
        measure_points({**RIGHT, **change}, "R")


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"pixel_mm": 0.0}, "pixel_mm: must be positive"),
        ({"pixel_mm": (0.2, -0.2)}, "pixel_mm: must be positive"),
        ({"pixel_mm": (0.2, 0.2, 0.2)}, "pixel_mm: must be one number"),
        ({"pixel_mm": math.nan}, "pixel_mm: must be positive"),
        ({"pixel_mm": "small"}, "pixel_mm: must be a number"),
        ({"sd_pixels": 0.0}, "sd_pixels: must be positive"),
        ({"measures": ["nose"]}, "no measure 'nose'"),
        ({"measures": ["hva", "hva"]}, "stands twice"),
    ],
)
def test_sizes_and_measures_that_are_none_are_named(options, said):
    with pytest.raises(PointsError, match=said):
        measure_points(RIGHT, "R", **options)
