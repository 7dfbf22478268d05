"""All figures of a run, from tables worked by hand and through the command."""

import csv
import json
import re
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image
from rich.console import Console
from typer.testing import CliRunner

from raysplay.configs.load import landmark_schema
from raysplay.infer import command
from raysplay.infer.records import FootLandmarks, FoundFoot
from raysplay.train.cli import app
from raysplay.train.evaluate.config import evaluation_settings
from raysplay.train.evaluate.evaluation import evaluate_run
from raysplay.train.evaluate.report import print_report, write_report
from raysplay.train.evaluate.run_tables import MeasuredArchive, MeasuredFoot, RunTablesError, read_run
from raysplay.train.evaluate.truth import TrueFoot

SETTINGS = evaluation_settings()


def measured(side, hva, decision="accepted", half=2.0, landmarks=None):
    return MeasuredFoot(side, decision, "", {"hva": (hva, hva - half, hva + half)}, landmarks or {})


REFUSED = MeasuredFoot("L", "refused", "not a dorsoplantar view", {})

TRUTH = [
    TrueFoot("a", "L", "dp", {"hva": 10.0, "ima": 8.0}, landmarks={"DP_tip": (10.0, 10.0)}),
    TrueFoot("a", "R", "dp", {"hva": 30.0}),  # sent to review
    TrueFoot("b", "L", "dp", {"hva": 40.0}),
    TrueFoot("c", "R", "dp", {"hva": 15.0}),
    TrueFoot("d", "L", "lateral"),
    TrueFoot("e", "L", "oblique"),
    TrueFoot("f", "", "other"),
    TrueFoot("g", "R", "dp", {"hva": 20.0}),
    TrueFoot("h", "R", "dp", {"hva": 20.0}),
    TrueFoot("i", ""),  # no foot, no view said
]
RUN = MeasuredArchive(
    {
        "a": (measured("L", 11.0, landmarks={"DP_tip": (13.0, 14.0)}), measured("R", 26.0, "review")),
        "b": (measured("R", 43.0),),  # side misread
        "c": (),  # not found
        "d": (REFUSED,),
        "e": (measured("L", 9.0),),  # accepted though oblique
        "f": (measured("L", 5.0),),  # a foot where there is none
        "g": (replace(REFUSED, side="R"),),  # refused though dorsoplantar
        "i": (measured("R", 8.0),),
        "x": (measured("L", 99.0),),  # a film the truth does not know
    },
    120.0,
    {"hva": "shaft", "ima": "shaft"},
)


@pytest.fixture(scope="module")
def result():
    return evaluate_run(RUN, TRUTH, SETTINGS)


def test_feet_are_counted(result):
    assert (result.films, result.feet, result.found, result.sides_right) == (9, 6, 3, 2)
    assert result.extra_feet == 0
    assert result.false_accepts == 3


@pytest.mark.parametrize("unfit", ["", "overlap"])
def test_review_of_feet_with_nothing_wrong_leaves_out_those_that_are_unfit(unfit):
    truth = [replace(foot, condition=unfit if (foot.film, foot.side) == ("a", "R") else "") for foot in TRUTH]
    result = evaluate_run(RUN, truth, SETTINGS)
    assert (result.sound, result.sound_reviewed) == ((5, 0) if unfit else (6, 1))


def test_decisions_are_counted_by_true_view(result):
    counts = {view: {k: n for k, n in one.items() if n} for view, one in result.decisions.items()}
    assert counts == {
        "dp": {"accepted": 2, "review": 1, "refused": 1, "not found": 1, "not in the run": 1},
        "oblique": {"accepted": 1},
        "lateral": {"refused": 1},
        "other": {"accepted": 2},
    }


def test_errors_by_group(result):
    """Errors +1 (true 10), -4 (true 30, review), +3 (true 40)."""
    groups = {group.group: group.measures["hva"] for group in result.groups}
    assert {name: f.n for name, f in groups.items()} == {
        "all measured": 3,
        "accepted": 2,
        "HVA below 15": 1,
        "HVA 15 to below 20": 0,
        "HVA 20 to below 40": 1,
        "HVA 40 and above": 1,
    }
    assert groups["all measured"].mae == pytest.approx(8 / 3)
    assert groups["accepted"].mae == 2.0
    assert groups["all measured"].coverage == pytest.approx(1 / 3)
    assert groups["HVA 40 and above"].bias == 3.0
    assert all(group.measures["ima"].n == 0 for group in result.groups)


def test_landmark_distance_is_the_hypotenuse(result):
    """3, 4, 5."""
    assert dict(result.landmark_errors) == {"DP_tip": (1, 5.0, 5.0)}


def test_a_second_found_foot_is_extra():
    run = MeasuredArchive(
        {"a": (measured("L", 10.0), measured("L", 12.0, "review"), measured("R", 3.0))}, None, {"hva": "shaft"}
    )
    result = evaluate_run(run, [TrueFoot("a", "L", "dp", {"hva": 10.0})], SETTINGS)
    assert (result.found, result.extra_feet, result.false_accepts) == (1, 2, 1)


def test_report_is_written_and_printed(result, tmp_path):
    write_report(result, tmp_path)
    content = json.loads((tmp_path / "evaluation.json").read_text(encoding="utf-8"))
    assert content["found"] == 3
    assert content["groups"][0]["measures"]["hva"]["within"] == {"3": pytest.approx(2 / 3), "5": 1.0}
    assert content["groups"][0]["measures"]["ima"]["mae"] is None
    with (tmp_path / "evaluation.csv").open(encoding="utf-8", newline="") as stream:
        first = next(csv.DictReader(stream))
    assert (first["group"], first["measure"], first["n"]) == ("all measured", "hva", "3")
    assert float(first["mae"]) == pytest.approx(8 / 3)
    console = Console(record=True, width=200, file=(tmp_path / "screen").open("w", encoding="utf-8"))
    print_report(result, console)
    text = console.export_text()
    assert "found 3 of 6 (50.0 %), side right 2 of 3 (66.7 %)" in text
    assert re.search(r"HVA\D+3\D+2\.67", text)
    assert "120 films a minute" in text


class KnownFoot:
    """The same known foot, 100 pixels wide at the shaft levels, on every film."""

    digests = {"known": "0" * 64}  # noqa: RUF012

    def __init__(self):
        schema = landmark_schema()
        points = np.full((len(schema), 2), 300.0)
        for stem, x in {"M1": 200, "M2": 280, "M4": 360, "M5": 420}.items():
            for level, y in {"p": 500, "d": 350}.items():
                for edge, dx in {"med": -20, "lat": 20}.items():
                    points[schema.index(f"{stem}{level}_{edge}")] = (x + dx, y)
        for level, (x, y) in {"p": (205, 240), "d": (215, 180)}.items():
            for edge, dx in {"med": -15, "lat": 15}.items():
                points[schema.index(f"PP{level}_{edge}")] = (x + dx, y)
        points[schema.index("DP_base_c")], points[schema.index("DP_tip")] = (220, 150), (220, 90)
        foot = FoundFoot(np.eye(3), "R", 0.99, 0.99, {"dp": 1.0})
        covariance = np.tile(np.eye(2), (len(schema), 1, 1))
        self.known = FootLandmarks(foot, points, covariance, np.full(len(schema), 0.9))

    def find(self, film):
        return [self.known.foot]

    def landmarks(self, film, foot):
        return self.known


@pytest.fixture
def films(tmp_path, monkeypatch):
    monkeypatch.setattr(command, "foot_reader", lambda *_: KnownFoot())
    folder = tmp_path / "films"
    folder.mkdir()
    for i in range(3):
        pixels = np.full((640, 600), 60, dtype=np.uint8)
        pixels[50:600, 150:450] = 170
        pixels[0, i] = 255
        Image.fromarray(pixels).save(folder / f"f{i}.png")
    return folder


def call(*arguments):
    return CliRunner().invoke(app, [str(a) for a in arguments], env={"COLUMNS": "240"})


def test_evaluate_measures_and_compares(films, tmp_path):
    """The known foot has HVA atan(10 / 60) = 9.462 degrees and IMA 0; truth lies 1, 2 and 6 degrees below."""
    hva = np.degrees(np.arctan2(10, 60))
    lines = [f"f{i}.png,R,{hva - off:.6f},0" for i, off in enumerate((1, 2, 6))]
    truth = tmp_path / "truth.csv"
    truth.write_text("\n".join(["film,foot,hva,ima", *lines]) + "\n", encoding="utf-8")
    out = tmp_path / "out"
    result = call("evaluate", films, truth, "--out", out)
    assert result.exit_code == 0, result.output
    content = json.loads((out / "evaluation.json").read_text(encoding="utf-8"))
    figures = content["groups"][0]["measures"]
    assert figures["hva"]["mae"] == pytest.approx(3.0, abs=0.051)
    assert figures["hva"]["within"] == {"3": pytest.approx(2 / 3), "5": pytest.approx(2 / 3)}
    assert figures["ima"]["mae"] == pytest.approx(0.0, abs=1e-3)
    assert content["films_per_minute"] > 0

    again = call("evaluate", films, truth, "--measured", out / "run")
    assert again.exit_code == 0, again.output
    assert "found 3 of 3 (100.0 %)" in again.output

    refused = call("evaluate", films, truth, "--out", out)
    assert refused.exit_code == 2
    assert "--overwrite" in refused.output


def test_a_run_is_compared_by_its_own_protocol(films, tmp_path):
    """The axis of the shaft and that of head and base are different measures (fact sheet, section 1)."""
    foot = KnownFoot().known.points
    schema = landmark_schema()
    base, head = (foot[schema.index(code)] for code in ("M1_base_c", "M1_head_c"))
    assert np.array_equal(base, head)  # so that this measure is withheld and no other
    truth = tmp_path / "truth.csv"
    truth.write_text("film,foot,hva,mtp5,ima45\nf0.png,R,9.5,1,0.5\n", encoding="utf-8")
    file = tmp_path / "other.yaml"
    file.write_text("reported: [ima45, hva]\nexceptions: {hva: head_base}\n", encoding="utf-8")
    out = tmp_path / "out"
    result = call("evaluate", films, truth, "--out", out, "--protocol", file)
    assert result.exit_code == 0, result.output
    figures = json.loads((out / "evaluation.json").read_text(encoding="utf-8"))["groups"][0]["measures"]
    assert list(figures) == ["ima45", "hva"]
    assert (figures["ima45"]["n"], figures["hva"]["n"]) == (1, 0)
    assert figures["ima45"]["mae"] == pytest.approx(0.5, abs=1e-3)
    assert read_run(out / "run").constructions == {"ima45": "shaft", "hva": "head_base"}
    both = call("evaluate", films, truth, "--measured", out / "run", "--protocol", file)
    assert both.exit_code == 2
    assert "--protocol" in both.output


def test_each_foot_of_a_film_gets_its_own_landmarks(films, tmp_path, monkeypatch):
    class TwoFeet(KnownFoot):
        def find(self, film):
            self.second = replace(self.known, foot=replace(self.known.foot, side="L"), points=self.known.points + 90.0)
            return [self.known.foot, self.second.foot]

        def landmarks(self, film, foot):
            return self.known if foot is self.known.foot else self.second

    monkeypatch.setattr(command, "foot_reader", lambda *_: TwoFeet())
    assert call("measure", films / "f0.png", "--out", tmp_path / "run", "--no-overlays").exit_code == 0
    right, left = read_run(tmp_path / "run").films["f0.png"]
    assert (right.side, left.side) == ("R", "L")
    assert left.centre == pytest.approx((right.centre[0] + 90.0, right.centre[1] + 90.0))


def test_a_folder_without_a_run_is_bad_usage(films, tmp_path):
    truth = tmp_path / "truth.csv"
    truth.write_text("film,foot\nf0.png,R\n", encoding="utf-8")
    result = call("evaluate", films, truth, "--measured", tmp_path)
    assert result.exit_code == 2
    assert "feet.csv is missing" in result.output


def test_tables_that_are_no_run_are_refused(tmp_path, films):
    assert call("measure", films, "--out", tmp_path / "run", "--no-overlays").exit_code == 0
    (tmp_path / "run" / "feet.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    with pytest.raises(RunTablesError, match="holds no run"):
        read_run(tmp_path / "run")
