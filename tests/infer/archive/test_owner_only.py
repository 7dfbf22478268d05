"""Whatever a command leaves, and whatever lies there while it works, is for its owner alone, under umask 000.

File permissions by POSIX (IEEE Std 1003.1, ``umask``): without care files would be 0666 and folders 0777 here.
"""

import contextlib
import os
import stat
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from typer.testing import CliRunner

from raysplay.infer import command as measure_command
from raysplay.infer.outputs.finished_run import read_run
from raysplay.infer.outputs.name_key import made_or_read
from raysplay.infer.outputs.run_files import LEDGER, STORE
from raysplay.infer.review.store import ReadStore
from raysplay.infer.robustness.damage import report as damage_report
from raysplay.train.cli import app

from .conftest import commanded

pytestmark = pytest.mark.skipif(os.name != "posix", reason="Windows has other rights")


@pytest.fixture(autouse=True)
def open_umask():
    before = os.umask(0)
    yield
    os.umask(before)


@pytest.fixture
def loaded(known_foot, monkeypatch):
    monkeypatch.setattr(measure_command, "foot_reader", known_foot.known)


def all_below(folder):
    """Files and folders in it; unlike ``rglob``, ``os.walk`` passes over a folder that goes away meanwhile."""
    return [Path(at) / name for at, folders, files in os.walk(folder) for name in (*folders, *files)]


def open_to_others(*folders):
    """Files and folders that others may look at, with their modes; the folders themselves are among them."""
    found = {}
    for folder in folders:
        for path in (folder, *all_below(folder)):
            with contextlib.suppress(FileNotFoundError):  # gone meanwhile
                mode = stat.S_IMODE(path.lstat().st_mode)
                if mode & 0o077 and not path.is_symlink():
                    found[path.relative_to(folder.parent).as_posix()] = oct(mode)
    return found


def called(*arguments):
    done = CliRunner().invoke(app, [str(one) for one in arguments])
    assert done.exit_code == 0, done.output
    return done


class Watch:
    """Looks again and again at a folder while something else works; remembers all names, and what was open."""

    def __init__(self, folder):
        self.folder, self.seen, self.open = folder, set(), {}
        self._ended = threading.Event()
        self._pool = ThreadPoolExecutor(1)

    def _look(self):
        while not self._ended.is_set():
            if self.folder.exists():
                self.seen.update(path.name for path in all_below(self.folder))
                self.open |= open_to_others(self.folder)
            time.sleep(0.003)

    def __enter__(self):
        self._looking = self._pool.submit(self._look)
        return self

    def __exit__(self, *_):
        self._ended.set()
        self._pool.shutdown()
        self._looking.result()  # raises what ended it early: a watch that saw nothing proves nothing


def test_a_run_while_it_goes_on_and_afterwards(run, tmp_path):
    """Its ledger with the log beside it, tables so far, scratch folders, pictures, lock, keys."""
    with Watch(tmp_path / "out") as watch:
        run(overlays=True, name_key=tmp_path / "keys" / "names.key", person_key=tmp_path / "keys" / "p" / "persons.key")
    assert watch.open == {}
    assert {LEDGER, f"{LEDGER}-wal", f"{LEDGER}-shm", "feet.csv.partial", "overlays.partial"} <= watch.seen
    assert open_to_others(tmp_path / "out", tmp_path / "keys") == {}
    called("status", tmp_path / "out")
    assert open_to_others(tmp_path / "out") == {}


def test_a_run_of_several_processes_that_is_killed(films, tmp_path):
    process = commanded(films, tmp_path / "out", "--workers", "2", "--person-key", str(tmp_path / "keys" / "p.key"))
    with Watch(tmp_path / "out") as watch:
        for _ in range(600):
            if any(name.endswith(".png") for name in tuple(watch.seen)) or process.poll() is not None:
                break
            time.sleep(0.05)
        process.kill()
        process.wait()
    assert watch.open == {}
    assert open_to_others(tmp_path / "out", tmp_path / "keys") == {}


def test_a_review_its_export_and_names_given_back(run, films, loaded, tmp_path):
    run(name_key=tmp_path / "names.key")
    opened = read_run(tmp_path / "out")
    with (
        Watch(tmp_path / "out") as watch,
        contextlib.closing(ReadStore.beside(opened.folder, opened.identity)) as store,
    ):
        store.count()
        called("export", tmp_path / "out", "--out", tmp_path / "new" / "reviewed")
    assert watch.open == {}
    assert STORE in {path.name for path in (tmp_path / "out").iterdir()}
    called(
        "names",
        tmp_path / "out",
        "--films",
        films,
        "--name-key",
        tmp_path / "names.key",
        "--out",
        tmp_path / "n" / "a.csv",
    )
    assert open_to_others(tmp_path / "out", tmp_path / "new", tmp_path / "n") == {}


def test_an_evaluation_a_selection_a_comparison_and_reports(run, films, loaded, tmp_path):
    (tmp_path / "truth.csv").write_text("film,foot,hva\n" + "".join(f"{i % 2}/{i:02}.png,R,30\n" for i in range(12)))
    with Watch(tmp_path / "ev") as watch:
        called("evaluate", films, tmp_path / "truth.csv", "--out", tmp_path / "ev")
    assert watch.open == {}
    called("measure", films, "--out", tmp_path / "found", "--select-only")
    run()
    reads = "film,foot,reader,measure,value\n"
    reads += "".join(f"{i % 2}/{i:02}.png,R,{who},hva,{30 + i}\n" for i in range(12) for who in ("AB", "CD"))
    (tmp_path / "reads.csv").write_text(reads)
    with Watch(tmp_path / "agreement") as watch:
        called("agreement", tmp_path / "out", tmp_path / "reads.csv", "--out", tmp_path / "agreement", "--go-on")
    assert watch.open == {}
    table = "film,person,date\n" + "".join(f"{i % 2}/{i:02}.png,P-{i % 3},2026-03-{i + 1:02}\n" for i in range(12))
    (tmp_path / "conditions.csv").write_text(table)
    with Watch(tmp_path / "visit") as watch:
        called("visit", tmp_path / "out", "--out", tmp_path / "visit", "--conditions", tmp_path / "conditions.csv")
    assert watch.open == {}
    folders = (tmp_path / name for name in ("ev", "found", "out", "agreement", "visit"))
    assert open_to_others(*folders) == {}


def test_damaged_copies_of_films(known_foot, monkeypatch, tmp_path):
    monkeypatch.setattr("raysplay.infer.robustness.damage.FootReader.shipped", known_foot.known)
    known_foot.write_films(tmp_path / "one", ["a.png"])
    damage_report(tmp_path / "one", tmp_path / "damaged", number=1)
    assert open_to_others(tmp_path / "damaged") == {}


def test_a_key_that_is_made_anew_in_an_open_folder_is_closed(tmp_path):
    made_or_read(tmp_path / "names.key", tmp_path / "out", make=True)
    assert stat.S_IMODE((tmp_path / "names.key").stat().st_mode) == 0o600
