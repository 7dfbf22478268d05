"""A selection of an archive from end to end, with a stand-in for the networks: every file has one row."""

from __future__ import annotations

import csv
import io
import zipfile
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from pydicom.data import get_testdata_file
from typer.testing import CliRunner

from raysplay.infer import command
from raysplay.infer.films.decode import FilmReader
from raysplay.infer.measuring import measure_into
from raysplay.infer.outputs.finished_run import FinishedRun
from raysplay.infer.outputs.run_folder import RunFolderError
from raysplay.infer.review.films import FilmShelf
from raysplay.infer.selection.archive import HEADER, select_into
from raysplay.infer.selection.choice import Kind, Verdict
from raysplay.train.cli import app

VIEWS = {
    "lateral": {"dp": 0.0, "oblique": 0.0, "lateral": 1.0, "other": 0.0},
    "doubt": {"dp": 0.2, "oblique": 0.8, "lateral": 0.0, "other": 0.0},
}


class Known:
    """A known foot on every film; the view by the first word of the film's name, none on ``none``."""

    digests = {"known": "0" * 64}  # noqa: RUF012

    def __init__(self, placed) -> None:
        self.placed = placed

    def find(self, film):
        first = film.path.name.split("-")[0]
        if first == "none":
            return []
        if first == "fails":
            raise RuntimeError("PATIENT^NAME")
        return [replace(self.placed.foot, view=VIEWS.get(first, self.placed.foot.view))]

    def landmarks(self, film, foot):
        return replace(self.placed, foot=foot)


def _png(number: int) -> bytes:
    pixels = np.full((1000, 900), 40, dtype=np.uint8)
    pixels[150:950, 150:700] = 140
    pixels[0, number] = 255
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "PNG")
    return stream.getvalue()


@pytest.fixture
def archive(tmp_path) -> Path:
    folder = tmp_path / "films"
    folder.mkdir()
    for number, name in enumerate(("dp-1.png", "lateral-1.png", "doubt-1.png", "none-1.png", "fails-1.png")):
        (folder / name).write_bytes(_png(number))
    (folder / "copy.png").write_bytes(_png(0))
    (folder / "=cmd\n.txt").write_text("words")
    (folder / "Thumbs.db").write_bytes(b"\x01")
    (folder / "broken.png").write_bytes(_png(7)[:300])
    (folder / "CT").write_bytes(Path(str(get_testdata_file("CT_small.dcm", download=False))).read_bytes())
    with zipfile.ZipFile(folder / "study.zip", "w") as packed:
        packed.writestr("IM/dp-2.png", _png(8))
        packed.writestr("IM/lateral-2.png", _png(9))
    return folder


@pytest.fixture
def known(place):
    return Known(place())


EXPECTED = {
    "dp-1.png": ("left_out", "duplicate"),  # copy.png comes first
    "copy.png": ("kept", "dorsoplantar"),
    "lateral-1.png": ("left_out", "lateral"),
    "doubt-1.png": ("kept", "doubtful"),
    "none-1.png": ("left_out", "no_foot"),
    "fails-1.png": ("not_read", "internal_error"),
    "./=cmd%0A.txt": ("left_out", "other_file"),
    "broken.png": ("not_read", "unreadable"),
    "CT": ("left_out", "other_object"),
    "study.zip!/IM/dp-2.png": ("kept", "dorsoplantar"),
    "study.zip!/IM/lateral-2.png": ("left_out", "lateral"),
}


def _rows(table: Path) -> list[dict[str, str]]:
    with open(table, encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_every_file_has_one_row(archive, known, tmp_path) -> None:
    seen: list[int] = []
    with FilmReader() as films:
        holdings = select_into([archive], tmp_path / "out", films, known, progress=seen.append)
    rows = _rows(tmp_path / "out" / "selection.csv")
    assert tuple(rows[0]) == HEADER
    assert {row["film"]: (row["verdict"], row["kind"]) for row in rows} == EXPECTED
    assert len(rows) == len(EXPECTED) == holdings.files == seen[-1]
    assert holdings.litter == 1
    counted = Counter((Verdict(verdict), Kind(kind)) for verdict, kind in EXPECTED.values())
    assert holdings.counts == counted
    assert sum(holdings.verdicts().values()) == len(rows)
    assert "PATIENT" not in (tmp_path / "out" / "selection.csv").read_text()
    doubt = next(row for row in rows if row["film"] == "doubt-1.png")
    assert float(doubt["seen"]) == pytest.approx(0.98 * 0.2, abs=1e-3)
    assert doubt["view"] == "oblique"


def test_an_earlier_table_is_not_replaced_unasked(archive, known, tmp_path) -> None:
    with FilmReader() as films:
        select_into([archive], tmp_path / "out", films, known)
        with pytest.raises(RunFolderError, match="--overwrite"):
            select_into([archive], tmp_path / "out", films, known)
        select_into([archive / "none-1.png"], tmp_path / "out", films, known, overwrite=True)
    assert len(_rows(tmp_path / "out" / "selection.csv")) == 1


def test_the_table_may_lie_among_the_films(archive, known) -> None:
    with FilmReader() as films:
        for overwrite in (False, True):
            select_into([archive], archive, films, known, overwrite=overwrite)
            assert {row["film"] for row in _rows(archive / "selection.csv")} == set(EXPECTED)


def test_command_alone(archive, known, tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(command, "foot_reader", lambda *_: known)
    done = CliRunner().invoke(app, ["measure", str(archive), "--out", str(tmp_path / "out"), "--select-only"])
    assert done.exit_code == 0, done.output
    assert "11 files" in done.output
    assert "a foot from the side" in done.output
    assert [path.name for path in (tmp_path / "out").iterdir() if path.suffix] == ["selection.csv"]
    done = CliRunner().invoke(app, ["measure", str(archive / "gone"), "--out", str(tmp_path / "o"), "--select-only"])
    assert done.exit_code == 2
    asked = ["measure", str(archive), "--out", str(tmp_path / "o"), "--select-only", "--workers", "2"]
    done = CliRunner().invoke(app, asked)
    assert done.exit_code == 2
    assert "--select-only" in done.output
    assert not (tmp_path / "o").exists()


def test_a_run_of_what_was_selected_accounts_for_all(archive, known, tmp_path) -> None:
    """Also films within an archive can be looked at in a review."""
    measure_into([archive], tmp_path / "run", overlays=False, select=True, load=lambda *_: known)
    rows = {row["film"]: row for row in _rows(tmp_path / "run" / "feet.csv")}
    assert set(rows) == set(EXPECTED)
    for name in ("lateral-1.png", "none-1.png", "study.zip!/IM/lateral-2.png"):
        assert (rows[name]["decision"], rows[name]["reason_kinds"]) == ("refused", "left_out"), name
        assert rows[name]["reasons"].startswith("left out: ")
    assert rows["dp-1.png"]["reason_kinds"] == "duplicate"
    assert rows["study.zip!/IM/dp-2.png"]["decision"] != "refused"
    assert rows["./=cmd%0A.txt"]["reason_kinds"] == "other_file"
    run = FinishedRun(tmp_path / "run")
    number = next(i for i in range(len(EXPECTED)) if run.film(i).name == "study.zip!/IM/dp-2.png")
    with FilmShelf(run, None, 20_000_000) as shelf:
        assert shelf.notice(number) == ""
        assert (shelf.picture(number).rows, shelf.picture(number).columns) == (1000, 900)
        (archive / "study.zip").unlink()
        assert "not where it was measured" in shelf.notice(number)
