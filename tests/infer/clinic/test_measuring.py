"""The page answers while films are measured, a stop loses nothing, nothing changes under a reader's hands."""

import contextlib
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from raysplay.infer.archive.ledger import Ledger
from raysplay.infer.clinic.measuring_process import memory_mib, program_stamp
from raysplay.infer.outputs.finished_run import FinishedRun

pytestmark = pytest.mark.usefixtures("no_films_ahead")


def stage(client):
    return client.get("/api/clinic").json()["measuring"]["stage"]


def take(client, standin, *seeds, **options):
    for seed in seeds:
        content = standin.dicom(seed=seed, **options)
        answer = client.post("/api/clinic/films", content=content, headers={"X-Film-Name": f"{seed}.dcm"})
        assert answer.status_code == 201


def idle(client):
    state = client.get("/api/clinic").json()
    assert state["measuring"]["stage"] != "failed", state
    return state["measuring"]["stage"] == "idle" and not state["waiting"]


def test_the_page_answers_while_films_are_measured(serve, standin, until, tmp_path):
    client = serve().client()
    (tmp_path / "desk" / "slow").write_text("0.5")
    take(client, standin, 1, 2, 3)
    until(lambda: stage(client) == "measuring")
    began = time.monotonic()
    assert client.get("/api/clinic/persons").status_code == 200
    assert time.monotonic() - began < 5.0
    until(lambda: idle(client))
    assert client.get("/api/clinic/persons").json()[0]["films"] == 3


def test_a_stopped_desk_goes_on_at_the_next_start(serve, standin, until, tmp_path):
    served = serve()
    client = served.client()
    (tmp_path / "desk" / "slow").write_text("1.0")
    take(client, standin, 1, 2, 3)
    until(lambda: client.get("/api/clinic").json()["measuring"]["done"] >= 1)
    served.stop()
    assert not (tmp_path / "desk" / "run" / "feet.csv").exists()
    (tmp_path / "desk" / "slow").unlink()

    client = serve().client()  # nobody asks for anything
    begun = ("measuring", "writing", "idle")
    first = until(lambda: (far := client.get("/api/clinic").json()["measuring"])["stage"] in begun and far)
    assert first["stage"] != "measuring" or first["done"] >= 1, "what was read is not read again"
    until(lambda: idle(client))
    assert client.get("/api/clinic").json()["open"] == 3


def test_what_measures_may_die_and_the_desk_says_so(serve, standin, until, tmp_path):
    served = serve()
    client = served.client()
    (tmp_path / "desk" / "slow").write_text("30")
    take(client, standin, 1)
    until(lambda: stage(client) == "measuring")
    os.kill(served.clinic.measuring._process.pid, signal.SIGKILL)
    until(lambda: stage(client) == "failed")
    state = client.get("/api/clinic").json()
    assert "ended" in state["measuring"]["error"]
    assert str(tmp_path) not in state["measuring"]["error"]
    (tmp_path / "desk" / "slow").unlink()
    assert client.post("/api/clinic/measuring", json={}).status_code == 200
    until(lambda: idle(client))


def test_films_that_are_read_wait_for_a_foot_in_hand(serve, standin, dropped, until):
    client = serve().client()
    dropped(client, {"one.dcm": standin.dicom(seed=1)})
    foot = client.get("/api/feet/1").json()
    assert client.post("/api/feet/1/claim").status_code == 200
    take(client, standin, 2)
    until(lambda: stage(client) == "held")
    # What the reader has before them can be saved; nothing was changed under it.
    sent = {"run": foot["run"], "version": 0, "verdict": "confirm"}
    assert client.post("/api/feet/1/reads", json=sent).status_code == 200
    assert client.get("/api/clinic").json()["waiting"] == 1
    client.delete("/api/feet/1/claim")
    until(lambda: idle(client))
    assert client.get("/api/feet/1").json()["state"] == "confirmed", "the read stands in the run that grew"
    assert client.get("/api/clinic").json()["settled"] == 1


def test_a_foot_left_open_does_not_hold_others_up_for_ever(serve, standin, dropped, until):
    client = serve(settings={"wait_minutes": 0.01}).client()
    dropped(client, {"one.dcm": standin.dicom(seed=1)})
    foot = client.get("/api/feet/1").json()
    assert client.post("/api/feet/1/claim").status_code == 200
    take(client, standin, 2)
    until(lambda: idle(client))
    late = client.post("/api/feet/1/reads", json={"run": foot["run"], "version": 0, "verdict": "confirm"})
    assert late.status_code == 422
    assert "Nothing was saved" in late.json()["error"]


def test_another_program_version_is_told_and_reads_all_films_again(serve, standin, dropped, until):
    """Numbers of two programs are never in one table; reads of people stay where the points are the same."""
    first = serve()
    client = first.client()
    dropped(client, {"one.dcm": standin.dicom(seed=1)})
    client.post("/api/feet/1/reads", json={"version": 0, "verdict": "confirm"})
    first.stop()

    client = serve(loader="standin:other").client()
    take(client, standin, 2)
    until(lambda: stage(client) == "failed")
    assert "weights" in client.get("/api/clinic").json()["measuring"]["error"]
    assert client.post("/api/clinic/measuring", json={"anew": True}).status_code == 200
    until(lambda: idle(client))
    assert client.get("/api/feet/1").json()["state"] == "confirmed"
    assert client.get("/api/clinic").json()["open"] == 1


def test_a_desk_that_was_moved_goes_on(serve, standin, dropped, until, tmp_path):
    """To another place of this machine, then with the key of its persons to come after it."""
    first = serve()
    dropped(first.client(), {"one.dcm": standin.dicom(seed=1)})
    first.stop()
    (tmp_path / "desk").rename(tmp_path / "shelf")
    (key,) = (tmp_path / "state").rglob("*.key")
    key.rename(tmp_path / "left behind")

    client = serve("shelf").client()
    assert client.get("/api/films/1/pixels").status_code == 200
    take(client, standin, 2)
    until(lambda: stage(client) == "failed")
    (in_german,) = {client.get("/api/clinic", headers={"Accept-Language": "de"}).json()["measuring"]["error"]}
    for said in (client.get("/api/clinic").json()["measuring"]["error"], in_german):
        assert str(key) in said
        assert "--" not in said, "there is no command line at a desk"
    assert "Schlüssel" in in_german
    (tmp_path / "left behind").rename(key)
    assert client.post("/api/clinic/measuring", json={}).status_code == 200
    until(lambda: idle(client))
    (person,) = client.get("/api/clinic/persons").json()
    assert person["films"] == 2, "both films have the code of one person"
    with contextlib.closing(Ledger(tmp_path / "shelf" / "run", looking=True)) as ledger:
        assert [one.films for one in ledger.sessions()] == [1, 1], "what was read is not read again"
    assert FinishedRun(tmp_path / "shelf" / "run").films_folder == tmp_path / "shelf" / "films"


@pytest.mark.parametrize("call", ["/api/session", "/api/feet", "/api/feet/1"])
def test_before_the_first_film_the_review_says_that_there_is_none(serve, call):
    answer = serve().client().get(call)
    assert answer.status_code == 422
    assert "no film was measured yet" in answer.json()["error"].lower()


class TestKeptWarm:
    """What measures keeps its networks for the films that come next, and is bounded in time and memory."""

    @pytest.fixture
    def loads(self, monkeypatch, tmp_path):
        """Processes that loaded networks, one entry a time."""
        noted = tmp_path / "loaded"
        noted.touch()
        monkeypatch.setenv("STANDIN_LOADED", str(noted))
        return lambda: [int(line) for line in noted.read_text().split()]

    def test_networks_are_loaded_once_for_two_batches(self, serve, standin, dropped, loads):
        served = serve()
        client = served.client()
        dropped(client, {"one.dcm": standin.dicom(seed=1)})
        process = served.clinic.measuring._process
        assert loads() == [process.pid]
        dropped(client, {"two.dcm": standin.dicom(20, 10, seed=2)})
        assert loads() == [process.pid]
        assert client.get("/api/clinic").json()["open"] == 2
        feet = {
            film["given"]: film["feet"][0]["numbers"][0] for film in client.get("/api/clinic/films").json()["films"]
        }
        assert feet == {"one.dcm": "HVA 30.0", "two.dcm": "HVA 20.0"}
        served.stop()
        assert process.poll() == 0, "it ends with the desk"

    def test_it_ends_after_some_idle_minutes_and_begins_again(self, serve, standin, dropped, loads, until):
        served = serve(settings={"warm_minutes": 0.01})
        client = served.client()
        dropped(client, {"one.dcm": standin.dicom(seed=1)})
        until(lambda: served.clinic.measuring._process is None)
        (first,) = loads()
        until(lambda: not alive(first))
        assert client.get("/api/clinic").json()["measuring"]["stage"] == "idle"
        dropped(client, {"two.dcm": standin.dicom(seed=2)})
        assert len(loads()) == 2

    @pytest.mark.parametrize("bound", [{"warm_mib": 1.0}, {"warm_minutes": 0.0}])
    def test_one_that_holds_much_memory_or_shall_not_wait_is_ended_after_its_batch(
        self, serve, standin, dropped, loads, until, bound
    ):
        served = serve(settings=bound)
        client = served.client()
        dropped(client, {"one.dcm": standin.dicom(seed=1)})
        dropped(client, {"two.dcm": standin.dicom(seed=2)})
        assert len(set(loads())) == 2
        until(lambda: not any(map(alive, loads())))

    def test_one_that_died_while_it_waited_is_no_failure(self, serve, standin, dropped, loads):
        served = serve()
        client = served.client()
        dropped(client, {"one.dcm": standin.dicom(seed=1)})
        os.kill(served.clinic.measuring._process.pid, signal.SIGKILL)
        dropped(client, {"two.dcm": standin.dicom(seed=2)})  # fails where the stage does
        assert len(set(loads())) == 2

    def test_one_that_dies_as_it_is_told_to_measure_is_no_failure(self, serve, standin, dropped, loads):
        """Stopped, it takes the order and answers nothing; then it is killed."""
        served = serve()
        client = served.client()
        dropped(client, {"one.dcm": standin.dicom(seed=1)})
        pid = served.clinic.measuring._process.pid
        os.kill(pid, signal.SIGSTOP)
        take(client, standin, 2)
        time.sleep(1.0)  # not waited for: it is no failure whenever it dies
        os.kill(pid, signal.SIGKILL)
        dropped(client, {})
        assert len(set(loads())) == 2

    def test_a_program_that_was_replaced_is_not_gone_on_with(
        self, serve, standin, dropped, loads, monkeypatch, tmp_path
    ):
        """Numbers of the loaded version would stand under the name of the one on the disk."""
        changed = tmp_path / "changed"
        driver = (
            "import os, sys; from raysplay.infer.clinic import measuring_process as one; "
            f"one.program_stamp = lambda: str(os.path.exists({str(changed)!r})); sys.exit(one.main(*sys.argv[1:4]))"
        )
        monkeypatch.setattr("raysplay.infer.clinic.measuring.PROGRAM", (sys.executable, "-c", driver))
        client = serve().client()
        dropped(client, {"one.dcm": standin.dicom(seed=1)})
        changed.touch()
        dropped(client, {"two.dcm": standin.dicom(seed=2)})
        assert len(set(loads())) == 2
        dropped(client, {"three.dcm": standin.dicom(seed=3)})
        assert len(set(loads())) == 2

    def test_it_dies_with_a_desk_that_is_killed(self, standin, tmp_path, loads, until, monkeypatch):
        """The desk as a process of its own, without any end in good order."""
        monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
        made = tmp_path / "film.dcm"
        made.write_bytes(standin.dicom(seed=1))
        desk = (
            "import sys, time; from pathlib import Path; from raysplay.infer.clinic.clinic import Clinic; "
            "from raysplay.infer.clinic.desk_folder import DeskFolder; "
            f"c = Clinic(DeskFolder(Path({str(tmp_path / 'desk')!r})), loader='standin:known'); "
            "f = c.records.add_film('a' * 64, 'film', 1, '.dcm', 'AB'); "
            f"(c.folder.films / f.name).write_bytes(Path({str(made)!r}).read_bytes()); c.want(); time.sleep(600)"
        )
        with subprocess.Popen([sys.executable, "-c", desk]) as process:
            until(lambda: (tmp_path / "desk" / "run" / "run.json").exists())
            (pid,) = loads()
            assert alive(pid)
            process.kill()
        until(lambda: not alive(pid))

    def test_the_stamp_is_another_one_where_a_file_is(self, tmp_path):
        (tmp_path / "measure").mkdir()
        (tmp_path / "measure" / "axes.py").write_text("one")
        before = program_stamp(tmp_path)
        assert program_stamp(tmp_path) == before
        (tmp_path / "measure" / "axes.py").write_text("other")
        assert program_stamp(tmp_path) != before

    def test_memory_is_that_of_the_process(self):
        """Held against what psutil reads of the same process."""
        psutil = pytest.importorskip("psutil", reason="NO PSUTIL: memory was not held against another reader")
        assert memory_mib() == pytest.approx(psutil.Process().memory_info().rss / 2**20, rel=0.05)


def alive(pid):
    """Whether a process runs; one that ended and was not asked for counts as ended."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False
