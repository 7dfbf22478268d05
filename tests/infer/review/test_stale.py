"""Numbers belong to the points, the foot, the version and the run they were asked for."""

import json

import pytest

pytestmark = pytest.mark.usefixtures("no_films_ahead")


def remeasured(folder):
    """Another run takes the place of the first: its summary differs, as the time it took always does."""
    about = json.loads((folder / "run.json").read_text())
    (folder / "run.json").unlink()
    (folder / "run.json").write_text(json.dumps({**about, "wall_seconds": 77.0}))


def test_every_answer_names_its_foot_version_and_run(page):
    run = page.get("/api/session").json()["run"]["identity"]
    answer = page.post("/api/measure", json={"id": 2, "run": run, "version": 0}).json()
    assert (answer["id"], answer["run"], answer["version"]) == (2, run, 0)
    shown = page.get("/api/feet/2").json()
    assert (shown["id"], shown["run"], shown["version"]) == (2, run, 0)


def test_numbers_are_of_the_points_that_were_sent_whatever_was_saved_meanwhile(serve, harbour):
    """The page sends all its points; the answer tells it that another read stands by now."""
    server = serve(harbour)
    first, second = server.browser("AB"), server.browser("CD")
    points = first.get("/api/feet/1").json()["points"]
    mine = [{name: one[name] for name in ("code", "x", "y", "visible", "moved")} for one in points]
    theirs = [{"code": "PPd_med", "x": 300.0, "y": 300.0, "moved": True}]
    before = first.post("/api/measure", json={"id": 1, "version": 0, "points": mine}).json()
    second.post("/api/feet/1/reads", json={"version": 0, "verdict": "correct", "points": theirs})
    after = first.post("/api/measure", json={"id": 1, "version": 0, "points": mine}).json()
    assert after["measures"] == before["measures"]
    assert after["axes"] == before["axes"]
    assert (before["version"], after["version"]) == (0, 1)


@pytest.mark.parametrize("path", ["/api/measure", "/api/feet/1/reads"])
def test_a_page_of_another_run_is_refused(page, path):
    sent = {"id": 1} if path == "/api/measure" else {"version": 0, "verdict": "confirm"}
    refused = page.post(path, json={**sent, "run": "0" * 64})
    assert refused.status_code == 422
    assert "another run" in refused.json()["error"]
    assert page.get("/api/feet/1").json()["version"] == 0


def test_a_run_that_was_measured_anew_is_shown_and_read_no_more(page, harbour):
    """Its tables are those of the earlier run still, in the server's memory."""
    remeasured(harbour)
    for answer in (
        page.get("/api/feet"),
        page.get("/api/feet/1"),
        page.get("/api/feet/1/others"),
        page.post("/api/measure", json={"id": 1}),
        page.post("/api/feet/1/reads", json={"version": 0, "verdict": "confirm"}),
    ):
        assert answer.status_code == 422
        assert "measured anew" in answer.json()["error"]


def test_a_run_that_was_only_copied_over_itself_goes_on(page, harbour):
    about = (harbour / "run.json").read_bytes()
    (harbour / "run.json").unlink()
    (harbour / "run.json").write_bytes(about)
    assert page.get("/api/feet/1").status_code == 200


def test_a_blind_reader_is_told_too(serve, harbour, tmp_path):
    study = tmp_path / "study.yaml"
    study.write_text("{name: tide, seed: 4, readers: [AB]}")
    page = serve(harbour, study=study).browser("AB")
    assert page.get("/api/feet/1").status_code == 200
    remeasured(harbour)
    assert page.get("/api/feet/1").status_code == 422
