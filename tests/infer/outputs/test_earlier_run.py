"""What a run left in a folder is known by its own tables, and by nothing else."""

import csv

import pytest

from raysplay.configs.load import shipped
from raysplay.configs.protocol import reported_measures
from raysplay.infer.outputs.earlier_run import written_by_run
from raysplay.infer.outputs.names import film_name
from raysplay.infer.outputs.run_files import TABLES
from raysplay.infer.outputs.run_folder import RunFolder
from raysplay.infer.outputs.run_writer import RunWriter


@pytest.fixture
def run(tmp_path, schema, film, film_record):
    """A finished run over two films, with overlays."""
    writer = RunWriter(RunFolder(tmp_path / "out"), schema, reported_measures())
    for name in ("spring/cook.dcm", "=1,2;3.dcm"):
        writer.write(film_record(film_name(name)), film)
    return writer.finish(command=[], wall_seconds=1.0, weights={}, protocol=shipped("protocol.yaml"))


def left(folder):
    return {path for path in folder.rglob("*") if path.is_file()}


def test_a_finished_run_knows_all_that_it_wrote(run):
    assert len(list((run / "overlays").iterdir())) == 2
    assert left(run) <= written_by_run(run)


@pytest.mark.parametrize("lost", ["run.json", "crops.csv", "landmarks.parquet"])
def test_also_where_a_table_is_lost(run, lost):
    (run / lost).unlink()
    assert left(run) <= written_by_run(run)


@pytest.mark.parametrize("damaged", [b"", b"[]", b"{", b"\xff\xfe", b"[" * 100_000])
def test_also_where_its_summary_is_damaged(run, damaged):
    (run / "run.json").write_bytes(damaged)
    assert left(run) <= written_by_run(run)


def test_what_others_put_beside_it_is_not_its_own(run):
    (drawn, *_) = (run / "overlays").iterdir()
    mine = [run / "film.png", run / "overlays" / "film.png", run / "overlays" / f"x{drawn.name}", run / "feet_mine.csv"]
    for path in mine:
        path.write_bytes(b"x")
    assert not written_by_run(run) & set(mine)


def test_tables_of_other_people_make_no_run(tmp_path):
    with (tmp_path / "feet.csv").open("w", newline="") as stream:
        csv.writer(stream).writerows([["film", "foot", "hva"], ["a.dcm", "L", "31"]])
    (tmp_path / "run.json").write_text('{"command": "make", "counts": 3}')
    for name in TABLES[1:-1]:
        (tmp_path / name).write_text("film\n")
    assert written_by_run(tmp_path) == frozenset()
    assert written_by_run(tmp_path / "nowhere") == frozenset()
