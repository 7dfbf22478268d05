"""In a blind study a reader sees their own progress and nobody else's, in every answer of the server."""

import json

import pytest
import yaml
from typer.testing import CliRunner

from raysplay.train.cli import app

pytestmark = pytest.mark.usefixtures("no_films_ahead")


@pytest.fixture
def study(serve, harbour, tmp_path):
    """A server over a study of two readers; AB and CD are in."""
    plan = {"name": "Harbour readers", "seed": 3, "readers": ["AB", "CD"], "repeats": 0}
    (tmp_path / "study.yaml").write_text(yaml.safe_dump(plan))
    server = serve(harbour, study=tmp_path / "study.yaml")
    return server.browser("AB"), server.browser("CD")


def answers(page):
    """All that the page may ask without saving anything."""
    paths = ["/api/session", "/api/progress", "/api/feet"]
    paths += [f"/api/feet/{n}{end}" for n in range(1, 5) for end in ("", "/history", "/others", "/next")]
    return {path: page.get(path).json() for path in paths}


def test_what_others_read_changes_no_answer(study):
    """Every answer to CD is the same before and after AB has read all feet, so nothing of it can be told."""
    first, second = study
    before = answers(second)
    for number in range(1, 5):
        read = {"version": 0, "verdict": "cannot_be_measured", "reason": "too blurred", "note": "seen by the lamp"}
        assert first.post(f"/api/feet/{number}/reads", json=read).status_code == 200
    assert answers(second) == before
    assert first.get("/api/progress").json() == {"open": 0, "done": 4, "total": 4, "by_reader": {"AB": 4}}
    assert second.get("/api/progress").json() == {"open": 4, "done": 0, "total": 4, "by_reader": {"CD": 0}}
    assert "by the lamp" not in json.dumps(answers(second))
    assert "by the lamp" in json.dumps(answers(first))
    # Not even that there is another reader.
    assert '"AB"' not in json.dumps(answers(second))


def test_a_browser_that_reads_for_one_reader_states_no_others_initials(study):
    first, second = study
    refused = first.post("/api/reader", json={"initials": "CD"})
    assert refused.status_code == 422
    for words in ("this browser reads as ab", "for cd, open the address", "another browser"):
        assert words in refused.json()["error"].lower()
    assert first.get("/api/session").json()["reader"] == "AB"
    assert first.get("/api/progress").json()["by_reader"] == {"AB": 0}
    # One's own again is no change: a page says them anew to a server that was started anew.
    assert first.post("/api/reader", json={"initials": "ab"}).json() == {"reader": "AB"}
    assert second.get("/api/session").json()["reader"] == "CD"


def test_a_review_is_not_started_for_somebody_whom_the_study_does_not_name(harbour, tmp_path):
    """Every question of such a page would be refused, and it would never ask for other initials."""
    plan = tmp_path / "study.yaml"
    plan.write_text("{name: Harbour readers, seed: 3, readers: [AB, CD], repeats: 0}")
    call = ["review", str(harbour), "--study", str(plan), "--reader", "ZZ", "--no-browser", "--port", "1"]
    refused = CliRunner().invoke(app, call, env={"COLUMNS": "400"})
    assert refused.exit_code == 2
    assert f"ZZ: {plan} does not name this reader" in refused.output


def test_nobody_is_named_before_initials_are_stated(serve, harbour, tmp_path):
    (tmp_path / "study.yaml").write_text("{name: Harbour readers, seed: 3, readers: [AB, CD], repeats: 0}")
    page = serve(harbour, study=tmp_path / "study.yaml").browser(None)
    assert "AB" not in page.get("/api/session").text
    assert page.post("/api/reader", json={"initials": "CD"}).json() == {"reader": "CD"}


def test_a_page_that_was_opened_for_another_reader_saves_nothing(study):
    """Tabs of one browser share one key: after another reader was let in, the older tab speaks with the new one's."""
    _, second = study
    read = {"version": 0, "verdict": "cannot_be_measured", "reason": "too blurred"}
    older = {"X-Reader": "AB"}
    refused = second.post("/api/feet/1/reads", json=read, headers=older)
    assert refused.status_code == 422
    assert "opened for another reader: CD reads in this browser now" in refused.json()["error"]
    assert second.get("/api/feet/1", headers=older).status_code == 422
    assert second.get("/api/feet/1", headers={"X-Reader": "CD"}).json()["version"] == 0


def test_a_name_that_is_no_readers_changes_nothing(study):
    """Who states initials that the study does not name stays who they were."""
    first, _ = study
    assert first.post("/api/reader", json={"initials": "ZZ"}).status_code == 422
    assert first.get("/api/progress").json()["by_reader"] == {"AB": 0}
