"""Runs around an accelerator: the same bytes whoever shares its batches, nothing lost when it is."""

import csv
import json
import os
import signal
import stat
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from raysplay.infer import Outcome, measure, measure_into
from raysplay.infer.accelerator.accelerator_error import AcceleratorError
from raysplay.infer.accelerator.accelerator_process import AcceleratorProcess
from raysplay.infer.accelerator.from_afar import FromAfar
from raysplay.infer.accelerator.in_this_process import InThisProcess
from raysplay.infer.archive.accelerated import Accelerated
from raysplay.infer.foot_reader import FootReader
from raysplay.infer.network.weights_error import WeightsError
from raysplay.infer.outputs.run_files import CHECKED, WORKBOOK
from raysplay.infer.outputs.run_folder import RunFolderError, RunStoppedError
from raysplay.train.cli import app

from .conftest import QUICK


@pytest.fixture(scope="module")
def films(generated, tmp_path_factory):
    """Seven files: three films, two of them brighter, too, one inverted, and one that is none."""
    folder = tmp_path_factory.mktemp("harbour")
    for number, film in enumerate(generated):
        for brighter in (0, 1) if number else (0,):
            grey = np.clip(film.pixels * (1 - 0.2 * brighter) + 0.2 * brighter, 0, 1)
            Image.fromarray((grey * 255).astype(np.uint8)).save(folder / f"keeper-{number}{brighter}.png")
    Image.fromarray(255 - (generated[0].pixels * 255).astype(np.uint8)).save(folder / "inverted.png")
    (folder / "broken.dcm").write_bytes(b"\0" * 128 + b"DICM")
    return folder


@pytest.fixture(scope="module")
def quick(tmp_path_factory):
    """``quick(out, **options)``: a run with the quick networks on the processor in place of a card."""
    folder = tmp_path_factory.mktemp("runs")

    def made(films, out, **options):
        options = {"overlays": False, "person_key": folder / "persons.key", "accelerator": "cpu"} | options
        return measure_into(films, folder / out, landmark_weights="quick", **options)

    return made


@pytest.fixture(scope="module")
def one(quick, films):
    """Read by one process: no film shares a batch."""
    return quick(films, "one", workers=1)


def tables(run):
    return {name: (run.folder / name).read_bytes() for name in (*CHECKED, WORKBOOK)}


def rows(folder, table="feet.csv"):
    with (folder / table).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_what_shares_a_batch_changes_no_byte(quick, films, one):
    several = quick(films, "several", workers=4)
    assert tables(several) == tables(one)
    assert sum(row["decision"] != "refused" for row in rows(one.folder)) >= 4


def test_numbers_are_those_of_the_processor(quick, films, one):
    """Angles of feet that both read: within what 0.05 pixels of a crop come to on the shortest shafts."""
    here = quick(films, "here", accelerator=None, threads=1)
    ours, theirs = rows(one.folder), rows(here.folder)
    assert [(row["film"], row["foot"], row["decision"]) for row in ours] == [
        (row["film"], row["foot"], row["decision"]) for row in theirs
    ]
    compared = 0
    for mine, known in zip(ours, theirs, strict=True):
        for name in ("hva", "ima", "ima45"):
            assert bool(mine[name]) == bool(known[name])
            if mine[name]:
                assert float(mine[name]) == pytest.approx(float(known[name]), abs=0.1)
                compared += 1
    assert compared > 8


def test_the_run_says_what_read_it_and_how_busy_that_was(one, films):
    about = json.loads((one.folder / "run.json").read_text(encoding="utf-8"))
    machine = about["machine"]
    assert machine["accelerator"] == "cpu"
    assert machine["accelerator_precision"] == "float32"
    assert machine["accelerator_libraries"].startswith("torch 2")
    assert 0 < machine["accelerator_busy_percent"] <= 100
    assert about["seconds_by_stage"]["accelerator"] > 0
    # The share of this machine's rate is not said of sums that another device did.
    assert about["arithmetic"]["share_of_machine"] == 0
    (told,) = [text for text in one.notices if "in a batch of" in text]
    assert told.startswith("cpu computed ")


def test_a_run_by_the_processor_does_not_go_on_with_an_accelerator(quick, films, one):
    before = tables(one)
    with pytest.raises(RunFolderError, match="--accelerator"):
        quick(films, "one", accelerator=None)
    assert tables(one) == before
    again = quick(films, "one", workers=2)  # another number of processes does
    assert tables(again) == before


@pytest.fixture
def started(monkeypatch):
    """Accelerators, as they start."""
    noted = []
    begin = AcceleratorProcess.__init__

    def note(self, *arguments):
        begin(self, *arguments)
        noted.append(self)

    monkeypatch.setattr(AcceleratorProcess, "__init__", note)
    return noted


def test_a_lost_accelerator_stops_the_run_and_the_same_call_goes_on(quick, films, one, started):
    """It must not become the reason of every film that is left."""

    def kill(step):
        if step.stage == "measuring" and step.done == 2:
            os.kill(started[0].child_pid, signal.SIGKILL)

    with pytest.raises(RunStoppedError, match="accelerator is gone") as stopped:
        quick(films, "lost", workers=2, progress=kill)
    assert "are kept" in str(stopped.value)
    whole = quick(films, "lost", workers=2)
    assert not {row["reason_kinds"] for row in rows(whole.folder)} & {"internal_error", "process_died"}
    assert tables(whole) == tables(one)


@pytest.fixture(scope="module")
def process():
    """The process with the quick networks."""
    held = AcceleratorProcess("cpu", *QUICK)
    yield held
    held.close()


def test_another_process_says_what_this_one_says(process, generated, held):
    """Bit for bit, for the batch that this process has, too, on the processor."""
    near, afar = InThisProcess(held, 1), FromAfar(process.address)
    square = np.array([[4.0, 0, -9.0], [0, 4.0, 3.0], [0, 0, 1.0]])
    for film in (*generated, generated[0]):
        ours, theirs = afar.locate(film.pixels, square), near.locate(film.pixels, square)
        np.testing.assert_allclose(ours, theirs, atol=1e-3)
        matrix = FootReader(*QUICK, accelerator=near).find(film)[0].film_from_crop
        mine, known = afar.landmarks(film.pixels, matrix), near.landmarks(film.pixels, matrix)
        assert set(mine) == set(known)
        for name in known:
            assert mine[name].shape == known[name].shape
        sure = known["confidence"] > 0
        np.testing.assert_allclose(mine["points"][sure], known["points"][sure], atol=0.01)
    assert afar.digests == near.digests
    afar.close()


def test_readers_at_once_are_told_of_their_own_films(process, generated):
    square = np.array([[4.0, 0, -9.0], [0, 4.0, 3.0], [0, 0, 1.0]])
    readers = [FromAfar(process.address) for _ in generated]
    maps = [reader.locate(film.pixels, square) for reader, film in zip(readers, generated, strict=True)]
    for reader, film, known in zip(readers, generated, maps, strict=True):
        np.testing.assert_array_equal(reader.locate(film.pixels, square), known)
    assert not np.array_equal(maps[0], maps[1])
    for reader in readers:
        reader.close()


def test_only_its_owner_can_ask(process):
    folder = Path(process.address).parent
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700


def test_a_film_too_large_for_the_device_is_that_films_reason(process, generated, monkeypatch):
    """And the next film is read; a request without a film is answered in the same way."""
    reader = FromAfar(process.address)
    with monkeypatch.context() as patched:
        patched.setattr(FromAfar, "_send", lambda self, pixels: None)  # it was not taken
        with pytest.raises(MemoryError):
            reader.locate(generated[0].pixels, np.eye(3))
    assert reader.locate(generated[0].pixels, np.eye(3)).ndim == 3
    reader.close()


def test_a_process_that_is_gone_is_told_in_words(generated):
    process = AcceleratorProcess("cpu", *QUICK)
    reader = FromAfar(process.address)
    process.close()
    with pytest.raises(AcceleratorError, match="is gone"):
        reader.locate(generated[0].pixels, np.eye(3))
    with pytest.raises(AcceleratorError, match="is gone"):
        FromAfar(process.address)
    assert process.spent() == {}
    assert not Path(process.address).parent.exists()


def test_what_cannot_be_used_is_said_before_anything_is_written(quick, films, tmp_path):
    missing = tmp_path / "no.safetensors"
    with pytest.raises(WeightsError, match=r"no\.safetensors"):
        measure_into(films, tmp_path / "out", accelerator="cpu", landmark_weights=missing)
    with pytest.raises(AcceleratorError, match="lamp"):
        measure_into(films, tmp_path / "out", accelerator="lamp")
    with pytest.raises(ValueError, match="scheduler"):
        measure_into(films, tmp_path / "out", accelerator="cpu", scheduler="tcp://127.0.0.1:1")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--scheduler", "tcp://127.0.0.1:1"], "a cluster's workers read elsewhere"),
        (["--threads", "2"], "each process reads with one thread"),
        (["--select-only"], "is for a run that measures"),
    ],
)
def test_options_that_do_not_go_with_it_are_refused(films, tmp_path, more, said):
    out = tmp_path / "out"
    done = CliRunner().invoke(app, ["measure", str(films), "--out", str(out), "--accelerator", "cpu", *more])
    assert done.exit_code == 2
    assert said in " ".join(done.output.replace("│", " ").split())
    assert not out.exists()


def test_python_measures_with_it_film_by_film(films, one):
    results = list(measure(films, accelerator="cpu", landmark_weights="quick", threads=3))
    assert [result.film for result in results] == [row["film"] for row in rows(one.folder, "films.csv")]
    given = [foot["hva"].value for result in results for foot in result.feet if foot.decision is not Outcome.REFUSED]
    known = [row["hva"] for row in rows(one.folder) if row["foot"] and row["decision"] != "refused"]
    assert [f"{value:.1f}" if value is not None else "" for value in given] == known
    assert len(known) >= 4


def test_a_pool_that_cannot_start_leaves_no_accelerator_behind(films, started, tmp_path):
    from raysplay.infer.archive.job import EngineError, Reading

    with pytest.raises(EngineError):
        Accelerated("cpu", Reading(tmp_path / "no-protocol.yaml", False, QUICK[1]), 1)
    assert not Path(started[0].address).parent.exists()
