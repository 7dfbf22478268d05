"""In a blind study a reader sees their own progress and nobody else's, in every answer of the server."""

import json

import pytest
import yaml

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


def test_a_name_that_is_no_readers_changes_nothing(study):
    """Who states initials that the study does not name stays who they were."""
    first, _ = study
    assert first.post("/api/reader", json={"initials": "ZZ"}).status_code == 422
    assert first.get("/api/progress").json()["by_reader"] == {"AB": 0}
