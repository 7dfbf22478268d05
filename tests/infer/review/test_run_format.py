"""A run of another version's format: one sentence that says which it is, what is read and what to do, everywhere."""

import csv
import importlib.metadata
import json

import pytest
from typer.testing import CliRunner

from raysplay.configs.load import digest
from raysplay.infer import command
from raysplay.infer.finished import Run
from raysplay.infer.outputs import finished_run
from raysplay.infer.outputs.finished_run import FinishedRun, RunFormatError, read_run
from raysplay.infer.outputs.run_format import FORMAT
from raysplay.infer.outputs.tables import BEAM
from raysplay.infer.review import store
from raysplay.train.cli import app

pytestmark = pytest.mark.usefixtures("no_films_ahead")

EARLIER = ("earlier version", f"reads format {FORMAT}", "--overwrite --keep-reads", "a read is carried over")
NEWER = ("newer version", f"reads format {FORMAT}", "into another folder")


def stated(run, number):
    """Let the run state a format; None for one of before there were numbers."""
    path = run / "run.json"
    about = json.loads(path.read_text(encoding="utf-8"))
    about.pop("format")
    path.write_text(json.dumps(about if number is None else {**about, "format": number}), encoding="utf-8")


def earlier_tables(run):
    """As versions of before formats had numbers wrote them: fewer columns, no digests."""
    stated(run, None)
    about = json.loads((run / "run.json").read_text(encoding="utf-8"))
    del about["tables"]
    (run / "run.json").write_text(json.dumps(about), encoding="utf-8")
    for name, later in (
        ("feet.csv", ("withheld", "unproven", "low_confidence", *BEAM, "overlay")),
        ("films.csv", ("person", "taken", "loading")),
    ):
        with (run / name).open(encoding="utf-8", newline="") as stream:
            rows = list(csv.DictReader(stream))
        kept = [column for column in rows[0] if column not in later]
        with (run / name).open("w", encoding="utf-8", newline="") as stream:
            table = csv.DictWriter(stream, kept, extrasaction="ignore", quoting=csv.QUOTE_NONNUMERIC)
            table.writeheader()
            table.writerows(rows)


def without(run, name, later):
    """A table as versions wrote it that lacked some columns; gives its rows as they were."""
    with (run / name).open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    with (run / name).open("w", encoding="utf-8", newline="") as stream:
        kept = [column for column in rows[0] if column not in later]
        table = csv.DictWriter(stream, kept, extrasaction="ignore", quoting=csv.QUOTE_NONNUMERIC)
        table.writeheader()
        table.writerows(rows)
    about = json.loads((run / "run.json").read_text(encoding="utf-8"))
    about["tables"][name] = digest(run / name)
    (run / "run.json").write_text(json.dumps(about), encoding="utf-8")
    return rows


def test_a_run_from_before_the_beam_was_estimated_is_read(harbour):
    rows = without(harbour, "feet.csv", BEAM)
    run = finished_run.read_run(harbour)
    assert len(run) == len(rows)
    assert all(run.beam(foot) is None for foot in range(len(run)))
    assert [foot.beam for film in Run(run) for foot in film.feet] == [None] * sum(bool(row["foot"]) for row in rows)


def test_a_run_from_before_sex_and_age_were_kept_is_read(harbour):
    rows = without(harbour, "films.csv", ("sex", "age"))
    run = finished_run.read_run(harbour)
    assert run.stated("sex") == run.stated("age") == [""] * run.film_count
    assert run.stated("loading") == [row["loading"] for row in rows]


def call(*arguments):
    result = CliRunner().invoke(app, [str(a) for a in arguments], env={"COLUMNS": "1500"})
    return result.exit_code, result.output


def test_what_is_written_is_read(harbour):
    assert json.loads((harbour / "run.json").read_text(encoding="utf-8"))["format"] == FORMAT
    assert len(read_run(harbour)) == 6


@pytest.mark.parametrize(
    ("number", "named", "said"),
    [
        (None, "no format number", EARLIER),
        (0, "format 0", EARLIER),
        (FORMAT + 1, f"format {FORMAT + 1}", NEWER),
        (10**30, f"format {10**30}", NEWER),
    ],
)
def test_another_format_is_one_sentence_in_every_command(harbour, films_folder, tmp_path, number, named, said):
    stated(harbour, number)
    before = sorted(path.name for path in harbour.iterdir())
    truth = tmp_path / "truth.csv"
    truth.write_text("film,foot,hva\nspring/cook.dcm,R,32.0\n", encoding="utf-8")
    for arguments in (
        ("review", harbour, "--no-browser"),
        ("export", harbour, "--out", tmp_path / "out"),
        ("evaluate", films_folder, truth, "--measured", harbour),
    ):
        status, output = call(*arguments)
        assert status == 2, output
        (line,) = [line for line in output.splitlines() if "run.json:" in line]
        for words in (str(harbour / "run.json"), named, importlib.metadata.version("raysplay"), *said):
            assert words in line, words
        assert "Traceback" not in output
    assert not (tmp_path / "out").exists()
    assert sorted(path.name for path in harbour.iterdir()) == before


def test_a_newer_run_is_named_so_even_where_nothing_else_of_it_is_known(harbour):
    """What a later version writes need not fit this one's model of ``run.json``."""
    (harbour / "run.json").write_text('{"format": 7, "protocol": ["hva"]}', encoding="utf-8")
    with pytest.raises(RunFormatError, match="format 7"):
        FinishedRun(harbour)


@pytest.mark.parametrize("number", [0, FORMAT + 1])
def test_the_way_to_older_reads_takes_no_other_number(harbour, number):
    stated(harbour, number)
    with pytest.raises(RunFormatError):
        FinishedRun(harbour, earlier=True)


def test_columns_that_only_earlier_runs_lack_must_be_there(harbour):
    path = harbour / "feet.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("withheld,", "held,", 1), encoding="utf-8")
    with pytest.raises(ValueError, match=r"feet\.csv: no column withheld"):
        FinishedRun(harbour)


def test_reads_of_an_earlier_run_stand_after_measuring_as_the_sentence_says(
    harbour, films_folder, serve, place, monkeypatch
):
    """Measured by a stand-in that leaves the same points, as the message promises."""

    class Known:
        digests = {"known": "0" * 64}  # noqa: RUF012

        def find(self, film):
            return [place("L" if "pilot" in film.path.name else "R").foot]

        def landmarks(self, film, foot):
            return place(foot.side)

    monkeypatch.setattr(command, "foot_reader", lambda *_: Known())
    earlier_tables(harbour)
    with monkeypatch.context() as of_that_time:  # it read such runs, and did not keep what reads were made on
        of_that_time.setitem(FinishedRun.__init__.__kwdefaults__, "earlier", True)
        of_that_time.setattr(store, "lay_ground", lambda *_: None)
        server = serve(harbour)
        for number, reader in ((1, "AB"), (4, "CD")):
            answer = server.browser(reader).post(f"/api/feet/{number}/reads", json={"version": 0, "verdict": "confirm"})
            assert answer.status_code == 200, answer.text
        server.stop()
    status, output = call("export", harbour, "--out", harbour.parent / "out")
    assert (status, "--keep-reads" in output) == (2, True)
    status, output = call("measure", films_folder, "--out", harbour, "--no-overlays", "--overwrite", "--keep-reads")
    assert status == 0, output
    assert "2 feet with reads that stand" in output
    assert len(read_run(harbour)) == 5
