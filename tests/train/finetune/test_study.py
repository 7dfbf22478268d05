"""The study of own films on a generator shifted on purpose, in the small."""

import numpy as np
import pytest
import torch
import typer
from typer.testing import CliRunner

import raysplay.train.finetune.compare_weights as compare_weights
import raysplay.train.finetune.study as finetune_study
from raysplay.configs import landmark_schema, load
from raysplay.infer.shipped_weights import WEIGHTS_DIR
from raysplay.measure import measure_values, to_foot_frame
from raysplay.synthetic_data.settings import generator_settings
from raysplay.train.finetune.study import (
    UNTRAINED,
    StudyPlan,
    errors,
    marked_otherwise,
    render,
    shifted_generators,
    study,
    table,
)
from raysplay.train.real_crops.real_films import RealCrops, load_real_crops
from raysplay.train.reference_page.foot import REFERENCE_FOOT
from raysplay.train.settings import TrainSettings


@pytest.fixture(autouse=True)
def _few_at_once(monkeypatch):
    monkeypatch.setattr(finetune_study, "BLOCK", 4)


def test_the_shift_changes_what_it_names_and_nothing_else(tmp_path):
    overlay = tmp_path / "shift.yaml"
    overlay.write_text("broad: {person: {flare: 0.5}}\n")
    shifted, plain = shifted_generators(overlay)["broad"], generator_settings()
    assert shifted.person.flare == 0.5
    assert shifted.person.model_copy(update={"flare": plain.person.flare}) == plain.person
    assert (shifted.posture, shifted.exposure) == (plain.posture, plain.exposure)


@pytest.mark.parametrize("name", ["bones", "stance"])
def test_the_shipped_shifts_change_the_feet(coarse, name):
    shifted, cpu = shifted_generators()[name], torch.device("cpu")
    _, points, _ = render(shifted, coarse, 2, 5, cpu)
    _, plain, _ = render(generator_settings(), coarse, 2, 5, cpu)
    assert points.shape == (2, len(landmark_schema()), 2)
    assert np.abs(points - plain).max() > 5


def test_errors_are_the_turns_of_the_axes():
    # The reference foot (drawn by hand for the definitions) with its great toe turned by 3 degrees about its base:
    # the hallux valgus angle changes by 3, the intermetatarsal angle not at all.
    schema = landmark_schema()
    at = np.array([REFERENCE_FOOT[code] for code in schema.codes], float) * [1, -1]
    turned = at.copy()
    toe = [k for k, code in enumerate(schema.codes) if code.startswith("PP")]
    c, s = np.cos(np.radians(3)), np.sin(np.radians(3))
    turned[toe] = at[toe] @ np.array([[c, s], [-s, c]])
    points = torch.as_tensor(at)[None]
    known = torch.ones(1, len(schema), dtype=torch.bool)
    crops = RealCrops(torch.zeros(1, 1, 1), points, known, torch.zeros(1), torch.zeros(1, 6))
    off = errors(torch.as_tensor(turned)[None], crops)
    assert (off["hva_mean"], off["hva_median"]) == pytest.approx((3.0, 3.0), abs=1e-6)
    assert (off["ima_mean"], off["ima_median"]) == pytest.approx((0.0, 0.0), abs=1e-9)


@pytest.mark.parametrize("degrees", [4.0, -2.5])
def test_a_toe_marked_otherwise_changes_its_valgus_by_as_much(degrees):
    # By definition: HVA is the angle of the great toe's shaft to the first metatarsal; turning the one turns it.
    schema = landmark_schema()
    at = np.array([REFERENCE_FOOT[code] for code in schema.codes], float)[None] * [1, -1]
    values = [
        measure_values(to_foot_frame(points, None, ["R"])[0], schema) for points in (at, marked_otherwise(at, degrees))
    ]
    assert values[1]["hva"] - values[0]["hva"] == pytest.approx(degrees, abs=1e-6)
    assert values[1]["ima"] == pytest.approx(values[0]["ima"], abs=1e-9)


def test_the_table_gives_mean_and_range():
    rows = [
        {"films": 0, "hva_mean": 1.0, "hva_median": 0.7, "ima_mean": 0.5, "ima_median": 0.3},
        {"films": 10, "hva_mean": 0.8, "hva_median": 0.6, "ima_mean": 0.4, "ima_median": 0.2},
        {"films": 10, "hva_mean": 0.6, "hva_median": 0.6, "ima_mean": 0.2, "ima_median": 0.1},
    ]
    lines = table(rows).splitlines()
    assert lines[2] == "| none, trained as long | 1.00° | 0.70° | 0.50° | 0.30° |"
    means, medians = ("0.70° (0.60 to 0.80)", "0.30° (0.20 to 0.40)"), ("0.60° (0.60 to 0.60)", "0.15° (0.10 to 0.20)")
    assert lines[3] == f"| 10 | {means[0]} | {medians[0]} | {means[1]} | {medians[1]} |"


def test_a_study_trains_on_its_films_and_reads_further_ones(coarse, tmp_path):
    base = load(TrainSettings, "train_finetune.yaml")
    few = {"device": "cpu", "steps": 1, "batch": 2, "warmup": 1, "pool": coarse, "learning_rate": 1e-9}
    plan = StudyPlan(counts=(0, 1), repeats=1, tests=2)
    weights = WEIGHTS_DIR / "landmarks.safetensors"
    rows = study(tmp_path, weights, generator_settings(), base.model_copy(update=few), plan)
    assert [(row["films"], row["repeat"]) for row in rows] == [(UNTRAINED, 0), (0, 0), (1, 0)]
    # A step too small to see leaves the errors as they were: all rows read the same films.
    assert rows[2]["hva_mean"] == pytest.approx(rows[0]["hva_mean"], abs=0.2)
    tests = load_real_crops(tmp_path / "tests", torch.device("cpu"))
    own = load_real_crops(tmp_path / "1_films_0" / "films", torch.device("cpu"))
    assert (len(tests), len(own)) == (2, 1)
    assert not any(torch.equal(own.points[0], other) for other in tests.points)
    assert (tmp_path / "1_films_0" / "landmarks.safetensors").exists()


def test_weights_are_compared_on_the_same_crops(coarse, tmp_path, monkeypatch):
    """The same file twice must give the same row, and its error that of the study (computed by the same reading)."""
    base = load(TrainSettings, "train_finetune.yaml").model_copy(update={"device": "cpu", "pool": coarse})
    monkeypatch.setattr("raysplay.train.finetune.compare_weights.load", lambda *_: base)
    file = str(WEIGHTS_DIR / "landmarks.safetensors")
    shown = CliRunner().invoke(app_of(compare_weights.main), [file, file, "--n", "2"])
    assert shown.exit_code == 0, shown.output
    rows = [line for line in shown.output.splitlines() if line.startswith("| weights/")]
    assert len(rows) == 6
    assert rows[0] == rows[1]
    assert rows[2] == rows[3]
    assert rows[0] != rows[2]


def app_of(command):
    app = typer.Typer()
    app.command()(command)
    return app
