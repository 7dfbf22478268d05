"""Blind reads of a study, exported, as the truth that a run is compared with."""

import json

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


def flat(result):
    return " ".join(result.output.replace("│", " ").split())


@pytest.fixture
def fleet(make_run):
    """Six films of one foot each, all with the same landmarks."""
    return make_run({f"fleet/{i}.dcm": [("RL"[i % 2], "accepted", [])] for i in range(6)}, "fleet", "fleet_films")


@pytest.fixture
def exported(serve, fleet, tmp_path):
    """``exported(construction)`` lets two readers read the fleet's own points, AB all feet twice; gives reads.csv.

    CD cannot measure the first foot shown.
    """

    def read(construction, out="export"):
        plan = {"name": f"By {construction}", "seed": 3, "readers": ["AB", "CD"], "repeats": 1}
        (tmp_path / "study.yaml").write_text(yaml.safe_dump({**plan, "construction": construction}))
        server, run = serve(fleet, study=tmp_path / "study.yaml"), FinishedRun(fleet)
        study = Study(tmp_path / "study.yaml", run, review_settings().repeat_distance)
        for reader, number_of_reads in (("AB", 12), ("CD", 5)):
            page = server.browser(reader)
            codes = page.get("/api/session").json()["study"]["landmarks"]
            for number in range(1, number_of_reads + 1):
                if (reader, number) == ("CD", 1):
                    sent = {"verdict": "cannot_be_measured", "reason": "too blurred"}
                else:
                    foot = study.order(reader)[number - 1].foot
                    places = dict(zip(landmark_schema().codes, run.landmarks(foot).points.tolist(), strict=True))
                    points = [{"code": c, "x": places[c][0], "y": places[c][1], "moved": True} for c in codes]
                    sent = {"verdict": "correct", "points": points}
                assert page.post(f"/api/feet/{number}/reads", json={"version": 0, **sent}).status_code == 200
        assert call("export", fleet, "--out", tmp_path / out, "--overwrite").exit_code == 0
        return tmp_path / out / "reads.csv"

    return read


def test_reads_are_compared_one_reader_and_one_repeat_at_a_time(exported, fleet, tmp_path):
    reads, out = exported("shaft"), tmp_path / "out"
    compare = ("evaluate", tmp_path / "fleet_films", reads, "--measured", fleet, "--out", out, "--overwrite")
    for options, said in (
        ((), "more than one reader: AB"),
        (("--reader", "AB"), "more than one repeat: 1 (18 rows), 2 (18 rows)"),
        (("--reader", "ZZ"), "no reader is called ZZ"),
    ):
        result = call(*compare, *options)
        assert (result.exit_code, said in flat(result)) == (2, True), result.output
    result = call(*compare, "--reader", "ab", "--repeat", 2)
    assert result.exit_code == 0, result.output
    content = json.loads((out / "evaluation.json").read_text(encoding="utf-8"))
    figures = content["groups"][0]["measures"]["hva"]
    # The reader placed the points where the run has them: nothing but the table's rounding is left.
    assert (figures["n"], figures["mae"]) == (6, pytest.approx(0.0, abs=2e-3))
    assert (content["feet"], content["found"], content["truth"]["rows_used"]) == (6, 6, 18)
    assert content["truth"]["construction_not_stated"] == []
    assert "how many were found says nothing of those it missed" in result.output


def test_a_foot_that_its_reader_could_not_measure_gives_no_truth(exported, fleet, tmp_path):
    reads, out = exported("shaft"), tmp_path / "out"
    result = call(
        *("evaluate", tmp_path / "fleet_films", reads, "--measured", fleet, "--out", out, "--reader", "CD"),
        *("--repeat", 1),
    )
    assert result.exit_code == 0, result.output
    content = json.loads((out / "evaluation.json").read_text(encoding="utf-8"))
    counts = content["truth"]["rows_not_used"]
    assert counts["no number, not measurable by its reader"] == 1
    assert content["feet"] == content["groups"][0]["measures"]["hva"]["n"] + 1


def test_reads_by_another_construction_are_never_compared(exported, fleet, tmp_path):
    reads = exported("head_base")
    result = call(
        *("evaluate", tmp_path / "fleet_films", reads, "--measured", fleet, "--reader", "AB", "--repeat", 1),
    )
    assert result.exit_code == 2
    assert "hva was read by head_base and is measured by shaft" in flat(result)


def test_what_an_open_review_wrote_is_no_truth(exported, fleet, tmp_path):
    reads = exported("shaft")
    for table in (reads.with_name("feet_reviewed.csv"), fleet / "feet.csv", fleet / "measurements.csv"):
        result = call("evaluate", tmp_path / "fleet_films", table, "--measured", fleet)
        assert (result.exit_code, "model's own" in flat(result)) == (2, True), result.output
