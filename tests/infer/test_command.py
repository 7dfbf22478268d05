"""``raysplay measure`` as a user calls it; only the network is a stand-in."""

import csv
import json
import re
import subprocess
import sys

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from raysplay.infer import command
from raysplay.train.cli import app


class OneFootEach:
    """Finds the same known foot on every film, none on films named ``none``."""

    digests = {"known": "0" * 64}  # noqa: RUF012

    def __init__(self, landmarks):
        self.known = landmarks

    def find(self, film):
        return [] if "none" in film.path.name else [self.known.foot]

    def landmarks(self, film, foot):
        return self.known


@pytest.fixture
def films(tmp_path, monkeypatch, place):
    monkeypatch.setattr(command, "foot_reader", lambda threads: OneFootEach(place()))
    folder = tmp_path / "films"
    folder.mkdir()
    for i, name in enumerate(("a.png", "=b.png", "none.png")):
        pixels = np.full((1000, 900), 40, dtype=np.uint8)
        pixels[150:950, 150:700] = 140
        pixels[0, i] = 255
        Image.fromarray(pixels).save(folder / name)
    (folder / "broken.dcm").write_bytes(b"\0" * 128 + b"DICM")
    return folder


def call(*arguments):
    return CliRunner().invoke(app, [str(a) for a in arguments], env={"COLUMNS": "200"})


def feet(folder):
    with (folder / "feet.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_one_command_from_films_to_tables(films, tmp_path):
    out = tmp_path / "out"
    result = call("measure", films, "--out", out)
    assert result.exit_code == 0, result.output
    rows = feet(out)
    assert [row["film"] for row in rows] == ["./=b.png", "a.png", "broken.dcm", "none.png"]
    assert [row["decision"] for row in rows] == ["accepted", "accepted", "refused", "refused"]
    assert float(rows[1]["hva"]) == pytest.approx(31.995, abs=0.002)
    assert len(list((out / "overlays").glob("*.png"))) == 2
    assert json.loads((out / "run.json").read_text(encoding="utf-8"))["counts"]["films"] == 4
    assert "A person confirms every number" in result.output
    assert re.search(r"accepted\D+2", result.output)
    assert re.search(r"HVA \(deg\)\D+2\D+32\.0", result.output)
    assert str(out / "feet.csv") in result.output


def test_the_same_films_give_the_same_tables(films, tmp_path):
    for name in ("one", "two"):
        assert call("measure", films, "--out", tmp_path / name, "--no-overlays").exit_code == 0
    for table in ("feet.csv", "measurements.csv"):
        assert (tmp_path / "one" / table).read_bytes() == (tmp_path / "two" / table).read_bytes()
    assert not list((tmp_path / "one" / "overlays").iterdir())


def test_an_earlier_run_is_not_overwritten_unasked(films, tmp_path):
    out = tmp_path / "out"
    assert call("measure", films / "a.png", "--out", out).exit_code == 0
    refused = call("measure", films, "--out", out)
    assert refused.exit_code == 2
    assert "--overwrite" in refused.output
    assert len(feet(out)) == 1
    assert call("measure", films, "--out", out, "--overwrite").exit_code == 0
    assert len(feet(out)) == 4


def test_an_interrupted_run_keeps_its_rows_under_partial_names(films, tmp_path, monkeypatch, place):
    class Interrupted(OneFootEach):
        def find(self, film):
            if film.path.name == "none.png":
                raise KeyboardInterrupt
            return super().find(film)

    monkeypatch.setattr(command, "foot_reader", lambda threads: Interrupted(place()))
    out = tmp_path / "out"
    result = call("measure", films, "--out", out)
    assert result.exit_code not in (0, 2)
    assert ".partial" in result.output
    assert not (out / "feet.csv").exists()
    assert len((out / "feet.csv.partial").read_text(encoding="utf-8").splitlines()) == 4
    assert call("measure", films / "a.png", "--out", out).exit_code == 0
    assert not list(out.glob("*.partial"))


def test_outputs_below_the_films_are_not_taken_for_films(films):
    for _ in range(2):
        assert call("measure", films, "--out", films / "out", "--overwrite").exit_code == 0
        assert len(feet(films / "out")) == 4


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["measure", "missing.dcm", "--out", "o"], "missing.dcm"),
        (["measure", "--out", "o"], "PATH"),
        (["measure", "."], "--out"),
        (["measure", ".", "--out", "o", "--threads", "0"], "--threads"),
        (["measure", "empty", "--out", "o"], "no file to measure"),
        (["train", "missing.yaml"], "missing.yaml"),
        (["evaluate", ".", "missing.csv"], "missing.csv"),
        (["nonsense"], "nonsense"),
    ],
)
def test_bad_usage_ends_with_status_2_and_says_why(tmp_path, monkeypatch, arguments, said):
    """Exit status 2 for bad usage: the project's order of work; also common practice of command lines."""
    (tmp_path / "empty").mkdir()
    monkeypatch.chdir(tmp_path)
    result = call(*arguments)
    assert result.exit_code == 2
    assert said in result.output


def test_a_folder_that_cannot_be_written_is_bad_usage(films, tmp_path):
    (tmp_path / "file").write_text("")
    result = call("measure", films, "--out", tmp_path / "file" / "out")
    assert result.exit_code == 2
    assert "cannot be written" in result.output


def test_help_does_not_wait_for_the_network():
    """torch takes seconds to import; help must not."""
    code = "import sys; import raysplay.train.cli; sys.exit('torch' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_version_is_that_of_the_package():
    result = call("--version")
    assert result.exit_code == 0
    assert re.fullmatch(r"raysplay \d+\.\d+\.\d+\S*", result.output.strip())
