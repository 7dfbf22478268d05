"""The suite through the command, with the shipped weights on a few generated films."""

import csv
import json

import pytest
from PIL import Image
from typer.testing import CliRunner

from raysplay.infer.outputs.folder_lock import FolderLock
from raysplay.train.cli import app
from raysplay.train.suite import report as suite_report
from raysplay.train.suite import run as suite_run
from raysplay.train.suite.films import write_suite
from raysplay.train.suite.folder import REPORT
from raysplay.train.suite.settings import SuiteSettings, suite_settings

NAMES = ("clean", "jpeg_15", "lateral")


def call(*arguments):
    return CliRunner().invoke(app, [str(a) for a in arguments], env={"COLUMNS": "240"})


@pytest.fixture(scope="module")
def coarse():
    """The shipped suite on coarse pixels, for speed."""
    plain = suite_settings().model_dump()
    for condition in plain["conditions"]:
        condition["pixel_mm"] = 0.5
    return SuiteSettings.model_validate(plain)


@pytest.fixture(scope="module")
def ran(tmp_path_factory, coarse):
    out = tmp_path_factory.mktemp("out") / "suite"
    real = tmp_path_factory.mktemp("real")
    for name in ("a", "b"):
        Image.new("L", (300, 400), 90).save(real / f"{name}.png")
    (real / "list.csv").write_text("film,view,metal\na.png,dp,yes\nb.png,lateral,\n", encoding="utf-8")
    handed = tmp_path_factory.mktemp("handed")
    write_suite(coarse.chosen(["rotated"]), 1, 99, handed)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(suite_run, "suite_settings", lambda: coarse)
        result = call(
            *("evaluate", "--suite", "--out", out, "--n", 2, "--conditions", ",".join(NAMES), "--threads", 1),
            *("--archive", f"skeleton={handed}", "--real", real, "--list", real / "list.csv"),
        )
        assert result.exit_code == 0, result.output
        again = call("evaluate", "--suite", "--out", out, "--n", 2, "--conditions", "clean")
    return out, result, again


def test_every_condition_has_its_row(ran):
    out, result, _ = ran
    with (out / "suite.csv").open(encoding="utf-8", newline="") as stream:
        rows = {row["condition"]: row for row in csv.DictReader(stream)}
    assert [(name, int(row["films"])) for name, row in rows.items()] == [
        ("clean", 2),
        ("skeleton", 1),
        ("jpeg_15", 2),
        ("lateral", 2),
    ]
    assert float(rows["clean"]["found"]) == 1.0
    assert float(rows["lateral"]["accepted"]) == 0.0
    # Generated feet of this size are read to well under five degrees (model card).
    assert float(rows["clean"]["hva_mae"]) < 5.0
    assert "Targets" in result.output
    assert "prove nothing about patients" in result.output


def test_the_films_can_be_evaluated_again_by_anyone(ran, tmp_path):
    """The suite's folder is an archive with truth: the plain command finds the same error over the same feet."""
    out, _, _ = ran
    result = call("evaluate", out / "films", out / "truth.csv", "--measured", out / "run", "--out", tmp_path)
    assert result.exit_code == 0, result.output
    # The archive that was handed in has its truth elsewhere.
    plain = json.loads((tmp_path / "evaluation.json").read_text(encoding="utf-8"))["groups"][0]["measures"]["hva"]
    suite = json.loads((out / "suite.json").read_text(encoding="utf-8"))
    rows = [row for row in suite["conditions"] if row["condition"] in NAMES and row["hva_n"]]
    assert plain["n"] == sum(row["hva_n"] for row in rows)
    assert plain["n"] * plain["mae"] == pytest.approx(sum(row["hva_n"] * row["hva_mae"] for row in rows))
    together = suite["together"]["groups"][0]["measures"]["hva"]
    assert suite["risk_coverage"]["hva"]["risk"][-1] == pytest.approx(together["mae"])


def test_real_films_are_counted_by_what_they_show(ran):
    out, _, _ = ran
    made = json.loads((out / "suite.json").read_text(encoding="utf-8"))["made"]
    assert [(one["kind"], one["films"], one["found"]) for one in made["real"]] == [
        ("dp, metal", 1, 0),
        ("lateral", 1, 0),
    ]
    assert made["films"] == 2
    assert set(made["seconds"]) == {"generating", "measuring", "comparing"}


def test_an_earlier_suite_is_not_overwritten(ran):
    _, _, again = ran
    assert again.exit_code == 2
    assert "--overwrite" in again.output


def test_only_a_suite_is_replaced_by_a_suite(tmp_path):
    """An archive looks like the folder of a suite: films, truth.csv."""
    archive = tmp_path / "archive"
    write_suite(suite_settings().chosen(["lateral"]), 1, 3, archive)
    files = sorted(path.name for path in archive.rglob("*"))
    result = call("evaluate", "--suite", "--out", archive, "--overwrite", "--n", 1, "--conditions", "clean")
    assert result.exit_code == 2
    assert "is not empty" in result.output
    assert sorted(path.name for path in archive.rglob("*")) == files


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--suite"], "--out"),
        (["--suite", "films", "truth.csv", "--out", "OUT"], "FILMS"),
        (["--suite", "--out", "OUT", "--conditions", "clear"], "no such condition: clear"),
        (["--suite", "--out", "OUT", "--conditions", "skeleton"], "no such condition: skeleton"),
        (["--suite", "--out", "OUT", "--archive", "clean=."], "clean=."),
        (["--suite", "--out", "OUT", "--archive", "nowhere"], "NAME=DIR"),
        (["--suite", "--out", "OUT", "--calibrate"], "--calibrate"),
        (["films", "truth.csv", "--archive", "skeleton=."], "--archive"),
        (["--suite", "--out", "OUT", "--real", "."], "--list"),
        (["--suite", "--out", "OUT", "--real", ".", "--list", "no.csv"], "no.csv"),
        (["films", "truth.csv", "--n", "3"], "--n"),
        (["films"], "TRUTH"),
        (["films", "truth.csv", "--calibrate"], "--out"),
        (["films", "truth.csv", "--measured", "run", "--landmark-weights", "w"], "--landmark-weights"),
        (["films", "truth.csv", "--level", "0.9", "--out", "OUT"], "--level"),
    ],
)
def test_bad_usage_writes_nothing(tmp_path, arguments, said):
    out = tmp_path / "out"
    result = call("evaluate", *(out if word == "OUT" else word for word in arguments))
    assert result.exit_code == 2
    assert said in result.output
    assert not out.exists()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("film\na.png\n", "no column view"),
        ("film,view\na.png,front\n", "line 2, column view: 'front' is not one of"),
        ("film,view\nb.png,dp\n", "line 2, column film: b.png is no file"),
        ("film,view\na.png,dp\na,dp\n", "line 3, column film: a stands in line 2 already"),
        ("film,view\n", "holds no row"),
        ("film,view,metall\na.png,dp,yes\n", "did you mean metal?"),
        ("film,view,metal\na.png,dp,x\n", "line 2, column metal: 'x' is not one of: yes, no, empty"),
        (b"film,view\n\x00\xfe,dp\n", "not a text table"),
    ],
)
def test_a_list_that_cannot_be_used(tmp_path, content, said):
    (tmp_path / "a.png").write_bytes(b"")
    table = tmp_path / "list.csv"
    table.write_bytes(content if isinstance(content, bytes) else content.encode())
    out = tmp_path / "out"
    result = call("evaluate", "--suite", "--out", out, "--real", tmp_path, "--list", table)
    assert result.exit_code == 2
    assert said in result.output
    assert not out.exists()


@pytest.fixture
def quick(monkeypatch, coarse):
    """The suite of one coarse film of a condition."""
    monkeypatch.setattr(suite_run, "suite_settings", lambda: coarse)
    return ("evaluate", "--suite", "--n", 1, "--conditions", "clean,lateral", "--threads", 1)


def test_figures_are_kept_though_plots_cannot_be_drawn(quick, tmp_path, monkeypatch):
    def fail(*_):
        raise OSError("no space left")

    monkeypatch.setattr(suite_report, "write_plots", fail)
    out = tmp_path / "suite"
    assert call(*quick, "--out", out).exit_code != 0
    assert json.loads((out / "suite.json").read_text(encoding="utf-8"))["finished"]
    assert "## Targets" in (out / "suite.md").read_text(encoding="utf-8")
    assert (out / "suite.csv").read_text(encoding="utf-8").count("\n") == 3


def test_a_suite_that_was_stopped_is_replaced_and_what_is_not_its_own_is_not(quick, tmp_path, monkeypatch):
    out = tmp_path / "suite"

    def stop(*_, **__):
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(suite_run, "run_measure", stop)
        assert call(*quick, "--out", out).exit_code != 0
    assert (out / "films" / "clean" / "film_00001.dcm").exists()
    assert not json.loads((out / "suite.json").read_text(encoding="utf-8"))["finished"]
    (out / "films" / "mine.dcm").write_bytes(b"x")
    refused = call(*quick, "--out", out, "--overwrite")
    assert (refused.exit_code, "mine.dcm" in refused.output) == (2, True)
    assert (out / "films" / "clean" / "film_00001.dcm").exists()
    (out / "films" / "mine.dcm").unlink()
    again = call(*quick, "--out", out, "--overwrite")
    assert again.exit_code == 0, again.output
    assert {path.name for path in out.iterdir()} == {
        *("films", "run", "truth.csv", "truth_landmarks.csv", "suite.json", "suite.csv", "suite.md"),
        *("outcomes.png", "coverage.png", "severity.png", "risk_coverage.png"),
    }


def test_weights_that_are_damaged_stop_a_suite_before_any_film_is_made(quick, tmp_path):
    weights = tmp_path / "landmarks.safetensors"
    weights.write_bytes(b"no weights")
    result = call(*quick, "--out", tmp_path / "suite", "--landmark-weights", weights)
    assert result.exit_code == 2
    assert not (tmp_path / "suite").exists()


def test_an_archive_whose_truth_names_other_films_stops_a_suite(quick, tmp_path):
    """Its feet would count as missed."""
    archive = tmp_path / "archive"
    write_suite(suite_settings().chosen(["clean"]), 1, 3, archive)
    truth = archive / "truth.csv"
    named = truth.read_text(encoding="utf-8")
    truth.write_text(named.replace("film_00001", "film_00009"), encoding="utf-8")
    result = call(*quick, "--out", tmp_path / "suite", "--archive", f"skeleton={archive}")
    assert result.exit_code == 2
    assert "name a film that is not there" in " ".join(result.output.replace("│", " ").split())
    assert not (tmp_path / "suite").exists()


@pytest.mark.parametrize("way", [["--suite", "--n", 1, "--conditions", "clean"], ["films", "truth.csv"]])
def test_a_folder_in_use_is_left_alone(tmp_path, monkeypatch, way):
    """A suite once removed the films of one that was still running."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "films").mkdir()
    (tmp_path / "truth.csv").write_text("film,foot\na.dcm,L\n", encoding="utf-8")
    out = tmp_path / "out"
    out.mkdir()
    (out / REPORT[0]).write_text("{}", encoding="utf-8")
    with FolderLock(out):
        result = call("evaluate", *way, "--out", out, "--overwrite")
    assert result.exit_code == 2
    assert "is writing into it" in " ".join(result.output.replace("│", " ").split())
    assert [path.name for path in out.iterdir()] == [REPORT[0]]
    free = call("evaluate", "nowhere", "truth.csv", "--out", tmp_path / "none")
    assert free.exit_code == 2
    assert not (tmp_path / "none").exists()
