"""A wrong configuration or weights file: one line that names file and reason, status 2, nothing left behind.

Exit status 2 for what the caller must put right: the project's order of work; also common practice of command lines.
"""

import importlib
import shutil

import pytest
from PIL import Image
from typer.testing import CliRunner

from raysplay.infer import shipped_weights
from raysplay.train.cli import app

# The package gives the name to the function of this module.
load = importlib.import_module("raysplay.configs.load")

READERS = {
    "raysplay.configs.load": ("landmark_schema", "landmark_descriptions"),
    "raysplay.configs.protocol": ("protocol",),
    "raysplay.configs.grades": ("schemes",),
    "raysplay.configs.reference_values": ("reference_values",),
    "raysplay.infer.decide.settings": ("decision_settings",),
    "raysplay.infer.films.settings": ("film_settings",),
    "raysplay.infer.outputs.settings": ("output_settings",),
    "raysplay.infer.review.settings": ("review_settings",),
    "raysplay.infer.settings": ("reading_settings",),
    "raysplay.synthetic_data.film.settings": ("archive_settings",),
    "raysplay.synthetic_data.demo": ("demo_settings",),
    "raysplay.synthetic_data.settings": ("generator_settings",),
    "raysplay.infer.compare.settings": ("evaluation_settings",),
    "raysplay.train.suite.settings": ("suite_settings",),
}


def forget():
    for module, names in READERS.items():
        for name in names:
            getattr(importlib.import_module(module), name).cache_clear()


@pytest.fixture
def configs(tmp_path, monkeypatch):
    """A copy of the shipped configuration that may be spoilt."""
    folder = tmp_path / "configs"
    folder.mkdir()
    for file in load.CONFIG_DIR.glob("*.yaml"):
        shutil.copy(file, folder)
    monkeypatch.setattr(load, "CONFIG_DIR", folder)
    forget()
    yield folder
    forget()


@pytest.fixture
def film(tmp_path):
    path = tmp_path / "film.png"
    Image.new("L", (300, 400), 90).save(path)
    return path


def call(*arguments):
    return CliRunner().invoke(app, [str(a) for a in arguments])


def one_line(result, *said):
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    (line,) = result.stderr.splitlines()
    assert line.startswith("Error: ")
    for words in said:
        assert words in line


def spoil(file, old, new):
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new, 1), encoding="utf-8")


@pytest.mark.parametrize(
    ("name", "old", "new", "said"),
    [
        ("protocol.yaml", "[hva,", "[hav,", "no such measure: hav"),
        ("protocol.yaml", "  unknown:\n", "  unheard:\n", "unheard, unknown"),
        ("reading.yaml", "code: M1_head_c", "code: M1_head", "no such landmark: M1_head"),
        ("reading.yaml", "crop_rows: 576", "crop_rows: 570", "crop_rows"),
        ("reading.yaml", "passes: 2", "passes: 0", "passes"),
        ("reading.yaml", "passes: 2", "passes: 2\nmore: 1", "more"),
        ("decision.yaml", "level: 0.9", "level: 90", "interval.level"),
        ("films.yaml", ":", ": [", "not valid YAML"),
        ("outputs.yaml", "[hva,", "[hav,", "no such measure: hav"),
        ("landmarks.yaml", "code: M1_base_c", "code: M1_head_c", "stands twice"),
    ],
)
def test_a_wrong_configuration_stops_a_run_before_it_begins(configs, film, tmp_path, name, old, new, said):
    spoil(configs / name, old, new)
    one_line(call("measure", film, "--out", tmp_path / "new" / "out"), str(configs / name), said)
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize("content", [b"", b"\xff\xfe\x00", None], ids=["empty", "not text", "missing"])
def test_a_file_that_is_no_configuration(configs, film, tmp_path, content):
    file = configs / "decision.yaml"
    file.unlink()
    if content is not None:
        file.write_bytes(content)
    one_line(call("measure", film, "--out", tmp_path / "out"), str(file))
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("name", "arguments"),
    [
        ("archive.yaml", ["synthesize", "--n", "1", "--out", "OUT"]),
        ("generator.yaml", ["synthesize", "--n", "1", "--out", "OUT"]),
        ("demo.yaml", ["demo-archive", "OUT"]),
        ("evaluate.yaml", ["evaluate", ".", "truth.csv", "--out", "OUT"]),
        ("suite.yaml", ["evaluate", "--suite", "--out", "OUT"]),
        ("protocol.yaml", ["measures"]),
        ("review.yaml", ["export", ".", "--out", "OUT"]),
        ("review.yaml", ["review", ".", "--no-browser"]),
        ("train_locator.yaml", ["train", "FILE"]),
    ],
)
def test_so_do_the_other_commands(configs, tmp_path, name, arguments):
    file, out = configs / name, tmp_path / "out"
    file.write_text("surprise: 1\n", encoding="utf-8")
    one_line(call(*({"OUT": out, "FILE": file}.get(word, word) for word in arguments)), str(file))
    assert not out.exists()


def test_grades_that_do_not_rise(configs):
    (configs / "grades.yaml").write_text("schemes: 3\n", encoding="utf-8")
    result = call("measures", "hva")
    assert result.exit_code == 2
    assert str(configs / "grades.yaml") in result.stderr


@pytest.mark.parametrize("damage", ["missing", "cut", "other network"])
@pytest.mark.parametrize("name", ["locator.safetensors", "landmarks.safetensors"])
def test_weights_that_cannot_be_used_stop_a_run_before_it_begins(
    tmp_path, monkeypatch, untrained_weights, film, name, damage
):
    folder = tmp_path / "weights"
    shutil.copytree(untrained_weights, folder)
    if damage == "missing":
        (folder / name).unlink()
    elif damage == "cut":
        (folder / name).write_bytes((folder / name).read_bytes()[:-10])
    else:
        other = {"locator.safetensors": "landmarks.safetensors", "landmarks.safetensors": "locator.safetensors"}[name]
        shutil.copy(untrained_weights / other, folder / name)
    monkeypatch.setattr(shipped_weights, "WEIGHTS_DIR", folder)
    one_line(call("measure", film, "--out", tmp_path / "out"), name)
    assert not (tmp_path / "out").exists()


def test_an_earlier_run_stays_as_it_was(configs, tmp_path, film):
    out = tmp_path / "out"
    out.mkdir()
    (out / "feet.csv").write_text("earlier", encoding="utf-8")
    spoil(configs / "reading.yaml", "passes: 2", "passes: 0")
    one_line(call("measure", film, "--out", out, "--overwrite"), "reading.yaml")
    assert [path.name for path in out.iterdir()] == ["feet.csv"]


def test_a_file_of_that_name_in_the_working_folder_changes_nothing(tmp_path, monkeypatch):
    """The digests in run.json are those of the shipped files, so these must be the ones that are read."""
    monkeypatch.chdir(tmp_path)
    for name in ("protocol.yaml", "grades.yaml", "landmarks.yaml"):
        (tmp_path / name).write_text("surprise: 1\n", encoding="utf-8")
    forget()
    assert call("measures", "hva").exit_code == 0
