"""Workers of a Dask scheduler read: the same bytes of tables, and what goes away costs no film."""

import contextlib
import csv
import os
import signal
import socket
import subprocess
import sys
import time

import pytest

from raysplay.infer import RaysplayError, measure_into
from raysplay.infer.archive.ledger import Ledger
from raysplay.infer.archive.status import status

from .conftest import HERE, tables

distributed = pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
WAIT = 120.0


def free_port():
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


class Machines:
    """A scheduler and workers, each a process of its own, as on several machines."""

    def __init__(self, workers):
        self.address = f"tcp://127.0.0.1:{free_port()}"
        self.scheduler = self._start("dask_scheduler", "--host", self.address, "--no-dashboard")
        self.workers = [self._start("dask_worker", self.address, *OF_WORKER) for _ in range(workers)]

    def _start(self, module, *arguments):
        env = {**os.environ, "PYTHONPATH": str(HERE), "OMP_NUM_THREADS": "1", "PYTHONWARNINGS": "ignore"}
        command = [sys.executable, "-m", f"distributed.cli.{module}", *arguments]
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        return subprocess.Popen(command, env=env, start_new_session=True, **quiet)

    def close(self):
        for process in (*self.workers, self.scheduler):
            switched_off(process)


def switched_off(machine):
    """End all processes of a machine at once, as a power cut does."""
    with contextlib.suppress(ProcessLookupError):
        os.killpg(machine.pid, signal.SIGKILL)
    machine.wait()


OF_WORKER = ("--nworkers", "1", "--nthreads", "1", "--memory-limit", "0", "--no-dashboard", "--nanny")


@pytest.fixture
def machines(known_foot, monkeypatch):
    """Two machines that read. The scheduler may take long to come on a machine that does much else."""
    from raysplay.infer.archive import cluster

    settings = cluster.engine_settings().model_copy(update={"connect_seconds": WAIT})
    monkeypatch.setattr(cluster, "engine_settings", lambda: settings)
    made = Machines(2)
    yield made
    made.close()


def feet(folder):
    with (folder / "feet.csv").open(encoding="utf-8", newline="") as stream:
        return {row["film"]: row for row in csv.DictReader(stream)}


def test_a_cluster_gives_the_bytes_of_one_process(run, films, known_foot, machines, tmp_path):
    """Also of a film that ends its reading process, which the worker survives."""
    known_foot.write_film(films / "kills.png", 300)
    run("cluster", scheduler=machines.address, overlays=True)
    assert feet(tmp_path / "cluster")["kills.png"]["reason_kinds"] == "process_died"
    (films / "kills.png").unlink()
    again, here = run("again", scheduler=machines.address, overlays=True), run("here", overlays=True)
    assert (again.report.here, here.report.here) == (False, True)
    assert tables(tmp_path / "again") == tables(tmp_path / "here")
    one, other = (
        {p.name: p.read_bytes() for p in (tmp_path / out / "overlays").iterdir()} for out in ("again", "here")
    )
    assert len(one) == 12
    assert one == other
    assert all(worker.poll() is None for worker in machines.workers)


def test_every_machine_fetches_films_at_an_address(run, films, monkeypatch, request, tmp_path):
    import a_store

    monkeypatch.setenv("SKERRY_ROOT", str(tmp_path))
    machines = request.getfixturevalue("machines")
    run("here")
    options = {"overlays": False, "person_key": tmp_path / "persons.key", "scheduler": machines.address}
    measure_into("skerry://films", tmp_path / "cluster", load=a_store.known, **options)
    assert tables(tmp_path / "cluster") == tables(tmp_path / "here")


def test_a_machine_goes_away_then_the_scheduler(run, films, known_foot, machines, tmp_path):
    """The first costs no film, the second ends in a sentence, and the same command goes on."""
    known_foot.write_films(films, [f"more/{i:03}.png" for i in range(60)], start=1000)
    steps = []

    def watch(step):
        steps.append(step.done)
        if step.stage == "measuring" and step.done == 6:
            switched_off(machines.workers[0])
        if step.stage == "measuring" and step.done == 20:
            switched_off(machines.scheduler)

    with pytest.raises(RaysplayError, match=r"the Dask scheduler is gone.*the same command goes on"):
        run(scheduler=machines.address, progress=watch)
    kept = sum(status(tmp_path / "out").counts.values())
    assert kept >= 20
    again = run()
    assert f"{kept} known, {73 - kept} new, 0 changed, 0 gone." in again.notices
    run("here")
    assert tables(tmp_path / "out") == tables(tmp_path / "here")


def test_where_no_scheduler_answers_nothing_is_written(run, monkeypatch, tmp_path):
    from raysplay.infer.archive import cluster

    settings = cluster.engine_settings().model_copy(update={"connect_seconds": 1.0})
    monkeypatch.setattr(cluster, "engine_settings", lambda: settings)
    began = time.monotonic()
    with pytest.raises(RaysplayError, match="no Dask scheduler answers there") as raised:
        run(scheduler=f"tcp://127.0.0.1:{free_port()}")
    assert raised.value.exit_status == 2
    assert time.monotonic() - began < WAIT
    assert not Ledger.there(tmp_path / "out")


def test_without_dask_its_want_is_said(run, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(RaysplayError, match=r"pip install 'raysplay\[cluster\]'"):
        run(scheduler="tcp://127.0.0.1:1")
