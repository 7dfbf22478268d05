"""``raysplay measure --overwrite`` where people have read the run: no read is lost, and none is passed on unasked."""

import csv
import hashlib
import json
import re
import shutil
import socket
from dataclasses import replace

import pytest
from typer.testing import CliRunner

from raysplay.infer import command
from raysplay.infer.outputs.run_files import STORE
from raysplay.infer.review.other_stores import stores_noted
from raysplay.infer.review.reads_found import reads_in
from raysplay.train.cli import app

pytestmark = pytest.mark.usefixtures("no_films_ahead")


class Known:
    digests = {"known": "0" * 64}  # noqa: RUF012

    def __init__(self, landmarks, after=None):
        self.known, self.after = landmarks, after

    def find(self, film):
        if self.after is not None:
            self.after()
        return [self.known.foot]

    def landmarks(self, film, foot):
        return self.known


def call(*arguments):
    return CliRunner().invoke(app, [str(a) for a in arguments], env={"COLUMNS": "400"})


def said(result):
    return " ".join(result.output.replace("│", " ").split())


def confirm(server, number, reader="AB"):
    answer = server.browser(reader).post(f"/api/feet/{number}/reads", json={"version": 0, "verdict": "confirm"})
    assert answer.status_code == 200, answer.text


@pytest.fixture
def measured(harbour, films_folder, tmp_path, place, monkeypatch):
    monkeypatch.setattr(command, "foot_reader", lambda *_: Known(place()))
    out = tmp_path / "out"
    assert call("measure", films_folder, "--out", out, "--no-overlays").exit_code == 0
    return out


@pytest.fixture
def measure(films_folder, measured):
    return lambda *options: call("measure", films_folder, "--out", measured, "--no-overlays", "--overwrite", *options)


def reviewed(out, tmp_path):
    shutil.rmtree(tmp_path / "reviewed", ignore_errors=True)
    assert call("export", out, "--out", tmp_path / "reviewed").exit_code == 0
    tables = []
    for name in ("feet_reviewed.csv", "history.csv"):
        with (tmp_path / "reviewed" / name).open(encoding="utf-8", newline="") as stream:
            tables.append(list(csv.DictReader(stream)))
    return tables


def test_a_run_with_reads_is_not_replaced_unasked(measured, measure, serve, tmp_path):
    confirm(serve(measured), 1)
    whole = {path.name: path.read_bytes() for path in measured.glob("*.csv")}
    refused = measure()
    assert refused.exit_code == 2
    for words in (STORE, "holds 1 reads of 1 feet", "another folder", "raysplay export", "--keep-reads"):
        assert words in said(refused)
    assert {path.name: path.read_bytes() for path in measured.glob("*.csv")} == whole
    assert not list(measured.glob("*.partial"))
    feet, _ = reviewed(measured, tmp_path)
    assert feet[0]["state"] == "confirmed"


def advised(refused, words):
    """The command that a refusal advises, as its words would be typed."""
    (command,) = re.findall(rf"raysplay (export \S+{words} --out ELSEWHERE)", said(refused))
    return command.split()


def test_the_export_that_is_advised_can_be_made(measured, measure, serve, tmp_path):
    confirm(serve(measured), 1)
    command = advised(measure(), "")
    assert call(*(str(tmp_path / "kept") if word == "ELSEWHERE" else word for word in command)).exit_code == 0
    assert "confirmed" in (tmp_path / "kept" / "feet_reviewed.csv").read_text("utf-8")


def earlier_format(folder):
    about = json.loads((folder / "run.json").read_text("utf-8"))
    del about["format"]
    (folder / "run.json").write_text(json.dumps(about), "utf-8")


@pytest.mark.parametrize("damage", ["earlier format", "changed table"])
def test_no_export_is_advised_that_would_be_refused(measured, measure, serve, tmp_path, damage):
    confirm(serve(measured), 1)
    if damage == "earlier format":
        earlier_format(measured)
    else:
        (measured / "feet.csv").write_text((measured / "feet.csv").read_text("utf-8") + "\n", "utf-8")
    assert call("export", measured, "--out", tmp_path / "kept").exit_code == 2
    refused = measure()
    assert refused.exit_code == 2
    assert "raysplay export" not in said(refused)
    assert "can no longer export that run" in said(refused)
    # What is advised instead can be done.
    done = measure("--keep-reads")
    assert done.exit_code == 0, done.output
    assert reads_in(measured).reads == 1


def test_reads_are_carried_over_where_film_and_points_are_the_same(measured, measure, serve, tmp_path):
    server = serve(measured)
    confirm(server, 1)
    confirm(server, 2, "CD")
    done = measure("--keep-reads")
    assert done.exit_code == 0, done.output
    assert "2 feet with reads that stand" in said(done)
    feet, history = reviewed(measured, tmp_path)
    assert [(foot["state"], foot["reader"]) for foot in feet[:3]] == [
        ("confirmed", "AB"),
        ("confirmed", "CD"),
        ("open", ""),
    ]
    assert [read["reader"] for read in history] == ["AB", "CD"]


def test_where_points_are_others_the_foot_is_open_and_the_read_in_the_history(
    measured, measure, serve, tmp_path, place, monkeypatch
):
    confirm(serve(measured), 1)
    landmarks = place()
    monkeypatch.setattr(command, "foot_reader", lambda *_: Known(replace(landmarks, points=landmarks.points + 3.0)))
    done = measure("--keep-reads")
    assert "1 foot open again" in said(done)
    feet, history = reviewed(measured, tmp_path)
    assert feet[0]["state"] == "open"
    assert [(read["reader"], read["outcome"]) for read in history] == [("AB", "points differ")]


def test_reads_saved_while_the_run_goes_on_are_not_lost(measured, measure, serve, tmp_path, place, monkeypatch):
    """The page of the earlier run was open all the time."""
    server, saved = serve(measured), []

    def somebody_reads():
        if not saved:
            saved.append(1)
            confirm(server, 1)

    monkeypatch.setattr(command, "foot_reader", lambda *_: Known(place(), somebody_reads))
    done = measure()
    assert done.exit_code == 0, done.output
    assert "1 foot with reads that stand" in said(done)
    feet, _ = reviewed(measured, tmp_path)
    assert feet[0]["state"] == "confirmed"


def test_a_store_that_cannot_be_read_keeps_its_run(measured, measure):
    (measured / STORE).write_bytes(b"no database at all, " * 400)
    known = hashlib.sha256((measured / STORE).read_bytes()).hexdigest()
    for options in ((), ("--keep-reads",)):
        refused = measure(*options)
        assert refused.exit_code == 2
        assert "it may hold reads" in said(refused)
    assert hashlib.sha256((measured / STORE).read_bytes()).hexdigest() == known


def test_a_store_elsewhere_is_remembered_and_said(measured, measure, tmp_path):
    """It cannot be seen in the folder, so that a review was opened with it is noted there, without its password."""
    elsewhere = f"sqlite:///{tmp_path / 'elsewhere.sqlite'}"
    # The review ends before its server begins: the port is in use.
    with socket.socket() as busy:
        busy.bind(("127.0.0.1", 0))
        busy.listen()
        call("review", measured, "--store", elsewhere, "--no-browser", "--port", busy.getsockname()[1])
    assert stores_noted(measured) == (elsewhere,)
    refused = measure()
    assert refused.exit_code == 2
    assert f"was reviewed with {elsewhere}, whose reads cannot be counted" in said(refused)
    kept = tmp_path / "kept"
    typed = {"ADDRESS": elsewhere, "ELSEWHERE": str(kept)}
    assert call(*(typed.get(word, word) for word in advised(refused, " --store ADDRESS"))).exit_code == 0
    assert measure("--keep-reads").exit_code == 0


def test_a_run_without_reads_is_replaced_as_before(measured, measure):
    assert not reads_in(measured)
    assert measure().exit_code == 0


def test_the_run_of_an_evaluation_with_reads_is_kept(measured, films_folder, serve, tmp_path):
    confirm(serve(measured), 1)
    shutil.copytree(measured, tmp_path / "evaluation" / "run")
    (tmp_path / "truth.csv").write_text("film,foot,hva\nspring/cook.dcm,R,30\n", encoding="utf-8")
    refused = call("evaluate", films_folder, tmp_path / "truth.csv", "--out", tmp_path / "evaluation", "--overwrite")
    assert refused.exit_code == 2
    assert "holds 1 reads of 1 feet" in said(refused)
    assert reads_in(tmp_path / "evaluation" / "run").reads == 1
