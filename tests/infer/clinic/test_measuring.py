"""The page answers while films are measured, a stop loses nothing, nothing changes under a reader's hands."""

import os
import signal
import time

import pytest


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


@pytest.mark.parametrize("call", ["/api/session", "/api/feet", "/api/feet/1"])
def test_before_the_first_film_the_review_says_that_there_is_none(serve, call):
    answer = serve().client().get(call)
    assert answer.status_code == 422
    assert "no film was measured yet" in answer.json()["error"].lower()
