"""What comes back out of a review, read with the standard library."""

import csv
import os
import sqlite3
import stat

import pytest
from typer.testing import CliRunner

from raysplay.configs.load import landmark_schema
from raysplay.infer.compare.truth import read_truth
from raysplay.infer.outputs.run_files import STORE
from raysplay.train.cli import app
from raysplay.train.real_crops.own_films import read_landmarks

pytestmark = pytest.mark.usefixtures("no_films_ahead")


def table(path):
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def export(run, out, *more):
    return CliRunner().invoke(app, ["export", str(run), "--out", str(out), *more], env={"COLUMNS": "300"})


@pytest.fixture
def reviewed(serve, harbour, tmp_path):
    """Feet 1 and 2 corrected by AB and confirmed by CD, 3 corrected and reopened, 4 not measurable."""
    server = serve(harbour)
    first, second = server.browser("AB"), server.browser("CD")

    def save(page, number, version, verdict, **rest):
        answer = page.post(f"/api/feet/{number}/reads", json={"version": version, "verdict": verdict, **rest})
        assert answer.status_code == 200, answer.text

    def moved(number, code, dx):
        (point,) = [one for one in first.get(f"/api/feet/{number}").json()["points"] if one["code"] == code]
        return [{"code": code, "x": point["x"] + dx, "y": point["y"], "moved": True}]

    save(
        first, 1, 0, "correct", points=[*moved(1, "M1d_med", 10.0), *moved(1, "M3_tip", 2.0)], note="=cmd|' /C calc'!A0"
    )
    save(second, 1, 1, "confirm")
    save(first, 2, 0, "correct", points=[{"code": "M5_lat", "x": None, "y": None, "visible": False}])
    save(second, 2, 1, "confirm")
    save(first, 3, 0, "correct", points=moved(3, "PPd_lat", 4.0))
    save(second, 3, 1, "reopen")
    save(second, 4, 0, "cannot_be_measured", reason="overlap", note="two\nlines")
    shown = {number: first.get(f"/api/feet/{number}").json() for number in range(1, 7)}
    result = export(harbour, tmp_path / "out")
    assert result.exit_code == 0, result.output
    return tmp_path / "out", shown


def test_every_number_says_who_stands_for_it(reviewed):
    out, shown = reviewed
    rows = table(out / "feet_reviewed.csv")
    assert [row["state"] for row in rows] == ["confirmed", "confirmed", "open", "not_measurable", "open", "open"]
    first = rows[0]
    assert first["hva_source"] == "corrected by AB, confirmed by CD"
    assert first["ima45_source"] == "confirmed by CD"
    assert first["hva_when"] == shown[1]["history"][-1]["when"]
    numbers = {one["name"]: one for one in shown[1]["measured"]["measures"]}
    for name, one in numbers.items():
        assert [float(first[f"{name}{end}"]) for end in ("", "_low", "_high")] == [
            one["value"],
            one["low"],
            one["high"],
        ]
        assert first[f"{name}_construction"] == one["construction"]
    assert rows[1]["hva_source"] == "confirmed by CD"
    assert rows[2]["hva_source"] == "corrected by AB, reopened by CD"
    assert rows[2]["ima_source"] == "model"
    assert [rows[3][name] for name in ("hva", "hva_source", "reason", "note")] == ["", "", "overlap", "two lines"]
    assert [rows[4][name] for name in ("film", "foot", "hva", "hva_source")] == ["autumn/hand.dcm", "", "", ""]


SOURCES = ("hva_source", "ima_source", "ima45_source")


def test_in_a_corrected_foot_each_number_says_whose_it_is(serve, harbour, tmp_path):
    """AB moves the phalanx of the toe, on which HVA alone stands, then CD the fifth metatarsal, on which IMA 4-5 alone
    stands. Before, IMA read "confirmed by", though nobody confirmed it, and HVA became CD's."""
    server = serve(harbour)
    pages = {reader: server.browser(reader) for reader in ("AB", "CD")}

    def save(reader, version, verdict, **rest):
        answer = pages[reader].post("/api/feet/1/reads", json={"version": version, "verdict": verdict, **rest})
        assert answer.status_code == 200, answer.text
        export(harbour, tmp_path / "out", "--overwrite")
        row = table(tmp_path / "out" / "feet_reviewed.csv")[0]
        return [row[name] for name in SOURCES]

    def moved(code):
        (point,) = [one for one in pages["AB"].get("/api/feet/1").json()["points"] if one["code"] == code]
        return [{"code": code, "x": point["x"] + 3.0, "y": point["y"], "moved": True}]

    assert save("AB", 0, "correct", points=moved("PPd_med")) == [
        "corrected by AB",
        "model, in a foot corrected by AB",
        "model, in a foot corrected by AB",
    ]
    assert save("CD", 1, "correct", points=moved("M5d_lat")) == [
        "corrected by AB, in a foot corrected by CD",
        "model, in a foot corrected by CD",
        "corrected by CD",
    ]
    assert save("AB", 2, "cannot_be_measured", reason="overlap") == ["", "", ""]
    # Who reopens a foot has moved nothing.
    assert save("CD", 3, "reopen") == ["corrected by AB, reopened by CD", "model", "corrected by CD, reopened by CD"]
    assert save("AB", 4, "confirm") == [
        "corrected by AB, confirmed by AB",
        "confirmed by AB",
        "corrected by CD, confirmed by AB",
    ]


def test_a_read_that_kept_no_names_by_number_says_who_changed_the_foot(serve, harbour, tmp_path, open_desk):
    """As an earlier version saved it: the last who changed anything."""
    from raysplay.infer.review.reviewed import source

    server = serve(harbour)
    page = server.browser("AB")
    (point,) = [one for one in page.get("/api/feet/1").json()["points"] if one["code"] == "PPd_med"]
    sent = [{"code": "PPd_med", "x": point["x"] + 3.0, "y": point["y"], "moved": True}]
    page.post("/api/feet/1/reads", json={"version": 0, "verdict": "correct", "points": sent})
    standing = open_desk(harbour).standing(1, "")
    assert standing.content["hands"] == {"hva": "AB"}
    plain = {name: one for name, one in standing.content.items() if name != "hands"}
    desk = open_desk(harbour)
    earlier = desk.contents.standing(0, 1, "", "AB", plain)
    assert source(earlier, "hva", by_hand=True) == "corrected by AB"


def test_landmarks_come_in_the_form_of_training(reviewed, tmp_path):
    """Read by what reads `truth_landmarks.csv` and by fine-tuning; feet without a settled read give none."""
    out, shown = reviewed
    rows = table(out / "corrected_landmarks.csv")
    assert list(rows[0]) == ["film", "foot", "foot_index", "landmark", "x", "y"]
    assert {(row["film"], row["foot"], row["foot_index"]) for row in rows} == {
        ("spring/cook.dcm", "R", "0"),
        ("spring/mate.dcm", "R", "0"),
    }
    hidden = {row["landmark"] for row in rows if row["film"] == "spring/mate.dcm"} ^ set(landmark_schema().codes)
    assert hidden == {"M5_lat"}, "the one that its reader could not see"
    (tmp_path / "truth.csv").write_text("film,foot\nspring/cook.dcm,R\nspring/mate.dcm,R\n")
    (out / "corrected_landmarks.csv").rename(tmp_path / "truth_landmarks.csv")
    first, second = read_truth(tmp_path / "truth.csv")
    points = {point["code"]: (point["x"], point["y"]) for point in shown[1]["points"]}
    assert first.landmarks["M1d_med"] == pytest.approx(points["M1d_med"], abs=1e-3)
    assert first.landmarks["M3_tip"] == pytest.approx(points["M3_tip"], abs=1e-3)
    assert set(second.landmarks) <= set(landmark_schema().codes)
    given = read_landmarks(tmp_path / "truth_landmarks.csv")
    assert [(foot.film, foot.side, len(foot.landmarks)) for foot in given] == [
        ("spring/cook.dcm", "R", len(landmark_schema())),
        ("spring/mate.dcm", "R", len(landmark_schema()) - 1),
    ]


def test_no_cell_starts_a_formula(reviewed):
    """OWASP, CSV injection."""
    out, _ = reviewed
    notes = [row["note"] for row in table(out / "history.csv")]
    assert "'=cmd|' /C calc'!A0" in notes
    for path in out.glob("*.csv"):
        for row in table(path):
            assert not any(cell.startswith(("=", "+", "@")) for cell in row.values())


def test_the_history_is_whole(reviewed):
    out, shown = reviewed
    rows = table(out / "history.csv")
    assert [row["verdict"] for row in rows] == [
        "correct",
        "confirm",
        "correct",
        "confirm",
        "correct",
        "reopen",
        "cannot_be_measured",
    ]
    assert [row["when"] for row in rows] == sorted(row["when"] for row in rows)
    assert rows[0]["when"] == shown[1]["history"][0]["when"]


def test_an_earlier_export_stays_unless_told(reviewed, harbour):
    out, _ = reviewed
    kept = (out / "feet_reviewed.csv").read_bytes()
    refused = export(harbour, out)
    assert refused.exit_code == 2
    assert "--overwrite" in refused.output
    assert (out / "feet_reviewed.csv").read_bytes() == kept
    assert export(harbour, out, "--overwrite").exit_code == 0
    assert (out / "feet_reviewed.csv").read_bytes() == kept
    assert not list(out.glob("*.partial"))


def test_a_run_that_nobody_reviewed_is_exported_as_the_model_left_it(harbour, tmp_path):
    assert export(harbour, tmp_path / "out").exit_code == 0
    rows, run = table(tmp_path / "out" / "feet_reviewed.csv"), table(harbour / "feet.csv")
    names = ("film", "foot", "decision", "reasons", "hva", "hva_low", "ima45_high")
    assert [[row[name] for name in names] for row in rows] == [[row[name] for name in names] for row in run]
    assert {row["hva_source"] for row in rows} == {"model", ""}
    assert table(tmp_path / "out" / "corrected_landmarks.csv") == []


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["export", "missing", "--out", "o"], "run.json"),
        (["review", "missing"], "run.json"),
        (["review", "RUN", "--films", "missing"], "no such folder"),
        (["review", "RUN", "--reader", "A B"], "initials"),
        (["review", "RUN", "--store", "nonsense"], "store"),
        (["review", "RUN", "--study", "missing.yaml"], "missing.yaml"),
        (["review", "RUN", "--port", "99999"], "--port"),
        (["export", "RUN"], "--out"),
    ],
)
def test_bad_usage_ends_with_status_2_and_says_why(harbour, tmp_path, monkeypatch, arguments, said):
    monkeypatch.chdir(tmp_path)
    arguments = [str(harbour) if one == "RUN" else one for one in arguments]
    result = CliRunner().invoke(app, arguments, env={"COLUMNS": "300"})
    assert result.exit_code == 2
    assert said in result.output


def test_a_damaged_store_ends_both_commands_and_stays(harbour, tmp_path):
    (harbour / STORE).write_bytes(b"no database at all" * 300)
    kept = (harbour / STORE).read_bytes()
    for arguments in (
        ["review", str(harbour), "--no-browser"],
        ["export", str(harbour), "--out", str(tmp_path / "out")],
    ):
        result = CliRunner().invoke(app, arguments, env={"COLUMNS": "300"})
        assert result.exit_code == 2
        assert "damaged" in result.output
    assert (harbour / STORE).read_bytes() == kept
    assert not (tmp_path / "out").exists()


def test_reads_in_another_store_are_exported_from_there(serve, harbour, tmp_path):
    url = f"sqlite:///{tmp_path}/shared.db"
    page = serve(harbour, store=url).browser("AB")
    assert page.post("/api/feet/1/reads", json={"version": 0, "verdict": "confirm"}).status_code == 200
    assert not (harbour / STORE).exists()
    assert export(harbour, tmp_path / "out", "--store", url).exit_code == 0
    assert table(tmp_path / "out" / "feet_reviewed.csv")[0]["state"] == "confirmed"


def test_what_comes_out_is_its_owners_alone(serve, harbour, tmp_path):
    """OWASP, file permissions: names of films and readers are nobody else's, whatever the umask."""
    before = os.umask(0)
    try:
        out = tmp_path / "above" / "out"
        assert export(harbour, out).exit_code == 0
        assert export(harbour, out, "--overwrite").exit_code == 0
    finally:
        os.umask(before)
    modes = {path.relative_to(tmp_path).as_posix(): stat.S_IMODE(path.stat().st_mode) for path in (out, *out.iterdir())}
    assert {mode for name, mode in modes.items() if name.endswith(".csv")} == {0o600}
    assert len(modes) == 5
    assert stat.S_IMODE(out.stat().st_mode) == stat.S_IMODE(out.parent.stat().st_mode) == 0o700


def test_a_folder_that_is_there_keeps_its_mode(harbour, tmp_path):
    out = tmp_path / "shared"
    out.mkdir()
    out.chmod(0o755)
    assert export(harbour, out).exit_code == 0
    assert stat.S_IMODE(out.stat().st_mode) == 0o755


def test_a_store_that_fails_on_the_way_is_one_sentence(serve, harbour, tmp_path):
    server = serve(harbour)
    page = server.browser("AB")
    assert page.post("/api/feet/1/reads", json={"version": 0, "verdict": "confirm"}).status_code == 200
    server.stop()
    with sqlite3.connect(harbour / STORE) as raw:
        raw.execute("DROP TRIGGER history_refuses_update")
        raw.execute("UPDATE history SET after = '[1'")
        raw.execute("UPDATE current SET after = '[1'")
    result = export(harbour, tmp_path / "out")
    assert result.exit_code == 2
    assert "cannot be made out" in result.output
    assert not (tmp_path / "out").exists()
