"""The training loop on a handful of feet: weights, log, going on from weights, real crops, the clock."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
import torch
import yaml
from PIL import Image
from safetensors import safe_open
from torch.nn.utils import convert_conv2d_weight_memory_format

import raysplay.train.consistency
import raysplay.train.feed
import raysplay.train.landmark_batch
import raysplay.train.locator_batch
from raysplay.configs import CONFIG_DIR, landmark_schema, load
from raysplay.configs.load import ConfigError, digest
from raysplay.infer.network.weights import WeightsError, load_weights, save_weights
from raysplay.infer.settings import reading_settings
from raysplay.train.fit import RunningAverage, build_network, fit, optimiser_of, run, shipped_or
from raysplay.train.real_crops.real_films import MARGIN
from raysplay.train.settings import PupilSettings, TrainSettings
from raysplay.train.state import STATE_NAME, load_state, save_state


@pytest.fixture(autouse=True)
def _small_pictures(monkeypatch, small_reading):
    for module in (raysplay.train.landmark_batch, raysplay.train.locator_batch, raysplay.train.consistency):
        monkeypatch.setattr(module, "reading_settings", small_reading)


@pytest.fixture
def configure(coarse, tmp_path):
    """A shipped training configuration made small, with changes."""

    def build(network, **changes):
        shipped = load(TrainSettings, f"train_{network}.yaml")
        few = {
            "device": "cpu",
            "steps": 3,
            "minutes": 9.0,
            "batch": 4,
            "warmup": 1,
            "out": tmp_path / "out",
            "save_every": 2,
            "report_every": 1,
            "intensity_share": 0.5,
            "feed_workers": 0,
            "consistency_share": 0.0,
            "familiarity_crops": 0,
            "pool": coarse.model_copy(update={"refresh": 2.0, "view_shares": {"dp": 0.8, "lateral": 0.2}}),
        }
        return shipped.model_copy(update=few | changes)

    return build


@pytest.fixture
def real_folder(tmp_path, small_reading):
    """Two real crops, one with all landmarks."""
    folder = tmp_path / "real"
    (folder / "crops").mkdir(parents=True)
    rows, columns = (side + 2 * MARGIN for side in small_reading().crop_size)
    picture = np.random.default_rng(1).integers(0, 255, (rows, columns), dtype=np.uint8)
    for name in ("one.png", "two.png"):
        Image.fromarray(picture).save(folder / "crops" / name)
    (folder / "crops.csv").write_text("crop,film,view\none.png,a.dcm,dp\ntwo.png,b.dcm,other\n")
    lines = [f"one.png,{code},{130 + k % 9},{180 + k}" for k, code in enumerate(landmark_schema().codes)]
    (folder / "landmarks.csv").write_text("crop,landmark,x,y\n" + "\n".join(lines) + "\n")
    return folder


PUPIL = {
    "network": "lean_landmarks",
    "start_from": "shipped",
    "learning_rate": 0.001,
    "consistency_weight": 0.5,
    "distil_weight": 0.5,
}

LOSSES = ("map", "place", "axis", "doubt", "found", "view", "condition")
TIMES = ("steps_per_s", "minutes", "waited", "projected_per_s")


def parameters(network, path):
    load_weights(network, path)
    return {name: value.clone() for name, value in network.named_parameters()}


def test_a_run_writes_weights_and_a_log_and_another_goes_on_from_them(configure, tmp_path):
    settings = configure("locator")
    config = tmp_path / "train.yaml"
    config.write_text(yaml.safe_dump(json.loads(settings.model_dump_json())))
    weights = run(config)
    assert weights == tmp_path / "out" / "locator.safetensors"

    log = [json.loads(line) for line in (tmp_path / "out" / "log.jsonl").read_text().splitlines()]
    assert [line["event"] for line in log] == ["config", "start", "step", "step", "step", "end"]
    assert log[0]["sha256"] == digest(config)
    assert [line["step"] for line in log[2:]] == [1, 2, 3, 3]
    network = build_network("locator")
    assert log[1]["parameters"] == sum(p.numel() for p in network.parameters())
    for line in log[2:5]:
        named = [line[name] for name in ("centre", "anchors", "side", "view")]
        assert all(math.isfinite(value) for value in named)
        assert line["loss"] == pytest.approx(sum(named), abs=0.001)
    # Sixteen feet to begin with, then two a step in groups of eight.
    assert log[4]["feet_projected"] == 16

    description = load_weights(network, weights)
    assert (description["network"], description["steps"], description["seed"]) == ("locator", "3", str(settings.seed))
    assert all(torch.isfinite(p).all() for p in network.parameters())

    # A step too small to see leaves the weights that it started from; without them it starts elsewhere.
    later = configure(
        "locator", seed=5, start_from=weights, steps=1, learning_rate=1e-9, out=tmp_path / "later", intensity_share=0.0
    )
    lines = []
    first, second = parameters(network, weights), parameters(build_network("locator"), fit(later, lines.append))
    for name, value in first.items():
        torch.testing.assert_close(second[name], value, rtol=2e-3, atol=1e-6)
    fresh = parameters(build_network("locator"), fit(later.model_copy(update={"start_from": None}), lines.append))
    assert any(float((fresh[name] - value).detach().abs().max()) > 0.05 for name, value in first.items())
    assert lines[-1]["weights"] == "locator.safetensors"


def test_landmarks_are_trained_on_generated_and_real_crops(configure, real_folder, monkeypatch):
    drawn = []
    draw = raysplay.train.feed.real_batch
    monkeypatch.setattr(raysplay.train.feed, "real_batch", lambda *a: drawn.append(a[1]) or draw(*a))
    settings = configure("landmarks", real_films=real_folder, real_share=0.5, steps=2, batch=4)
    lines = []
    weights = fit(settings, lines.append)
    assert drawn == [2, 2]
    assert load_weights(build_network("landmarks"), weights)["network"] == "landmarks"
    steps = [line for line in lines if line["event"] == "step"]
    assert len(steps) == 2
    for name in LOSSES:
        assert math.isfinite(steps[-1][name])


def test_unlabelled_crops_teach_once_their_time_has_come(configure, real_folder):
    (real_folder / "landmarks.csv").unlink()
    shares = {"real_films": real_folder, "real_share": 0.25, "consistency_share": 0.25, "consistency_weight": 0.5}
    lines = []
    settings = configure(
        "landmarks", **shares, consistency_start=0.5, steps=2, start_from="shipped", familiarity_crops=4
    )
    weights = fit(settings, lines.append)
    steps = [line for line in lines if line["event"] == "step"]
    assert ["consistency" in line for line in steps] == [False, True]
    assert math.isfinite(steps[1]["consistency"])
    named = [v for k, v in steps[1].items() if k in (*LOSSES, "consistency")]
    assert steps[1]["loss"] == pytest.approx(sum(named), abs=0.01)
    assert lines[0]["fresh"] == []
    # The weights that are kept know what usual films look like.
    assert next(line for line in lines if line["event"] == "familiarity")["crops"] == 4
    network = build_network("landmarks")
    load_weights(network, weights)
    assert float(network.whiten.abs().max()) > 0


def test_the_average_follows_by_its_rate():
    torch.manual_seed(1)
    network = torch.nn.Sequential(torch.nn.Linear(3, 3), torch.nn.BatchNorm1d(3))
    average = RunningAverage(network)
    first = {name: value.clone() for name, value in network.state_dict().items()}
    with torch.no_grad():
        for value in network.parameters():
            value.add_(1.0)
        network[1].running_mean.add_(2.0)
    average.follow(0.75)
    kept = average.network.state_dict()
    for name, value in network.state_dict().items():
        if value.is_floating_point():
            torch.testing.assert_close(kept[name], 0.75 * first[name] + 0.25 * value)


def test_the_clock_ends_a_run_and_the_seed_fixes_it(configure, tmp_path):
    lines = []
    settings = configure("locator", minutes=1e-6, steps=1000, batch=2)
    for _ in range(2):
        fit(settings, lines.append)
    first, second = (line for line in lines if line["event"] == "step")
    assert first["step"] == 1
    assert {k: v for k, v in first.items() if k not in TIMES} == {k: v for k, v in second.items() if k not in TIMES}


def test_weights_of_another_network_are_no_start(configure, tmp_path):
    path = tmp_path / "landmarks.safetensors"
    save_weights(torch.nn.Linear(2, 2), path, {})
    with pytest.raises(WeightsError, match=r"landmarks\.safetensors"):
        fit(configure("locator", start_from=path), lambda line: None)


@pytest.mark.parametrize("network", ["landmarks", "locator"])
def test_shipped_configurations_fit_the_networks_and_the_store(network):
    settings = load(TrainSettings, f"train_{network}.yaml")
    assert settings.network == network
    pool = settings.pool
    assert sum(pool.view_shares.values()) == pytest.approx(1)
    # The pool is finer than the crops that are cut from it: a foot of 250 mm fills its height.
    assert pool.rows * pool.pitch_mm == pytest.approx(413, abs=2)
    assert pool.columns * pool.pitch_mm == pytest.approx(207, abs=2)
    assert pool.top_mm < pool.rows * pool.pitch_mm
    assert -pool.left_mm < pool.columns * pool.pitch_mm
    assert {a.code for a in reading_settings().anchors} <= set(landmark_schema().codes)


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"network": "feet"}, "network"),
        ({"batch": 0}, "batch"),
        ({"real_share": 1.0}, "real_share"),
        ({"x": 1}, "x"),
        ({"pupil": PUPIL}, ".*a pupil learns beside the network landmarks alone"),
    ],
)
def test_a_configuration_that_cannot_be_is_refused(tmp_path, change, where):
    values = yaml.safe_load((CONFIG_DIR / "train_locator.yaml").read_text()) | change
    path = tmp_path / "bad.yaml"
    path.write_text(yaml.safe_dump(values))
    with pytest.raises(ConfigError, match=rf"bad\.yaml: {where}"):
        load(TrainSettings, path)


class TestTeacher:
    """A lean network beside what the careful one says; the loss of either is in the log."""

    def log(self, settings):
        lines = []
        fit(settings, lines.append)
        return [line for line in lines if line["event"] == "step"]

    def test_without_a_teacher_nothing_is_distilled(self, configure):
        (line,) = self.log(configure("lean_landmarks", steps=1, teacher=None))
        assert "distil" not in line

    def test_it_speaks_of_generated_feet_and_of_real_crops(self, configure, real_folder):
        settings = configure(
            "lean_landmarks", steps=1, real_films=real_folder, consistency_share=0.25, consistency_start=0.0
        )
        (real_folder / "crops.csv").write_text("crop,film,view\none.png,a.dcm,dp\ntwo.png,b.dcm,dp\n")
        (line,) = self.log(settings)
        assert line["distil"] > 0
        assert line["consistency"] >= 0
        parts = sum(line[name] for name in (*LOSSES, "distil", "consistency"))
        assert line["loss"] == pytest.approx(parts, abs=0.002)

    def test_weights_that_are_none_are_named(self, configure, tmp_path):
        with pytest.raises(WeightsError, match="nowhere"):
            self.log(configure("lean_landmarks", steps=1, teacher=tmp_path / "nowhere.safetensors"))


class TestPupil:
    """A smaller network that learns from the same batches, and from the running average of the other."""

    def test_it_learns_and_is_kept_beside_the_other_and_both_go_on_where_they_were(self, configure, real_folder):
        (real_folder / "landmarks.csv").unlink()
        shares = {"real_films": real_folder, "real_share": 0.25, "consistency_share": 0.25, "consistency_start": 0.0}
        settings = configure("landmarks", **shares, steps=1, start_from="shipped", pupil=PupilSettings(**PUPIL))
        lines = []
        assert fit(settings, lines.append, pause_after=0.0) == settings.out / "landmarks.safetensors"
        before = parameters(build_network("lean_landmarks"), settings.out / "pupil" / "lean_landmarks.safetensors")
        shipped = parameters(build_network("lean_landmarks"), shipped_or(Path("shipped"), "lean_landmarks"))
        assert all(torch.equal(before[name], shipped[name]) for name in shipped)
        fit(settings, lines.append, resume=True)
        (told,) = [line for line in lines if line["event"] == "step"]
        assert {"distil", "consistency"} < set(told["pupil"])
        assert "distil" not in told
        after = parameters(build_network("lean_landmarks"), settings.out / "pupil" / "lean_landmarks.safetensors")
        assert not all(torch.equal(after[name], before[name]) for name in before)


class TestPausedTraining:
    """A training that is paused and resumed does the steps of one that was not; each part draws feet of its own."""

    def log(self, settings, **options):
        lines = []
        fit(settings, lines.append, **options)
        return lines

    def test_it_goes_on_where_it_was(self, configure):
        settings = configure("landmarks", steps=4, save_every=1)
        first = self.log(settings, pause_after=0.0)
        assert first[-1]["event"] == "paused"
        assert first[-1]["step"] == 0
        second = self.log(settings, resume=True)
        assert [line["step"] for line in second if line["event"] == "step"] == [1, 2, 3, 4]
        assert second[-1]["event"] == "end"

    def test_network_average_and_moments_come_back(self, configure):
        settings = configure("landmarks", steps=2, save_every=1)
        self.log(settings)
        path = settings.out / STATE_NAME
        network = build_network("landmarks")
        mean = RunningAverage(network)
        groups = [[p for p in network.parameters() if p.dim() > 1], [p for p in network.parameters() if p.dim() <= 1]]
        optimiser = torch.optim.AdamW([{"params": group} for group in groups])
        progress = load_state(path, network, mean.network, optimiser)
        assert (progress.step, progress.parts) == (2, 1)
        copy = settings.out / "copy.safetensors"
        save_state(copy, network, mean.network, optimiser, progress)
        with safe_open(str(path), framework="pt") as one, safe_open(str(copy), framework="pt") as two:
            assert set(one.keys()) == set(two.keys())
            assert all(torch.equal(one.get_tensor(name), two.get_tensor(name)) for name in one.keys())  # noqa: SIM118
            assert any(name.startswith("optimiser.") and one.get_tensor(name).abs().sum() > 0 for name in one.keys())  # noqa: SIM118

    def test_moments_lie_in_memory_as_their_weights_do(self, configure):
        """Fused steps on a GPU refuse moments of another order (its error: "same dtype, device, and layout")."""
        settings = configure("lean_landmarks", steps=1, save_every=1)
        self.log(settings)
        network = build_network("lean_landmarks")
        convert_conv2d_weight_memory_format(network, torch.channels_last)
        mean, optimiser = RunningAverage(network), optimiser_of(network, settings)
        load_state(settings.out / STATE_NAME, network, mean.network, optimiser)
        moments = [(weight, optimiser.state[weight]["exp_avg"]) for weight in network.parameters()]
        assert {weight.stride() == moment.stride() for weight, moment in moments} == {True}

    def test_another_configuration_or_no_state_is_refused(self, configure):
        settings = configure("landmarks", steps=2, save_every=1)
        with pytest.raises(WeightsError, match=STATE_NAME):
            self.log(settings, resume=True)
        self.log(settings, pause_after=0.0)
        with pytest.raises(WeightsError, match="another configuration"):
            self.log(settings.model_copy(update={"learning_rate": 1e-5}), resume=True)

    def test_damage_is_named(self, configure):
        settings = configure("landmarks", steps=2, save_every=1)
        self.log(settings, pause_after=0.0)
        (settings.out / STATE_NAME).write_bytes(b"damaged")
        with pytest.raises(WeightsError, match=STATE_NAME):
            self.log(settings, resume=True)
