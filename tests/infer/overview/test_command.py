"""The command: where the page goes, what it never replaces, and one clear result for every folder that is no run."""

import json
import os
import shutil
import stat

import pytest
from typer.testing import CliRunner

from raysplay.infer import RunError, RunFormatError
from raysplay.infer.archive.ledger import Ledger
from raysplay.infer.films.collect import collect
from raysplay.infer.outputs.run_files import REPORT
from raysplay.infer.overview import ReportFileError, overview
from raysplay.train.cli import app

from .conftest import change_about


def call(*arguments):
    result = CliRunner().invoke(app, [str(one) for one in arguments], env={"COLUMNS": "1500"})
    return result.exit_code, result.output


def test_the_page_lies_in_the_folder_of_the_run(harbour):
    status, output = call("report", harbour)
    assert status == 0, output
    page = harbour / REPORT
    assert str(page) in output
    assert "A person confirms every number" in output
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")
    if os.name == "posix":
        assert stat.S_IMODE(page.stat().st_mode) == 0o600


def test_an_earlier_report_is_replaced_only_when_asked(harbour):
    assert call("report", harbour)[0] == 0
    before = (harbour / REPORT).read_bytes()
    status, output = call("report", harbour)
    assert status == 2
    assert "--overwrite" in output
    assert (harbour / REPORT).read_bytes() == before
    assert call("report", harbour, "--overwrite")[0] == 0


@pytest.mark.parametrize("overwrite", [(), ("--overwrite",)])
def test_a_file_that_is_no_report_is_never_replaced(harbour, tmp_path, overwrite):
    mine = tmp_path / "diary.html"
    mine.write_text("Fog all day.")
    status, output = call("report", harbour, "--out", mine, *overwrite)
    assert status == 2
    assert "is no report" in output
    assert mine.read_text() == "Fog all day."
    assert call("report", harbour, "--out", harbour / "feet.csv", *overwrite)[0] == 2
    assert call("report", harbour, "--out", tmp_path, *overwrite)[0] == 2


def test_a_report_is_no_film_of_the_next_run(harbour):
    """Where tables lie beside the films."""
    before = {one.path for one in collect([harbour]).candidates}
    call("report", harbour)
    assert {one.path for one in collect([harbour]).candidates} == before


def test_two_runs_that_were_not_read_alike_are_said_on_screen(harbour, tmp_path):
    other = tmp_path / "other"

    shutil.copytree(harbour, other)
    change_about(other, lambda about: about["digests"]["weights"].update({"landmarks.safetensors": "cd" * 32}))
    status, output = call("report", harbour, "--against", other, "--out", tmp_path / "page.html")
    assert status == 0
    assert "not read alike: the weights landmarks.safetensors" in output


def unfinished(folder):
    (folder / "run.json").unlink()
    Ledger(folder).close()


@pytest.mark.parametrize(
    ("spoil", "error", "says"),
    [
        (unfinished, RunError, "is not finished"),
        (lambda folder: (folder / "run.json").unlink(), RunError, "is this the folder of a finished run?"),
        (lambda folder: (folder / "run.json").write_text("{}"), RunError, "not the summary of a run"),
        (lambda folder: change_about(folder, lambda about: about.update(format=9)), RunFormatError, "newer version"),
        (lambda folder: change_about(folder, lambda about: about.pop("format")), RunFormatError, "earlier version"),
        (lambda folder: (folder / "feet.csv").write_text("film\n"), RunError, "was changed after the run"),
        (lambda folder: (folder / "films.csv").unlink(), RunError, "films.csv"),
    ],
)
@pytest.mark.parametrize("against", [False, True])
def test_what_is_no_run_is_one_sentence(harbour, tmp_path, spoil, error, says, against):

    broken = tmp_path / "broken"
    shutil.copytree(harbour, broken)
    spoil(broken)
    folders = (harbour, broken) if against else (broken, None)
    with pytest.raises(error, match=says) as raised:
        overview(folders[0], against=folders[1])
    assert str(broken) in str(raised.value)
    assert "\n" not in str(raised.value)
    options = ("--against", broken) if against else ()
    status, output = call("report", folders[0], *options, "--out", tmp_path / "page.html")
    assert status == 2
    assert says in output
    assert not (tmp_path / "page.html").exists()


def test_a_ledger_that_cannot_be_read_costs_times_alone(harbour):
    (harbour / "ledger.sqlite").write_bytes(b"no ledger" * 1000)
    page = overview(harbour).page()
    assert "Times of single films and calls are not known" in page
    assert "Flow of files" in page


def test_what_run_json_says_oddly_of_times_costs_times_alone(harbour):
    change_about(harbour, lambda about: about.update(seconds_by_stage={"find": -1.0}, ended="<today>"))
    page = overview(harbour).page()
    assert "Where time went" not in page
    assert "today" not in page


def test_from_python_the_page_is_written_once(harbour, tmp_path):
    made = overview(harbour)
    place = made.write(tmp_path / "page.html")
    assert place.read_text(encoding="utf-8") == made.page()
    with pytest.raises(ReportFileError, match="--overwrite"):
        made.write(place)
    assert made.write(place, overwrite=True) == place
    assert made.flow.files == 8
    assert json.loads((harbour / "run.json").read_text())["counts"]["films"] == made.flow.files
