"""From a study file to a report without hand work: study, blind reads, export, agreement."""

import csv

import pytest
import yaml
from typer.testing import CliRunner

from raysplay.configs import landmark_schema
from raysplay.infer.outputs.finished_run import FinishedRun
from raysplay.infer.review.settings import review_settings
from raysplay.infer.review.study import Study
from raysplay.train.cli import app

pytestmark = pytest.mark.usefixtures("no_films_ahead")


def call(*arguments):
    return CliRunner().invoke(app, [str(one) for one in arguments], env={"COLUMNS": "240"})


@pytest.fixture
def fleet(make_run):
    """Six films of one foot each, all with the same landmarks."""
    return make_run({f"fleet/{i}.dcm": [("RL"[i % 2], "accepted", [])] for i in range(6)}, "fleet", "fleet_films")


def read_all(server, study, run, reader, shift, unfit=()):
    """A reader places the run's own points, one of them moved by ``shift`` pixels; some feet cannot be measured."""
    page = server.browser(reader)
    codes = page.get("/api/session").json()["study"]["landmarks"]
    for number, item in enumerate(study.order(reader), start=1):
        if item.foot in unfit:
            sent = {"verdict": "cannot_be_measured", "reason": "too blurred"}
        else:
            places = dict(zip(landmark_schema().codes, run.landmarks(item.foot).points.tolist(), strict=True))
            points = [{"code": c, "x": places[c][0], "y": places[c][1], "moved": True} for c in codes]
            points[0]["x"] += shift * item.repeat
            sent = {"verdict": "correct", "points": points}
        assert page.post(f"/api/feet/{number}/reads", json={"version": 0, **sent}).status_code == 200


def test_a_study_runs_from_its_file_to_the_report(serve, fleet, tmp_path):
    """Two readers, every foot twice; CD cannot measure one foot. Numbers of the export are those of the figures."""
    plan = {"name": "Fleet", "seed": 3, "readers": ["AB", "CD"], "repeats": 1, "construction": "shaft"}
    (tmp_path / "study.yaml").write_text(yaml.safe_dump(plan))
    run = FinishedRun(fleet)
    study = Study(tmp_path / "study.yaml", run, review_settings().repeat_distance)
    server = serve(fleet, study=tmp_path / "study.yaml")
    read_all(server, study, run, "AB", 0.0)
    read_all(server, study, run, "CD", 2.0, unfit={0})
    assert call("export", fleet, "--out", tmp_path / "export").exit_code == 0
    result = call("agreement", fleet, tmp_path / "export", "--out", tmp_path / "out")
    assert result.exit_code == 0, result.output
    with (tmp_path / "export" / "reads.csv").open(newline="") as stream:
        reads = [row for row in csv.DictReader(stream) if row["value"]]
    with (tmp_path / "out" / "reads_used.csv").open(newline="") as stream:
        used = {(r["film"], r["reader"], r["session"], r["measure"]): float(r["value"]) for r in csv.DictReader(stream)}
    assert used == {(r["film"], r["reader"], r["repeat"], r["measure"]): float(r["value"]) for r in reads}
    assert len(used) == (12 + 10) * 3
    with (tmp_path / "out" / "agreement.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    found = {(row["measure"], row["statistic"], row["reader"]): row for row in rows if row["feet"] == "all"}
    # AB placed the points where the run has them: nothing but the tables' rounding is left.
    assert float(found["hva", "mean absolute error", "AB"]["value"]) < 0.06
    assert (found["hva", "bias", "AB"]["n"], found["hva", "bias", "CD"]["n"]) == ("6", "5")
    assert found["hva", "within-subject standard deviation", "CD again"]["n"] == "5"
    with (tmp_path / "out" / "not_used.csv").open(newline="") as stream:
        left = {(row["reader"], row["reason"]) for row in csv.DictReader(stream)}
    assert left == {("CD", "not measurable by its reader")}
    assert "not measurable by its reader" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_reads_of_an_open_review_are_refused(fleet, tmp_path):
    """They were made with the model's numbers in view."""
    assert call("export", fleet, "--out", tmp_path / "export").exit_code == 0
    result = call("agreement", fleet, tmp_path / "export" / "feet_reviewed.csv", "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert "the model's own" in " ".join(result.output.replace("│", " ").split())
