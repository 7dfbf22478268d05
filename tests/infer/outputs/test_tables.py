"""What stands in the tables, read back with the standard library and pyarrow."""

import csv
import hashlib
import json
from dataclasses import replace

import numpy as np
import pyarrow.parquet as pq
import pytest

from raysplay.configs.load import shipped
from raysplay.configs.protocol import read_protocol, reported_measures
from raysplay.infer.films.remark import Remark, RemarkKind
from raysplay.infer.outputs.csv_table import CsvTable
from raysplay.infer.outputs.landmarks_table import LandmarksTable
from raysplay.infer.outputs.run_folder import RunFolder, RunFolderError
from raysplay.infer.outputs.run_writer import RunWriter
from raysplay.infer.outputs.tables import (
    FEET_ABOUT,
    FEET_NOTES,
    MEASUREMENTS_HEADER,
    feet_header,
    feet_rows,
    films_row,
    measurements_rows,
    number_columns,
    read_reasons,
    read_remarks,
    read_withheld_cell,
)
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import Decision, FilmRecord, Measurement, Outcome, Withheld
from raysplay.infer.settings import reading_settings
from raysplay.measure import MEASURES, by_name

PROTOCOL = shipped("protocol.yaml")


def rows_of(path):
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.fixture
def write(tmp_path, schema):
    def wrote(*records, film=None, out="out", here=True, **options):
        writer = RunWriter(RunFolder(tmp_path / out, **options), schema, reported_measures(), overlays=film is not None)
        writer.report.here = here
        for record in records:
            writer.write(record, film)
        return writer.finish(
            command=["raysplay", "measure"], wall_seconds=60.0, weights={"w": "0" * 64}, protocol=PROTOCOL
        )

    return wrote


def test_feet_csv_has_the_promised_columns(write, film_record):
    """Column names and order as the project's order of work fixes them."""
    (row,) = rows_of(write(film_record()) / "feet.csv")
    assert list(row)[:12] == [
        "film",
        "foot",
        "foot_index",
        "decision",
        "reasons",
        "reason_kinds",
        "hva",
        "hva_low",
        "hva_high",
        "ima",
        "ima_low",
        "ima_high",
    ]
    assert (row["film"], row["foot"], row["decision"], row["reasons"]) == ("ward/a.dcm", "R", "accepted", "")
    assert [float(row[k]) for k in ("hva", "hva_low", "hva_high")] == [32.0, 31.0, 33.0]


def test_columns_follow_the_protocol():
    """feet.csv: three columns for every reported measure, in the protocol's order."""
    measures = read_protocol("protocol_full.yaml").reported_measures()
    header = feet_header(measures)
    assert header[:7] == ("film", "foot", "foot_index", "decision", "reasons", "reason_kinds", "hva")
    assert len(header) == len(set(header)) == len(FEET_ABOUT) + 3 * len(MEASURES) + len(FEET_NOTES)
    assert number_columns(measures[1:2]) == ("ima", "ima_low", "ima_high")


def test_measurements_csv_is_tidy(write, film_record):
    rows = rows_of(write(film_record()) / "measurements.csv")
    assert tuple(rows[0]) == MEASUREMENTS_HEADER
    assert [row["measure"] for row in rows] == ["hva", "ima", "ima45"]
    about = ["ward/a.dcm", "R", "0", "ima", "14.0", "deg", "13.0", "15.0", "shaft", "accepted", "", "unproven", "", ""]
    assert list(rows[1].values()) == about


def test_a_refused_foot_has_no_numbers_anywhere(write, film_record, foot_record):
    refused = replace(
        foot_record(),
        decision=Decision(Outcome.REFUSED, (Reason(ReasonKind.NOT_DORSOPLANTAR, "not a dorsoplantar view"),)),
    )
    run = write(film_record(feet=[refused]))
    (row,) = rows_of(run / "feet.csv")
    assert list(row.values())[6:] == [""] * (3 * 3 + len(FEET_NOTES))
    assert rows_of(run / "measurements.csv") == []
    assert pq.read_table(run / "landmarks.parquet").num_rows == 0


def test_a_withheld_measure_is_an_empty_cell(film_record, foot_record):
    foot = foot_record(values={"ima": np.nan})
    numbers = tuple(
        replace(m, withheld=Withheld.DOUBTFUL_POINTS) if m.measure == "ima" else m for m in foot.measurements
    )
    record = film_record(feet=[replace(foot, measurements=numbers)])
    (row,) = feet_rows(record, reported_measures())
    (ima,) = [r for r in measurements_rows(record) if r[3] == "ima"]
    assert np.isnan(ima[4])
    assert ima[MEASUREMENTS_HEADER.index("withheld")] == "doubtful_points"
    assert row[6] == 32.0
    assert row[-len(FEET_NOTES)] == "ima:doubtful_points"
    assert read_withheld_cell(row[-len(FEET_NOTES)]) == {"ima": Withheld.DOUBTFUL_POINTS}


def test_numbers_are_given_as_they_are_meant(film_record, foot_record):
    """Read again, a film differs by 0.1 to 0.2 degrees (infer/weights/FIGURES.md): a third decimal says nothing."""
    record = film_record(feet=[foot_record(values={"ima": 14.0449})])
    (row,) = feet_rows(record, reported_measures())
    assert row[9:12] == [14.0, 13.0, 15.0]


def test_what_is_not_proven_or_read_badly_says_so_beside_the_number(film_record, foot_record):
    """Any other construction, and the round sign (low confidence, see REFERENCE.md), are unproven."""
    foot = foot_record()
    roundness = by_name("head_roundness")
    assert roundness.low_confidence
    known = replace(foot.measurements[0], proven=True)
    badly = Measurement(roundness.name, 1.1, 1.0, 1.2, roundness.unit, roundness.construction)
    record = film_record(feet=[replace(foot, measurements=(known, badly))])
    (row,) = feet_rows(record, reported_measures(), ["overlays/a.png"])
    assert row[-len(FEET_NOTES) :] == ["", "head_roundness", "head_roundness", None, None, None, "overlays/a.png"]
    proof = [MEASUREMENTS_HEADER.index(name) for name in ("proof", "confidence", "overlay")]
    told = [[cells[i] for i in proof] for cells in measurements_rows(record, ["overlays/a.png"])]
    assert told == [["proven", "", "overlays/a.png"], ["unproven", "low", "overlays/a.png"]]


def test_a_film_without_a_foot_has_one_row_with_its_reason(write, film_record):
    (row,) = rows_of(write(film_record(feet=(), reason="unreadable: empty file")) / "feet.csv")
    assert (row["foot"], row["decision"], row["reasons"], row["hva"]) == (
        "",
        "refused",
        "unreadable: empty file",
        "",
    )


def test_reasons_are_joined_with_a_semicolon(film_record, foot_record):
    (row,) = feet_rows(film_record(feet=[foot_record(width=9.0)]), reported_measures())
    assert row[4].split("; ")[:2] == [
        "HVA interval is 9.0 degrees wide, limit 6",
        "IMA interval is 9.0 degrees wide, limit 6",
    ]
    assert row[5] == "wide_interval; wide_interval; withheld"


def test_reasons_and_remarks_are_read_back_with_their_kinds(film_record):
    """A film's name in a sentence may hold what joins sentences."""
    said = (Reason(ReasonKind.DUPLICATE, "duplicate: same file as a; b.dcm"), Reason(ReasonKind.METAL, "metal"))
    (row,) = feet_rows(FilmRecord("c.dcm", (), Decision(Outcome.REFUSED, said)), reported_measures())
    assert [(one.kind, one.text) for one in read_reasons(*row[4:6])] == [
        (ReasonKind.DUPLICATE, "duplicate: same file as a, b.dcm"),
        (ReasonKind.METAL, "metal"),
    ]
    remarks = (Remark(RemarkKind.INVERTED, "one"), Remark(RemarkKind.SIDE, "two"))
    row = films_row(film_record(remarks=remarks), None)
    assert read_remarks(*row[2:4]) == remarks
    assert read_reasons("", "") == ()
    for texts, kinds in (("one; two", "metal"), ("one", ""), ("one", "made_of_gold"), ("", "metal")):
        with pytest.raises(ValueError, match=r"zip|valid"):
            read_reasons(texts, kinds)


def test_text_is_quoted_so_that_no_other_separator_starts_a_cell(tmp_path):
    """RFC 4180, section 2: quotes inside a field are doubled. Splitting at ; keeps the cell."""
    with CsvTable(tmp_path / "t.csv", ("film", "hva")) as table:
        table.append(['a;=1+1 "b".dcm', -3.25])
        table.append(["b", float("nan")])
    assert (tmp_path / "t.csv").read_bytes() == b'film,hva\r\n"a;=1+1 ""b"".dcm",-3.25\r\n"b",""\r\n'


@pytest.mark.parametrize("text", ["=1+1", " +1", "-1", "@A1", "＝1+1", "\t=1", "\r=1", "x\r\n=1", "=cmd|' /C calc'!A0"])
def test_no_text_cell_starts_a_formula_and_numbers_stay_numbers(tmp_path, text):
    """OWASP, "CSV Injection": a quotation mark before = + - @, no tab and no line break in front; full-width forms."""
    with CsvTable(tmp_path / "t.csv", ("reasons", "hva", "foot_index")) as table:
        table.append([text, -3.25, -1])
    line = (tmp_path / "t.csv").read_bytes().split(b"\r\n")[1].decode("utf-8")
    cell, *numbers = next(csv.reader([line]))
    assert cell.lstrip()[0] not in "=+-@＝＋－＠"
    assert "\n" not in cell
    assert numbers == ["-3.25", "-1"]
    assert line.endswith(",-3.25,-1")


def test_a_name_inside_a_reason_starts_no_new_reason(film_record):
    """Reasons are joined by "; ": a file may be called so, too."""
    (row,) = feet_rows(film_record(feet=(), reason="duplicate: same file as a; =1+1.dcm"), reported_measures())
    assert row[4].split("; ") == ["duplicate: same file as a, =1+1.dcm"]


def test_landmarks_come_back_in_film_pixels(write, film_record, foot_record, schema):
    slanted = np.broadcast_to(np.array([[4.0, 1.5], [1.5, 9.0]]), (len(schema), 2, 2))
    left = foot_record(side="L", landmarks={"covariance": slanted})
    path = write(film_record(feet=[foot_record(), left])) / "landmarks.parquet"
    table = pq.read_table(path).to_pydict()
    assert list(table) == [
        "film",
        "foot",
        "foot_index",
        "landmark",
        "x",
        "y",
        "var_x",
        "cov_xy",
        "var_y",
        "confidence",
    ]
    assert table["landmark"] == [*schema.codes, *schema.codes]
    assert table["foot_index"] == [0] * len(schema) + [1] * len(schema)
    assert {(a, b, c) for a, b, c in zip(table["var_x"], table["cov_xy"], table["var_y"], strict=True)} == {
        (1.0, 0.0, 1.0),
        (4.0, 1.5, 9.0),
    }
    np.testing.assert_allclose(
        np.stack([table["x"], table["y"]], axis=1)[len(schema) :], left.landmarks.points, rtol=0, atol=0
    )


def test_landmarks_leave_memory_in_row_groups(tmp_path, schema, film_record):
    table = LandmarksTable(tmp_path / "l.parquet", schema, rows_per_group=2 * len(schema))
    for _ in range(5):
        table.append(film_record())
    table.close()
    written = pq.ParquetFile(tmp_path / "l.parquet")
    assert [written.metadata.row_group(i).num_rows // len(schema) for i in range(written.num_row_groups)] == [
        2,
        2,
        1,
    ]


def test_a_run_without_a_foot_still_leaves_a_readable_landmark_table(write, film_record):
    assert pq.read_table(write(film_record(feet=())) / "landmarks.parquet").num_rows == 0


def test_films_csv_keeps_remarks_and_what_the_film_was(write, film, film_record):
    record = film_record(
        remarks=(
            Remark(RemarkKind.LOADING_UNKNOWN, "loading unknown"),
            Remark(RemarkKind.WINDOW_GUESSED, "no window stated"),
        ),
        seconds={"decode": 0.5, "find": 0.25},
    )
    kept = replace(film, sha256="ab" * 32, person="00ff" * 4, taken="2026-03-01", sex="F", age="60 to 69")
    (row,) = rows_of(write(record, film=kept) / "films.csv")
    assert row == {
        "film": "ward/a.dcm",
        "feet": "1",
        "remarks": "loading unknown; no window stated",
        "remark_kinds": "loading_unknown; window_guessed",
        "sha256": "ab" * 32,
        "rows": "1000",
        "columns": "900",
        "row_mm": "0.2",
        "column_mm": "0.2",
        "aspect": "1.0",
        "spacing": "detector plane",
        "person": "00ff" * 4,
        "taken": "2026-03-01",
        "sex": "F",
        "age": "60 to 69",
        "loading": "unknown",
    }
    (row,) = rows_of(write(film_record(feet=()), out="unread") / "films.csv")
    assert list(row.values())[4:] == [""] * 12


def test_crops_csv_has_the_corners_of_every_foot(write, film_record, foot_record):
    """The fixture's crop lies on the film one pixel to one, its origin at (400, 700); a left foot's is mirrored."""
    refused = replace(
        foot_record(side="L"),
        decision=Decision(Outcome.REFUSED, (Reason(ReasonKind.NOT_DORSOPLANTAR, "not a dorsoplantar view"),)),
    )
    right, left = rows_of(write(film_record(feet=[foot_record(), refused])) / "crops.csv")
    rows, columns = reading_settings().crop_size
    assert list(right.values())[:3] == ["ward/a.dcm", "R", "0"]
    assert [float(v) for v in list(right.values())[3:]] == [
        *(400, 700),
        *(400 + columns - 1, 700),
        *(400 + columns - 1, 700 + rows - 1),
        *(400, 700 + rows - 1),
    ]
    assert float(left["distal_lateral_x"]) == 400 - (columns - 1)
    assert left["foot_index"] == "1"


def test_run_json_says_what_the_arithmetic_came_to(write, film_record, monkeypatch):
    """60 s at 50 GFLOP/s are 3,000 GFLOP, of which the networks of two films did 750."""
    monkeypatch.setattr("raysplay.infer.outputs.run_report.operations_a_second", lambda: 50e9)
    run = write(film_record(operations=500e9), film_record("b.dcm", operations=250e9))
    about = json.loads((run / "run.json").read_text(encoding="utf-8"))
    assert about["arithmetic"] == {
        "networks_gigaflop": 750.0,
        "machine_gigaflop_per_second": 50.0,
        "share_of_machine": 0.25,
    }


@pytest.mark.parametrize(("here", "rate"), [(False, None), (True, 10.0)])
def test_no_share_is_given_that_is_of_other_machines_or_impossible(write, film_record, monkeypatch, here, rate):
    """60 s at 10 GFLOP/s are 600 GFLOP, and the networks did 750: the machine was busy when it was tried."""
    monkeypatch.setattr("raysplay.infer.outputs.run_report.operations_a_second", lambda: 10e9)
    run = write(film_record(operations=500e9), film_record("b.dcm", operations=250e9), here=here)
    about = json.loads((run / "run.json").read_text(encoding="utf-8"))
    assert about["arithmetic"] == {
        "networks_gigaflop": 750.0,
        "machine_gigaflop_per_second": rate,
        "share_of_machine": 0.0,
    }


def test_the_machine_is_not_measured_where_no_network_computed(write, film_record, monkeypatch):
    def measured():
        raise AssertionError("nothing is held against it")

    monkeypatch.setattr("raysplay.infer.outputs.run_report.operations_a_second", measured)
    about = json.loads((write(film_record()) / "run.json").read_text(encoding="utf-8"))
    assert about["arithmetic"] == {
        "networks_gigaflop": 0.0,
        "machine_gigaflop_per_second": None,
        "share_of_machine": 0.0,
    }


def test_run_json_says_what_ran(write, film_record, foot_record):
    feet = [foot_record(), foot_record(width=9.0)]
    run = write(film_record(feet=feet, seconds={"find": 1.0}), film_record("b.dcm", feet=()))
    content = json.loads((run / "run.json").read_text(encoding="utf-8"))
    assert content["counts"] == {
        "films": 2,
        "films_without_foot": 1,
        "feet": 2,
        "rows_by_decision": {"accepted": 1, "review": 1, "refused": 1},
        "rows_by_reason": {"withheld": 1, "wide_interval": 1, "no_foot_found": 1},
        "withheld": {},
    }
    assert content["films_per_minute"] == 2.0
    assert content["seconds_by_stage"]["find"] == 1.0
    assert {"onnxruntime", "numpy", "raysplay", "python"} <= content["versions"].keys()
    assert len(content["digests"]["configs"]["decision.yaml"]) == 64
    assert content["digests"]["weights"] == {"w": "0" * 64}
    assert content["protocol"] == {
        "file": str(PROTOCOL),
        "sha256": hashlib.sha256(PROTOCOL.read_bytes()).hexdigest(),
        "constructions": {"hva": "shaft", "ima": "shaft", "ima45": "shaft"},
        "proven": [],
    }


def test_nothing_is_made_before_a_run_begins(tmp_path, schema):
    """A run that ends for a wrong configuration between the two must leave no folder behind."""
    folder = RunFolder(tmp_path / "deep" / "out")
    assert not (tmp_path / "deep").exists()
    folder.begin()
    assert (tmp_path / "deep" / "out").is_dir()


@pytest.mark.parametrize("film_shown", [False, True])
def test_a_folder_for_overlays_only_where_there_are_some(write, film, film_record, film_shown):
    run = write(film_record(), film=film)
    assert (run / "overlays").is_dir()
    write(film_record(), film=film if film_shown else None, overwrite=True)
    assert (run / "overlays").exists() is film_shown
    assert not list(run.glob("*.partial"))


def test_what_others_put_beside_the_overlays_stays(write, film, film_record):
    run = write(film_record(), film=film)
    (run / "overlays" / "notes.txt").write_text("mine")
    write(film_record(), overwrite=True)
    assert [path.name for path in (run / "overlays").iterdir()] == ["notes.txt"]


def test_nothing_has_its_final_name_before_the_run_is_complete(tmp_path, schema, film_record):
    writer = RunWriter(RunFolder(tmp_path / "out"), schema, reported_measures(), overlays=False)
    writer.write(film_record(), None)
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert names
    assert all(name.endswith(".partial") or name.startswith(".") for name in names)
    assert len(rows_of(tmp_path / "out" / "feet.csv.partial")) == 1
    writer.close()


def test_an_earlier_run_stays_whole_until_the_new_one_is_complete(write, tmp_path, schema, film, film_record):
    run = write(film_record("old.dcm"), film=film)
    (old,) = (run / "overlays").iterdir()
    with pytest.raises(RunFolderError, match="holds an earlier run"):
        RunFolder(run)
    writer = RunWriter(RunFolder(run, overwrite=True), schema, reported_measures())
    writer.write(film_record("new.dcm"), film)
    assert rows_of(run / "feet.csv")[0]["film"] == "old.dcm"
    assert old.exists()
    writer.finish(command=[], wall_seconds=1.0, weights={}, protocol=PROTOCOL)
    assert rows_of(run / "feet.csv")[0]["film"] == "new.dcm"
    assert [path.name[:7] for path in (run / "overlays").iterdir()] == ["new.dcm"]
    assert not list(run.glob("*.partial"))


def test_a_folder_that_cannot_be_made_is_named(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(RunFolderError, match="file"):
        RunFolder(tmp_path / "file" / "out")
