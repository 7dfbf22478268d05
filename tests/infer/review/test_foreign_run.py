"""A run folder from elsewhere: whatever lies in it, one clear error, status 2, nothing written, and soon.

Sources: OWASP, input validation and denial of service; POSIX pipes and devices; RFC 8259 (JSON); RFC 4180 (CSV); the
Apache Parquet format. What each table holds: infer/GUIDE.md.
"""

import json
import os
import signal

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from typer.testing import CliRunner

from raysplay.configs.load import digest
from raysplay.infer.outputs.finished_run import FinishedRun, RunError
from raysplay.infer.outputs.run_files import STORES
from raysplay.infer.outputs.run_tables import LandmarkFile
from raysplay.infer.outputs.settings import output_settings
from raysplay.infer.review.films import FilmShelf, FilmUnavailableError
from raysplay.infer.review.other_stores import note_store, stores_noted
from raysplay.train.cli import app

pytestmark = pytest.mark.usefixtures("no_films_ahead")

FILES = ("run.json", "feet.csv", "films.csv", "crops.csv", "landmarks.parquet")
LIBRARIES = ("Input should", "Traceback", "site-packages", "Arrow", "pydantic", "invalid value", "JSONDecode", "Errno")


@pytest.fixture(autouse=True)
def in_time():
    """Nothing may be waited for; half a minute is for a machine with much to do."""

    def late(*_):
        raise TimeoutError("it hangs")

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(30)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


def refused(run, tmp_path, *said):
    """Both commands say what is wrong, once, and leave everything as it was."""
    before = sorted(path.name for path in run.iterdir())
    for command in (["export", "--out", str(tmp_path / "out")], ["review", "--no-browser"]):
        result = CliRunner().invoke(app, [command[0], str(run), *command[1:]], env={"COLUMNS": "400"})
        assert result.exit_code == 2, (result.output, result.exception)
        told = [line for line in result.output.splitlines() if "RUN_DIR:" in line]
        assert len(told) == 1, result.output
        for words in said:
            assert words in told[0]
        for words in LIBRARIES:
            assert words not in result.output
    assert not (tmp_path / "out").exists()
    assert sorted(path.name for path in run.iterdir()) == before


@pytest.mark.parametrize("name", FILES)
@pytest.mark.parametrize("kind", ["pipe", "device", "folder", "socket", "missing", "link to a pipe", "huge"])
def test_only_regular_files_of_a_sensible_size_are_opened(harbour, tmp_path, name, kind):
    path = harbour / name
    path.unlink()
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "device":
        path.symlink_to("/dev/zero")
    elif kind == "folder":
        path.mkdir()
    elif kind == "socket":
        import socket

        with socket.socket(socket.AF_UNIX) as one:
            here = os.getcwd()
            os.chdir(harbour)  # names of sockets are short
            one.bind(name)
            os.chdir(here)
    elif kind == "link to a pipe":
        os.mkfifo(tmp_path / "pipe")
        path.symlink_to(tmp_path / "pipe")
    elif kind == "huge":
        with path.open("wb") as stream:
            stream.truncate(2**40)  # sparse: takes no room
    refused(harbour, tmp_path, name, "cannot be read")


def about(run, change):
    path = run / "run.json"
    content = json.loads(path.read_text())
    change(content)
    path.write_text(json.dumps(content))


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is not JSON"),
        (b"[1, 2]", "must hold keys and values"),
        (b"null", "must hold keys and values"),
        (b'"text"', "must hold keys and values"),
        (b"17", "must hold keys and values"),
        (b"{}", "protocol: is missing"),
        (b'{"format": "1"}', "format: must be a whole number"),
        (b'{"format": true}', "format: must be a whole number"),
        (b'{"format": 1.0}', "format: must be a whole number"),
        (b'{"format": 1, "protocol": {"constructions": {"hva": "shaft"}}}', "tables: is missing"),
        (b'{"protocol": null}', "protocol: must hold keys and values"),
        (b'{"protocol": []}', "protocol: must hold keys and values"),
        (b'{"protocol": {"constructions": null}}', "protocol.constructions: must hold keys and values"),
        (b'{"protocol": {"constructions": {}}}', "protocol.constructions: must have at least 1 entry"),
        (b'{"protocol": {"constructions": {"hva": 3}}}', "protocol.constructions.hva: must be text"),
        (b'{"format": 1, "tables": {}, "protocol": {"constructions": {"hva": "fancy"}}}', "does not know"),
        (b'{"protocol": {"constructions": {"hva": "shaft"}, "file": 7}}', "protocol.file: must be text"),
        (b'{"protocol": {"constructions": {"hva": "shaft"}}, "films": {"a": 1}}', "films: must be text"),
        (b'{"protocol": {"constructions": {"hva": "shaft"}}, "films": "a\\u0000b"}', "films: is no path"),
        (b'{"protocol": {"constructions": {"hva": "shaft"}}, "digests": 1}', "digests: must hold keys and values"),
        (b'{"protocol": {"constructions": {"hva": "shaft"}}, "digests": {"weights": {"a": []}}}', "must be text"),
        (b'{"protocol": {"constructions": {"hva": "shaft"}, "sha256": ' + b"9" * 100_000 + b"}}", "is not JSON"),
        (b'{"protocol": {"constructions": {"hva": 1e999999}}}', "must be text"),
        (b"[" * 200_000, "is not JSON"),
        (b'{"a":' * 100_000 + b"1" + b"}" * 100_000, "is not JSON"),
        (b'{"protocol": "\xff\xfe"}', "is not JSON"),
        (b"\x1f\x8b\x08\x00 packed", "is not JSON"),
        (b"{" + b" " * 17_000_000 + b"}", "larger than 16 MiB"),
    ],
    ids=lambda value: value[:40] if isinstance(value, str) else str(len(value)),
)
def test_a_summary_that_is_none_is_told_by_key(harbour, tmp_path, content, said):
    listed = json.dumps({name: digest(harbour / name) for name in FILES if name != "run.json"}).encode()
    (harbour / "run.json").write_bytes(content.replace(b'"tables": {}', b'"tables": ' + listed))
    refused(harbour, tmp_path, "run.json", said)


@pytest.mark.parametrize("kind", ["pipe", "device", "huge", "deep", "aliases", "folder", "null byte", "changed"])
def test_a_protocol_that_a_run_names_is_read_only_if_it_is_what_it_was(harbour, tmp_path, kind):
    """Else the shipped one stands in, which the page says; the run itself is looked at."""
    path = tmp_path / "protocol.yaml"
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "device":
        path = "/dev/zero"
    elif kind == "huge":
        with path.open("wb") as stream:
            stream.truncate(2**40)
    elif kind == "folder":
        path.mkdir()
    else:
        content = {"deep": "[" * 100_000, "aliases": "a: &a [*a]", "changed": "reported: [hva]"}
        path.write_text(content.get(kind, ""))

    def named(summary):
        import hashlib

        summary["protocol"]["file"] = str(path) if kind != "null byte" else "a\ud800b"
        if kind in ("deep", "aliases"):  # as if it were what the run used
            summary["protocol"]["sha256"] = hashlib.sha256(path.read_bytes()).hexdigest()

    about(harbour, named)
    if kind == "null byte":
        refused(harbour, tmp_path, "run.json")
        return
    run = FinishedRun(harbour)
    assert run.protocol().construction == "shaft"
    assert any("protocol file" in one for one in run.changes()) == (kind not in ("deep", "aliases"))


def sealed(run):
    """Let the summary state the tables as they are now, as a forger would."""
    path = run / "run.json"
    content = json.loads(path.read_text())
    content["tables"] = {name: digest(run / name) for name in content["tables"]}
    path.write_text(json.dumps(content))


def cells(run, table, row, change):
    """Change cells of a table by column."""
    import csv

    with (run / table).open(newline="") as stream:
        rows = list(csv.reader(stream))
    for name, value in change.items():
        rows[row][rows[0].index(name)] = value
    with (run / table).open("w", newline="") as stream:
        csv.writer(stream).writerows(rows)
    sealed(run)


@pytest.mark.parametrize(
    ("table", "change", "said"),
    [
        ("feet.csv", {"hva": "wide"}, "column hva"),
        ("feet.csv", {"hva": "inf"}, "column hva"),
        ("feet.csv", {"hva": "1e999"}, "column hva"),
        ("feet.csv", {"hva": ""}, "column of a measure"),
        ("feet.csv", {"beam_angle": "9"}, "column of the beam's angle"),
        ("feet.csv", {"beam_angle": "9", "beam_angle_low": "20", "beam_angle_high": "30"}, "of the beam's angle"),
        ("feet.csv", {"beam_angle": "9", "beam_angle_low": "2", "beam_angle_high": "1e300"}, "of the beam's angle"),
        ("feet.csv", {"beam_angle": "inf", "beam_angle_low": "2", "beam_angle_high": "inf"}, "column beam_angle"),
        ("feet.csv", {"decision": "perhaps"}, "column decision"),
        ("feet.csv", {"decision": ""}, "column decision"),
        ("feet.csv", {"foot": "LR"}, "column foot"),
        ("feet.csv", {"foot_index": "7"}, "column foot_index"),
        ("feet.csv", {"foot_index": "-1"}, "column foot_index"),
        ("feet.csv", {"film": "elsewhere.dcm"}, "names films that films.csv does not"),
        ("feet.csv", {"reasons": "=cmd|' /C calc'!A0"}, "column reasons"),
        ("feet.csv", {"reasons": "a\x1b[2J"}, "column reasons"),
        ("feet.csv", {"reasons": "x" * 10_000}, "column reasons"),
        ("feet.csv", {"reason_kinds": "made_of_gold"}, "column reason_kinds"),
        ("feet.csv", {"reason_kinds": "metal; metal; metal; metal"}, "column reason_kinds"),
        ("films.csv", {"remark_kinds": "made_of_gold"}, "column remark_kinds"),
        ("films.csv", {"remark_kinds": ""}, "column remark_kinds"),
        ("films.csv", {"film": "=1+1"}, "column film"),
        ("films.csv", {"film": "a\u202eb"}, "column film"),
        ("films.csv", {"film": "spring/mate.dcm"}, "column film"),
        ("films.csv", {"rows": "-5"}, "column rows"),
        ("films.csv", {"rows": "1e300"}, "column rows"),
        ("films.csv", {"columns": "10.5"}, "column columns"),
        ("films.csv", {"row_mm": "0"}, "column row_mm"),
        ("films.csv", {"column_mm": "1e-300"}, "column column_mm"),
        ("films.csv", {"aspect": "-1"}, "column aspect"),
        ("films.csv", {"sha256": "../../etc"}, "column sha256"),
        ("crops.csv", {"distal_medial_x": "inf"}, "column distal_medial_x"),
        ("crops.csv", {"distal_medial_x": "1e12"}, "column of a corner"),
        ("crops.csv", {"foot": "L"}, "does not name the feet"),
        ("crops.csv", {"foot_index": "3"}, "does not name the feet"),
        ("crops.csv", {"film": "autumn/hand.dcm"}, "does not name the feet"),
    ],
)
def test_a_cell_that_is_not_what_it_should_be(harbour, tmp_path, table, change, said):
    cells(harbour, table, 1, change)
    refused(harbour, tmp_path, table, said)


@pytest.mark.parametrize(("table", "column"), [("feet.csv", "reason_kinds"), ("films.csv", "remark_kinds")])
def test_a_run_without_kinds_is_of_another_version(harbour, tmp_path, table, column):
    """No kind is guessed from words."""
    import csv

    with (harbour / table).open(newline="") as stream:
        rows = list(csv.reader(stream))
    gone = rows[0].index(column)
    with (harbour / table).open("w", newline="") as stream:
        csv.writer(stream).writerows(row[:gone] + row[gone + 1 :] for row in rows)
    sealed(harbour)
    refused(harbour, tmp_path, table, f"no column {column}; measure the films again with this version")


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\xff\xfe\x00",
        b"film,foot\n" * 2,
        b"film," * 200_000 + b"\n",
        b'"' + b"x" * 300_000,
        b"film,film,foot,foot_index,decision,reasons\n",
        b"\x00" * 4096,
    ],
    ids=["empty", "no text", "other columns", "many columns", "long cell", "twice", "zeros"],
)
@pytest.mark.parametrize("table", ["feet.csv", "films.csv", "crops.csv"])
def test_a_table_that_is_none(harbour, tmp_path, table, content):
    (harbour / table).write_bytes(content)
    sealed(harbour)
    refused(harbour, tmp_path, table)


@pytest.mark.parametrize("table", ["feet.csv", "films.csv", "crops.csv"])
def test_a_row_too_long_or_in_another_script(harbour, tmp_path, table):
    path = harbour / table
    whole = path.read_bytes()
    path.write_bytes(whole + b"one,more,cell\n")
    sealed(harbour)
    refused(harbour, tmp_path, table, "a row")
    path.write_bytes(whole.replace(b"spring", b"spr\xffng"))
    sealed(harbour)
    refused(harbour, tmp_path, table)


def test_feet_of_a_film_lie_together(harbour, tmp_path):
    head, *rows = (harbour / "feet.csv").read_text().splitlines()
    (harbour / "feet.csv").write_text("\n".join([head, rows[1], rows[0], *rows[2:]]) + "\n")
    sealed(harbour)
    refused(harbour, tmp_path, "feet.csv")


def landmarks(run, change):
    path = run / "landmarks.parquet"
    pq.write_table(change(pq.read_table(path)), path)
    sealed(run)


def column(name, values):
    return lambda table: table.set_column(table.schema.get_field_index(name), name, values(table))


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (column("x", lambda t: t["x"].cast(pa.string())), "column x"),
        (column("film", lambda t: pa.array(range(len(t)))), "column film"),
        (column("film", lambda t: t["film"].cast(pa.binary())), "column film"),
        (column("foot_index", lambda t: t["foot_index"].cast(pa.float64())), "column foot_index"),
        (column("landmark", lambda t: pa.array([["a"]] * len(t))), "column landmark"),
        (column("confidence", lambda t: pa.array(np.full(len(t), 1.5, np.float32))), "a landmark"),
        (column("confidence", lambda t: pa.array(np.full(len(t), np.nan, np.float32))), "a landmark"),
        (column("x", lambda t: pa.array(np.full(len(t), np.inf))), "a landmark"),
        (column("y", lambda t: pa.array(np.full(len(t), 1e300))), "a landmark"),
        (column("var_x", lambda t: pa.array(np.full(len(t), -1.0))), "a landmark"),
        (column("cov_xy", lambda t: pa.array(np.full(len(t), 1e6))), "a landmark"),
        (column("x", lambda t: pa.array([None] * len(t), pa.float64())), "a landmark"),
        (column("film", lambda t: pa.array([None] * len(t), pa.string())), "a landmark"),
        (lambda t: t.drop_columns(["var_y"]), "no column var_y"),
        (lambda t: pa.concat_tables([t] * 3), "more landmarks than"),
    ],
)
def test_landmarks_of_other_types_or_beyond_sense(harbour, tmp_path, change, said):
    landmarks(harbour, change)
    refused(harbour, tmp_path, "landmarks.parquet", said)


def test_a_small_file_with_many_rows(harbour, tmp_path):
    """Runs of one value cost nothing in Parquet: the size of a file says little."""
    path = harbour / "landmarks.parquet"
    schema = pq.read_schema(path)
    none = {pa.string(): "", pa.int32(): 0, pa.float64(): 0.0, pa.float32(): 0.0}
    table = pa.table(
        {field.name: pa.repeat(pa.scalar(none[field.type], field.type), 500_000) for field in schema}, schema
    )
    with pq.ParquetWriter(path, schema) as writer:
        for _ in range(6):
            writer.write_table(table)
    assert path.stat().st_size < 200_000
    sealed(harbour)
    refused(harbour, tmp_path, "landmarks.parquet", "more landmarks than")


def test_a_group_that_would_fill_the_memory(harbour):
    settings = output_settings().run.model_copy(update={"group_rows": 10})
    with pytest.raises(RunError, match="its groups are larger"):
        LandmarkFile(harbour / "landmarks.parquet", 10_000, settings)


@pytest.mark.parametrize("damage", ["cut", "middle", "foot", "noise"])
def test_damaged_landmarks(harbour, tmp_path, damage):
    path = harbour / "landmarks.parquet"
    data = bytearray(path.read_bytes())
    if damage == "cut":
        del data[len(data) // 2 :]
    elif damage == "middle":
        data[200:600] = b"\xa5" * 400
    elif damage == "foot":
        data[-40:-8] = b"\xff" * 32
    else:
        data = bytearray(np.random.default_rng(4).bytes(5000))
    path.write_bytes(bytes(data))
    sealed(harbour)
    refused(harbour, tmp_path, "landmarks.parquet")


def test_films_are_looked_for_along_their_own_folders_alone(harbour, monkeypatch):
    """A run that says its films lie at the root of the disk: the disk is not gone through."""
    about(harbour, lambda summary: summary.update(films="/"))
    for table in ("feet.csv", "films.csv", "crops.csv"):
        text = (harbour / table).read_text().replace("spring/cook.dcm", r"spring\xff/cook.dcm")
        (harbour / table).write_text(text)
    sealed(harbour)
    scanned = []
    scandir = os.scandir
    monkeypatch.setattr(os, "scandir", lambda folder: scanned.append(folder) or scandir(folder))
    with FilmShelf(FinishedRun(harbour), None, 20_000_000) as shelf:
        assert "not where it was measured" in shelf.notice(0)
    assert scanned == []  # a name leads back to its path


@pytest.mark.parametrize("kind", ["pipe", "device", "huge"])
def test_a_film_that_is_none_is_not_waited_for(harbour, films_folder, kind):
    path = films_folder / "spring" / "cook.dcm"
    path.unlink()
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "device":
        path.symlink_to("/dev/zero")
    else:
        with path.open("wb") as stream:
            stream.truncate(2**40)
    with FilmShelf(FinishedRun(harbour), None, 20_000_000) as shelf:
        assert shelf.notice(0)
        with pytest.raises(FilmUnavailableError):
            shelf.picture(0)


def test_a_folder_that_is_none(tmp_path):
    with pytest.raises(RunError, match="finished run"):
        FinishedRun(tmp_path / "nowhere")
    (tmp_path / "file").touch()
    with pytest.raises(RunError, match="finished run"):
        FinishedRun(tmp_path / "file")


def test_a_pipe_in_the_place_of_the_noted_stores_is_not_waited_for(harbour):
    os.mkfifo(harbour / STORES)
    assert stores_noted(harbour) == ()
    note_store(harbour, "sqlite:///elsewhere")
    (harbour / STORES).unlink()
    note_store(harbour, "sqlite:///elsewhere")
    note_store(harbour, "sqlite:///elsewhere")
    assert stores_noted(harbour) == ("sqlite:///elsewhere",)
    assert (harbour / STORES).stat().st_mode & 0o077 == 0
