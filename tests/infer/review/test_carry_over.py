"""Films measured again: which reads stand, which feet are open again, and that none is lost.

The rules are the project's own order of work: same film and same points, the read stands; same film and other points,
it is in the history and the foot is open; film gone, it is in history.csv.
"""

import csv
import shutil
import sqlite3
import subprocess
import sys

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest
from typer.testing import CliRunner

from raysplay.infer.outputs.run_files import STORE
from raysplay.infer.review.carry_over import CarriedOver, carry_over, note_grounds
from raysplay.infer.review.reads_found import ReadsFound, reads_in
from raysplay.infer.review.store import StoreError
from raysplay.train.cli import app

pytestmark = pytest.mark.usefixtures("no_films_ahead")

COOK, MATE = "spring/cook.dcm", "spring/mate.dcm"


def table(path):
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def export(folder, out):
    result = CliRunner().invoke(app, ["export", str(folder), "--out", str(out)], env={"COLUMNS": "300"})
    assert result.exit_code == 0, result.output
    return out


def save(page, number, version, verdict, **rest):
    answer = page.post(f"/api/feet/{number}/reads", json={"version": version, "verdict": verdict, **rest})
    assert answer.status_code == 200, answer.text


def correct(page, number, version, code="M1d_med", dx=9.0):
    (point,) = [one for one in page.get(f"/api/feet/{number}").json()["points"] if one["code"] == code]
    moved = {"code": code, "x": point["x"] + dx, "y": point["y"], "moved": True}
    save(page, number, version, "correct", points=[moved])


@pytest.fixture
def read(serve, harbour):
    """Feet 1 (cook) corrected by AB and confirmed by CD, 2 and 3 (mate) confirmed, 4 (pilot) not measurable, 5 (a hand)
    a wrong view, 6 (refused) wrong view."""
    server = serve(harbour)
    first, second = server.browser("AB"), server.browser("CD")
    correct(first, 1, 0)
    save(second, 1, 1, "confirm")
    save(first, 2, 0, "confirm")
    save(second, 3, 0, "confirm")
    save(first, 4, 0, "cannot_be_measured", reason="overlap")
    save(first, 5, 0, "wrong_view")
    save(first, 6, 0, "wrong_view")
    before = {number: first.get(f"/api/feet/{number}").json() for number in range(1, 7)}
    server.stop()
    return before


def test_reads_of_the_same_films_and_points_stand(serve, harbour, read, measure_again):
    measure_again(harbour)
    assert carry_over(harbour) == CarriedOver(stand=6)
    page = serve(harbour).browser("EF")
    for number, before in read.items():
        now = page.get(f"/api/feet/{number}").json()
        for name in ("state", "version", "points", "measured", "note", "reason"):
            assert now[name] == before[name], (number, name)
        assert len({entry["run"] for entry in now["history"]}) == 1
        assert all(entry["run"] for entry in now["history"])
        plain = [{**entry, "run": None} for entry in now["history"]]
        assert plain == before["history"]
        assert now["earlier"] == []
    assert page.get("/api/progress").json()["by_reader"] == {"CD": 2, "AB": 4}


def test_a_foot_whose_points_are_others_is_open_again(serve, harbour, read, tmp_path, measure_again):
    measure_again(harbour, shift={COOK: 3.0})
    assert carry_over(harbour) == CarriedOver(stand=5, open_again=1)
    page = serve(harbour).browser("EF")
    now = page.get("/api/feet/1").json()
    assert (now["state"], now["version"], now["history"]) == ("open", 0, [])
    assert [(one["verdict"], one["reader"], one["outcome"]) for one in now["earlier"]] == [
        ("correct", "AB", "points differ"),
        ("confirm", "CD", "points differ"),
    ]
    assert now["earlier"][1]["after"]["values"]["hva"]["value"] == pytest.approx(
        read[1]["measured"]["measures"][0]["value"]
    )
    save(page, 1, 0, "confirm")
    out = export(harbour, tmp_path / "out")
    first = table(out / "feet_reviewed.csv")[0]
    assert (first["state"], first["hva_source"]) == ("confirmed", "confirmed by EF")
    assert float(first["hva"]) == pytest.approx(float(table(harbour / "feet.csv")[0]["hva"]), abs=0.051)
    rows = table(out / "history.csv")
    assert len(rows) == 7 + 1
    assert [row["outcome"] for row in rows if row["film"] == COOK] == ["points differ", "points differ", ""]
    assert len({row["run"] for row in rows}) == 2
    assert [row["when"] for row in rows] == sorted(row["when"] for row in rows)


def test_points_that_moved_less_than_a_hand_can_see_are_the_same(harbour, read, measure_again):
    """Sums of floats differ between machines and numbers of threads; the page's smallest step is 0.05 pixels."""
    measure_again(harbour, shift={COOK: 0.02})
    assert carry_over(harbour) == CarriedOver(stand=6)


def test_reads_of_a_film_that_is_gone_are_in_the_table_alone(serve, harbour, read, tmp_path, measure_again):
    measure_again(harbour, gone=[MATE])
    assert carry_over(harbour) == CarriedOver(stand=4, gone=2)
    rows = table(export(harbour, tmp_path / "out") / "history.csv")
    assert [row["outcome"] for row in rows if row["film"] == MATE] == ["film gone", "film gone"]
    page = serve(harbour).browser("EF")
    for number in (2, 3):
        now = page.get(f"/api/feet/{number}").json()
        assert (now["state"], now["earlier"]) == ("open", [])


def test_other_measures_reopen_a_foot_with_its_points(serve, harbour, read, tmp_path, measure_again):
    """Nobody saw these numbers; the points stay, so that one key settles the foot again."""
    measure_again(harbour, constructions={"ima": "head_base"})
    assert carry_over(harbour) == CarriedOver(stand=3, reopened=3)
    page = serve(harbour).browser("EF")
    now = page.get("/api/feet/1").json()
    assert (now["state"], now["version"]) == ("open", 3)
    assert [point for point in now["points"] if point["moved"]] == [
        point for point in read[1]["points"] if point["moved"]
    ]
    last = now["history"][-1]
    assert (last["verdict"], last["reader"], last["run"]) == ("reopen", "measure", None)
    shown = {one["name"]: one for one in now["measured"]["measures"]}
    assert shown["ima"]["construction"] == "head_base"
    assert last["after"]["values"]["ima"]["value"] == shown["ima"]["value"]
    assert page.get("/api/feet/4").json()["state"] == "not_measurable"
    save(page, 1, 3, "confirm")
    first = table(export(harbour, tmp_path / "out") / "feet_reviewed.csv")[0]
    assert (first["ima_construction"], first["ima_source"]) == ("head_base", "confirmed by EF")
    assert first["hva_source"] == "corrected by AB, confirmed by EF"


def test_done_again_it_changes_nothing_and_a_new_read_is_kept(serve, harbour, read, measure_again):
    measure_again(harbour)
    carry_over(harbour)
    server = serve(harbour)
    save(server.browser("EF"), 2, 1, "reopen")
    server.stop()
    stored = list(sqlite3.connect(harbour / STORE).execute("SELECT * FROM history ORDER BY id"))
    assert carry_over(harbour).stand == 6
    assert list(sqlite3.connect(harbour / STORE).execute("SELECT * FROM history ORDER BY id")) == stored


def test_a_read_made_in_the_new_run_is_not_replaced(serve, harbour, read, measure_again):
    """A foot that a reader settled before the earlier reads were brought keeps that verdict."""
    earlier = harbour.parent / "earlier"
    shutil.copytree(harbour, earlier)
    for file in harbour.glob(f"{STORE}*"):
        file.unlink()
    measure_again(harbour)
    server = serve(harbour)
    save(server.browser("EF"), 1, 0, "wrong_view")
    server.stop()
    carry_over(harbour, earlier)
    page = serve(harbour).browser("EF")
    now = page.get("/api/feet/1").json()
    assert (now["state"], [entry["reader"] for entry in now["history"]]) == ("wrong_view", ["EF"])
    assert [(one["reader"], one["outcome"]) for one in now["earlier"]] == [("AB", "read later"), ("CD", "read later")]
    assert page.get("/api/feet/2").json()["state"] == "confirmed"


def test_over_several_runs_the_last_read_decides(serve, harbour, read, measure_again):
    """Run A read, run B has other points and is read anew, run C has A's points again: B's read is the later one."""
    kept = (harbour / "landmarks.parquet").read_bytes()
    measure_again(harbour, shift={COOK: 3.0})
    carry_over(harbour)
    server = serve(harbour)
    page = server.browser("EF")
    save(page, 1, 0, "wrong_view")
    save(page, 2, 1, "reopen")
    server.stop()
    (harbour / "landmarks.parquet").write_bytes(kept)
    measure_again(harbour)
    assert carry_over(harbour) == CarriedOver(stand=5, open_again=1)
    page = serve(harbour).browser("EF")
    now = page.get("/api/feet/1").json()
    assert (now["state"], now["history"]) == ("open", [])
    assert [one["reader"] for one in now["earlier"]] == ["AB", "CD", "EF"]
    now = page.get("/api/feet/2").json()
    assert [entry["verdict"] for entry in now["history"]] == ["confirm", "reopen"]
    assert len({entry["run"] for entry in now["history"]}) == 2
    assert now["earlier"] == []


def test_reads_made_on_in_the_earlier_run_follow(serve, harbour, read, tmp_path, measure_again):
    """Somebody went on reading in the old folder after its reads had been carried over."""
    earlier = tmp_path / "earlier"
    shutil.copytree(harbour, earlier)
    measure_again(harbour)
    (harbour / STORE).unlink()
    assert carry_over(harbour, earlier).stand == 6
    server = serve(earlier)
    save(server.browser("CD"), 2, 1, "reopen")
    server.stop()
    assert carry_over(harbour, earlier).stand == 6
    now = serve(harbour).browser("EF").get("/api/feet/2").json()
    assert [entry["verdict"] for entry in now["history"]] == ["confirm", "reopen"]


def test_two_stores_that_disagree_are_not_put_together(serve, harbour, read, tmp_path, measure_again):
    other = tmp_path / "other"
    shutil.copytree(harbour, other)
    for folder, reader in ((harbour, "EF"), (other, "GH")):
        server = serve(folder)
        save(server.browser(reader), 2, 1, "reopen")
        server.stop()
    kept = (other / STORE).read_bytes()
    measure_again(harbour)
    with pytest.raises(StoreError, match="different reads"):
        carry_over(harbour, other)
    assert (other / STORE).read_bytes() == kept


def test_feet_in_another_order_are_known_by_their_points(serve, make_run, measure_again):
    """Two feet on one film, found the other way round."""
    folder = make_run({MATE: [("R", "review", [("side_doubtful", "side doubtful")]), ("L", "accepted", [])]})
    server = serve(folder)
    correct(server.browser("AB"), 1, 0)
    server.stop()
    for name in ("feet.csv", "crops.csv"):
        head, first, second = (folder / name).read_text().splitlines()
        first, second = (line.replace(f",{old},", f",{new},", 1) for line, old, new in ((first, 0, 1), (second, 1, 0)))
        (folder / name).write_text("\n".join([head, second, first]) + "\n")
    path = folder / "landmarks.parquet"
    table = pq.read_table(path)
    turned = pc.subtract(pa.scalar(1, pa.int32()), table["foot_index"])
    pq.write_table(table.set_column(table.schema.get_field_index("foot_index"), "foot_index", turned), path)
    measure_again(folder)
    assert carry_over(folder) == CarriedOver(stand=1)
    page = serve(folder).browser("AB")
    assert [page.get(f"/api/feet/{number}").json()["state"] for number in (1, 2)] == ["open", "corrected"]


def test_blind_reads_stay_with_their_study(serve, harbour, tmp_path, measure_again):
    """They are of the film, not of the model's points: they come out as long as the film is the same."""
    plan = tmp_path / "study.yaml"
    plan.write_text("{name: Harbour, seed: 3, readers: [AB]}")
    server = serve(harbour, study=plan)
    page = server.browser("AB")
    for number in (1, 2):
        save(page, number, 0, "cannot_be_measured", reason="overlap")
    films = {row["film"] for row in table(export(harbour, tmp_path / "before") / "reads.csv")}
    server.stop()
    measure_again(harbour, shift={COOK: 3.0}, gone=[films.pop()])
    carry_over(harbour)
    out = export(harbour, tmp_path / "out")
    assert {row["film"] for row in table(out / "reads.csv")} == films
    assert [row["outcome"] for row in table(out / "history.csv")] == ["blind read", "blind read"]


def test_review_and_export_take_earlier_reads_over_by_themselves(harbour, read, tmp_path, measure_again):
    measure_again(harbour)
    rows = table(export(harbour, tmp_path / "out") / "feet_reviewed.csv")
    assert [row["state"] for row in rows] == [read[number]["state"] for number in range(1, 7)]
    assert {row["outcome"] for row in table(tmp_path / "out" / "history.csv")} == {"stands"}


def test_reads_of_an_older_store_get_their_grounds_before_the_run_is_replaced(harbour, read, measure_again):
    """A store from before grounds were kept: they are taken from the run's tables while these are there."""

    def forget():
        with sqlite3.connect(harbour / STORE) as raw:
            for name in ("grounds", "origins", "lineage", "places"):
                raw.execute(f"DROP TABLE {name}")

    forget()
    note_grounds(harbour)
    measure_again(harbour)
    assert carry_over(harbour) == CarriedOver(stand=6)
    forget()
    measure_again(harbour)
    # Not known what they were made on, so nobody answers for them: what is certain is kept.
    assert carry_over(harbour).open_again == 6


def test_reads_of_a_folder_are_counted_without_server_or_network(harbour, read, measure_again):
    """The layers' rule for what ``measure`` may call first: neither torch nor fastapi is loaded."""
    assert reads_in(harbour) == ReadsFound(reads=7, feet=6)
    measure_again(harbour)
    carry_over(harbour)
    assert reads_in(harbour) == ReadsFound(reads=7, feet=6), "a read that was carried over is still one read"
    code = (
        "import sys; from pathlib import Path; from raysplay.infer.review.reads_found import reads_in; "
        f"assert reads_in(Path({str(harbour)!r})).reads == 7; "
        "from raysplay.infer.review.carry_over import carry_over; "
        f"assert carry_over(Path({str(harbour)!r})).stand == 6; "
        "sys.exit(bool({'fastapi', 'torch', 'uvicorn'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, ""),
        (b"", ""),
        (b"no database at all" * 100, "cannot be read"),
        ("folder", "no file"),
        ("fifo", "no file"),
        ("other", "no store of reads"),
    ],
)
def test_a_store_that_cannot_be_counted_says_so(tmp_path, content, said):
    path = tmp_path / STORE
    if content == "folder":
        path.mkdir()
    elif content == "fifo":
        import os

        os.mkfifo(path)
    elif content == "other":
        sqlite3.connect(path).execute("CREATE TABLE shells (name)")
    elif content is not None:
        path.write_bytes(content)
    found = reads_in(tmp_path)
    assert found.reads == 0
    assert bool(found) == bool(said)
    assert said in found.problem
    if said:
        assert str(path) in found.problem
