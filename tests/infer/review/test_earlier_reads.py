"""Reads that an earlier version saved: no number of theirs changes its sign unseen, none is given that it held back."""

import csv
import json
import sqlite3

import pytest
from typer.testing import CliRunner

from raysplay.infer.outputs.finished_run import FinishedRun
from raysplay.infer.outputs.run_files import STORE
from raysplay.infer.review.store import Key, ReadStore, Subject
from raysplay.train.cli import app
from raysplay.train.reference_page.foot import REFERENCE_FOOT

pytestmark = pytest.mark.usefixtures("no_films_ahead")

MODEL = {"hva": 31.995, "ima": 13.995, "ima45": 7.991}


def saved(state, side, values, *, by=None, by_hand=False, points=None):
    """What the earlier version wrote, key by key."""
    return {
        "state": state,
        "side": side,
        "construction": "shaft",
        "points": points or {},
        "values": {name: [v, v - 1.0, v + 1.0, "shaft", by_hand] for name, v in values.items()},
        "corrected_by": by,
        "reason": "",
        "note": "",
    }


def write(run, number, *contents, study="", lane=""):
    """Save contents one after another, as an earlier version did."""
    opened = FinishedRun(run)
    store = ReadStore.beside(run, opened.identity)
    before = contents[0]
    for version, (verdict, after) in enumerate(contents[1:]):
        subject = Subject(opened.films[number - 1].as_py(), "", 0)
        store.save(Key(number, study, lane), version, "AB", verdict, subject, before, after)
        before = after
    store.close()


def table(path):
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def exported(run, out):
    result = CliRunner().invoke(app, ["export", str(run), "--out", str(out), "--overwrite"])
    assert result.exit_code == 0, result.output
    return table(out / "feet_reviewed.csv")


def numbers(foot):
    return {one["name"]: one["value"] for one in foot["measured"]["measures"]}


@pytest.fixture
def turned(harbour):
    """Foot 1, a right one, was said to be the left one: the earlier version turned every sign."""
    flipped = {name: -value for name, value in MODEL.items()}
    write(
        harbour, 1, saved("open", "R", MODEL), ("wrong_side", saved("wrong_side", "L", flipped, by="AB", by_hand=True))
    )
    return harbour


def test_a_turned_sign_is_given_to_nobody(turned, serve, tmp_path):
    page = serve(turned).browser("CD")
    shown = page.get("/api/feet/1").json()
    assert (shown["foot"], shown["state"]) == ("L", "wrong_side")
    (notice,) = [one for one in page.get("/api/session").json()["run"]["notices"] if "earlier version" in one]
    assert notice.startswith("1 foot holds a read")
    assert "turned the sign" in shown["remark"]
    (listed,) = page.get("/api/feet", params={"state": "wrong_side"}).json()["feet"]
    assert listed["foot"] == "L"
    assert {one["value"] for one in listed["values"].values()} == {None}
    row = exported(turned, tmp_path / "out")[0]
    assert (row["foot"], row["hva"], row["hva_source"]) == ("L", "", "")
    assert row["withheld"] == "hva:sign_turned; ima:sign_turned; ima45:sign_turned"
    assert "turned the sign" in row["remark"]


def test_the_history_says_what_was_saved_and_what_is_left_out(turned, serve):
    (entry,) = serve(turned).browser("CD").get("/api/feet/1/history").json()
    assert entry["after"]["values"]["hva"]["value"] == -31.995
    assert "turned the sign" in entry["remark"]


def test_settled_anew_it_has_the_sign_of_its_anatomy(turned, serve, tmp_path):
    page = serve(turned).browser("CD")

    def save(version, verdict):
        answer = page.post("/api/feet/1/reads", json={"version": version, "verdict": verdict})
        assert answer.status_code == 200, answer.text

    save(1, "reopen")
    assert numbers(page.get("/api/feet/1").json()) == pytest.approx(MODEL, abs=0.051)
    save(2, "confirm")
    assert not [one for one in page.get("/api/session").json()["run"]["notices"] if "left out" in one]
    row = exported(turned, tmp_path / "out")[0]
    assert (row["foot"], row["hva"], row["hva_source"], row["remark"]) == ("L", "32.0", "confirmed by CD", "")


def test_nothing_in_the_store_was_written_anew(turned, serve):
    path = turned / STORE

    def kept():
        raw = sqlite3.connect(path)
        with raw:
            found = (
                raw.execute("select after from history").fetchall(),
                raw.execute("select after from current").fetchall(),
            )
        raw.close()
        return found

    before = kept()
    serve(turned).browser("CD").get("/api/feet/1")
    assert kept() == before
    assert "frame" not in json.loads(before[0][0][0])


def test_points_that_were_placed_as_the_new_side_keep_their_numbers(harbour, serve):
    """Every point was placed anew on a mirrored foot, then the side was said: the earlier sign was right."""
    points = {code: [500.0 - 5 * x, 700.0 - 5 * y, True, True] for code, (x, y) in REFERENCE_FOOT.items()}
    write(
        harbour, 1, saved("open", "R", MODEL), ("wrong_side", saved("wrong_side", "L", MODEL, by="AB", points=points))
    )
    shown = serve(harbour).browser("CD").get("/api/feet/1").json()
    assert shown["remark"] == ""
    assert numbers(shown) == pytest.approx(MODEL, abs=0.051)


def test_a_number_that_the_run_withheld_is_withheld_again(doubts, serve, tmp_path):
    """The earlier version confirmed it with the foot."""
    write(doubts, 2, saved("open", "R", MODEL), ("confirm", saved("confirmed", "R", MODEL)))
    page = serve(doubts).browser("CD")
    shown = page.get("/api/feet/2").json()
    assert numbers(shown) == {"hva": 32.0, "ima": 14.0, "ima45": None}
    assert "IMA 4-5" in shown["remark"]
    row = exported(doubts, tmp_path / "out")[1]
    assert (row["hva_source"], row["ima45"], row["withheld"]) == ("confirmed by AB", "", "ima45:wide_interval")
    assert "IMA 4-5" in row["remark"]


def test_a_plain_read_counts_as_before(harbour, serve, tmp_path):
    write(harbour, 1, saved("open", "R", MODEL), ("confirm", saved("confirmed", "R", MODEL)))
    shown = serve(harbour).browser("CD").get("/api/feet/1").json()
    assert (shown["state"], shown["remark"]) == ("confirmed", "")
    assert numbers(shown) == {"hva": 32.0, "ima": 14.0, "ima45": 8.0}
    assert exported(harbour, tmp_path / "out")[0]["hva"] == "32.0"


def test_blind_reads_of_an_earlier_version(harbour, tmp_path):
    """Their points, all placed by hand, tell whether the name turned the sign."""
    points = {code: [400.0 + 5 * x, 700.0 - 5 * y, True, True] for code, (x, y) in REFERENCE_FOOT.items()}
    right = saved("corrected", "R", MODEL, points=points)
    flipped = saved("corrected", "L", {name: -value for name, value in MODEL.items()}, points=points)
    write(harbour, 1, saved("open", "R", {}), ("correct", right), study="tide-0", lane="AB")
    write(harbour, 2, saved("open", "R", {}), ("correct", flipped), study="tide-0", lane="AB")
    exported(harbour, tmp_path / "out")
    rows = [row for row in table(tmp_path / "out" / "reads.csv") if row["measure"] == "hva"]
    assert {row["value"] for row in rows} == {"32.0", ""}
    (left_out,) = [row for row in rows if not row["value"]]
    assert left_out["foot"] == "L"
    assert "turned the sign" in left_out["remark"]
