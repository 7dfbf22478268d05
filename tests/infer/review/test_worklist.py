"""Order, filters and counts of the worklist, against plain Python over the rows; and the work it makes."""

import csv
import hashlib
import json
import random
import sys

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from raysplay.configs.load import shipped
from raysplay.infer.outputs.finished_run import FinishedRun, RunError
from raysplay.infer.outputs.landmarks_table import COLUMNS
from raysplay.infer.outputs.run_format import FORMAT
from raysplay.infer.outputs.tables import CROPS_HEADER, FEET_NOTES, FILMS_HEADER, feet_header
from raysplay.infer.reason import ReasonKind
from raysplay.infer.review.worklist import Change, Filter, Worklist
from raysplay.measure import by_name

REASONS = (
    ("doubtful_landmark", "doubtful landmark: centre of the tuft (0.41)"),
    ("wide_interval", "HVA interval is 7.2 degrees wide, limit 6"),
    ("cut_off", "foot is cut off: the toes leave the film"),
    ("side_doubtful", "side doubtful: L at 0.71"),
)
MEASURES = ("hva", "ima", "hia", "ima45")


def write_run(folder, feet, seed=5):
    """Tables of a run with random numbers, as `raysplay measure` names their columns."""
    drawn = random.Random(seed)
    folder.mkdir(parents=True, exist_ok=True)
    measures = [by_name(name) for name in MEASURES]
    rows = []
    with (
        (folder / "feet.csv").open("w", newline="") as feet_file,
        (folder / "films.csv").open("w", newline="") as films_file,
        (folder / "crops.csv").open("w", newline="") as crops_file,
    ):
        tables = [csv.writer(f, quoting=csv.QUOTE_NONNUMERIC) for f in (feet_file, films_file, crops_file)]
        for table, header in zip(tables, (feet_header(measures), FILMS_HEADER, CROPS_HEADER), strict=True):
            table.writerow(header)
        for number in range(feet):
            film = f"ward {number % 40:02d}/{number:06d}.dcm"
            decision = drawn.choices(("accepted", "review", "refused"), (6, 3, 1))[0]
            reasons = drawn.sample(REASONS, drawn.randint(1, 3)) if decision == "review" else []
            reasons = [("no_foot", "no foot: score 0.10")] if decision == "refused" else reasons
            side = drawn.choice("LR")
            numbers = []
            for mean in (20, 11, 9, 9):
                middle, half = round(drawn.gauss(mean, 6), 1), round(drawn.uniform(0.5, 4), 1)
                numbers += [middle, round(middle - half, 1), round(middle + half, 1)]
            if decision == "refused":
                numbers = [None] * 12
            tables[0].writerow(
                [
                    film,
                    side,
                    0,
                    decision,
                    "; ".join(text for _, text in reasons),
                    "; ".join(kind for kind, _ in reasons),
                    *numbers,
                    *[""] * len(FEET_NOTES),
                ]
            )
            tables[1].writerow(
                [film, 1, "", "", f"{number:064d}", 3000, 2400, 0.1, 0.1, 1.0, "detector plane", *[""] * 5]
            )
            tables[2].writerow([film, side, 0, *range(8)])
            rows.append({"film": film, "decision": decision, "side": side, "reasons": reasons, "numbers": numbers})
    pq.write_table(pa.table({name: [] for name in COLUMNS.names}, schema=COLUMNS), folder / "landmarks.parquet")
    protocol = shipped("protocol.yaml")
    about = {"file": str(protocol), "sha256": hashlib.sha256(protocol.read_bytes()).hexdigest()}
    about |= {"constructions": dict.fromkeys(MEASURES, "shaft")}
    (folder / "run.json").write_text(
        json.dumps({"format": FORMAT, "tables": {}, "films": str(folder), "digests": {}, "protocol": about})
    )
    return rows


@pytest.fixture
def listed(tmp_path):
    rows = write_run(tmp_path / "run", 400)
    return Worklist(FinishedRun(tmp_path / "run"), "pique_vidal"), rows


def width(row):
    numbers = row["numbers"]
    return round(max(numbers[i + 2] - numbers[i + 1] for i in (0, 3, 6, 9)), 3) if numbers[0] is not None else -np.inf


def crosses(row):
    """Borders of J Foot Ankle Res 2009;2:15: HVA 15, 21, 40; IMA 9, 12, 18. Below 0 the toe is in varus, and IMA has
    no grade."""
    borders = {0: (0, 15, 21, 40), 3: (0, 9, 12, 18)}
    numbers = row["numbers"]
    return numbers[0] is not None and any(
        numbers[i + 1] < border < numbers[i + 2] for i, some in borders.items() for border in some
    )


def test_doubtful_feet_come_first(listed):
    """Review, accepted, refused; then more reasons, a grade border inside an interval, the wider interval."""
    worklist, rows = listed
    rank = {"review": 0, "accepted": 1, "refused": 2}
    expected = sorted(
        range(len(rows)),
        key=lambda i: (
            rank[rows[i]["decision"]],
            -len(rows[i]["reasons"]),
            not crosses(rows[i]),
            -width(rows[i]),
        ),
    )
    assert worklist.select(Filter()).tolist() == expected
    assert worklist.select(Filter(descending=True)).tolist() == expected[::-1]


@pytest.mark.parametrize(
    "wanted",
    [
        Filter(decision="review"),
        Filter(side="L", decision="accepted"),
        Filter(reason="side_doubtful"),
        Filter(reason="wide_interval", side="R"),
        Filter(text="WARD 07"),
        Filter(text="ward 1", decision="review", reason="doubtful_landmark"),
        Filter(reason="nothing like it"),
        Filter(state="confirmed"),
    ],
)
def test_filters_choose_what_they_say(listed, wanted):
    worklist, rows = listed
    expected = {
        i
        for i, row in enumerate(rows)
        if (not wanted.decision or row["decision"] == wanted.decision)
        and (not wanted.side or row["side"] == wanted.side)
        and (not wanted.reason or wanted.reason in dict(row["reasons"]))
        and wanted.text.lower() in row["film"].lower()
        and not wanted.state
    }
    chosen = worklist.select(wanted).tolist()
    assert set(chosen) == expected
    assert len(chosen) == len(expected)
    counts = worklist.counts(wanted)
    if wanted.decision:
        assert counts["decision"][wanted.decision] == len(expected)
    if wanted.reason in counts["reason"]:
        assert counts["reason"][wanted.reason] == len(expected)


@pytest.mark.parametrize("sort", ["width", "border", "hva", "ima45", "film"])
def test_other_orders(listed, sort):
    worklist, rows = listed
    order = worklist.select(Filter(sort=sort)).tolist()
    known = [i for i in order if rows[i]["numbers"][0] is not None]
    if sort == "film":
        assert order == list(range(len(rows)))
        return
    assert order[: len(known)] == known, "what is not known comes last"
    if sort == "width":
        assert [width(rows[i]) for i in known] == sorted((width(rows[i]) for i in known), reverse=True)
    elif sort == "border":
        assert np.all(np.diff(worklist.border[known]) >= 0)
    else:
        values = [rows[i]["numbers"][3 * MEASURES.index(sort)] for i in known]
        assert values == sorted(values)
        down = worklist.select(Filter(sort=sort, descending=True)).tolist()
        assert [rows[i]["numbers"][3 * MEASURES.index(sort)] for i in down[: len(known)]] == sorted(
            values, reverse=True
        )


def test_next_and_previous_walk_the_same_list(listed):
    worklist, _ = listed
    wanted = Filter(decision="review", side="R")
    order = worklist.select(wanted).tolist()
    assert worklist.following(order[0], wanted, len(order)) == order[1:]
    assert worklist.neighbour(order[3], wanted, -1) == order[2]
    assert worklist.neighbour(order[-1], wanted, 1) is None


def test_a_settled_foot_leaves_the_filter_but_keeps_its_place(listed):
    """Next goes on from a foot that was just confirmed and so passes the filter no more."""
    worklist, _ = listed
    wanted = Filter(state="open", decision="review")
    order = worklist.select(wanted).tolist()
    worklist.apply([Change(order[5], 1, "confirmed", {"hva": [70.0, 69.0, 71.0]})])
    assert worklist.select(wanted).tolist() == order[:5] + order[6:]
    assert worklist.neighbour(order[5], wanted, 1) == order[6]
    assert worklist.neighbour(order[5], wanted, -1) == order[4]
    assert worklist.row(order[5])["values"]["hva"]["value"] == 70.0
    assert worklist.row(order[5])["values"]["ima"]["value"] is None
    files = {"open": 0, "done": 0, "total": 0}
    assert worklist.progress() == ({"open": 399, "done": 1, "total": 400}, files)


def test_files_without_a_foot_are_listed_and_counted_apart(page):
    """The harbour run: five feet, and a hand on which none was found (row 5)."""
    feet = page.get("/api/feet", params={"found": "foot"}).json()
    files = page.get("/api/feet", params={"found": "none"}).json()
    assert [row["foot"] for row in feet["feet"]].count("") == 0
    assert (feet["total"], [row["film"] for row in files["feet"]]) == (5, ["autumn/hand.dcm"])
    assert feet["counts"]["found"] == files["counts"]["found"] == {"foot": 5, "none": 1}
    assert page.get("/api/feet", params={"found": "foot", "side": "R"}).json()["counts"]["found"] == {
        "foot": 3,
        "none": 0,
    }
    walked, at = [], feet["feet"][0]["id"]
    while at is not None:
        walked.append(at)
        at = page.get(f"/api/feet/{at}/next", params={"found": "foot"}).json()["id"]
    assert walked == [row["id"] for row in feet["feet"]]
    page.post("/api/feet/5/reads", json={"version": 0, "verdict": "confirm"})
    progress = page.get("/api/progress").json()
    assert (progress["done"], progress["total"]) == (1, 6)
    assert progress["files"] == {"open": 0, "done": 1, "total": 1}
    assert page.get("/api/feet", params={"found": "nobody"}).status_code == 422


def test_every_kind_has_its_bit():
    """Kinds of a foot's reasons are kept as bits of one signed number of 64."""
    assert len(ReasonKind) <= 63


def test_reasons_are_counted_and_chosen_by_kind_and_never_by_words(make_run):
    """One kind in three wordings is one choice; another kind in the same words is another."""
    said = [
        ("wide_interval", "HVA interval is 9.0 degrees wide, limit 6"),
        ("wide_interval", "IMA interval is 7.0 degrees wide, limit 6"),
        ("metal", "HVA interval is 9.0 degrees wide, limit 6"),
    ]
    run = make_run({f"{i}.dcm": [("R", "review", [one])] for i, one in enumerate(said)}, "kinds", "kinds_films")
    worklist = Worklist(FinishedRun(run), "pique_vidal")
    assert worklist.counts(Filter())["reason"] == {"wide_interval": 2, "metal": 1}
    assert worklist.select(Filter(reason="wide_interval")).tolist() == [0, 1]
    assert worklist.select(Filter(reason="metal")).tolist() == [2]
    assert worklist.row(2)["reasons"] == [{"kind": "metal", "text": said[2][1]}]


def calls(act):
    """Calls of functions that ``act`` makes: work that does not depend on what else a machine does."""
    count = 0

    def counted(frame, event, about):
        nonlocal count
        count += event in ("call", "c_call")

    sys.setprofile(counted)
    try:
        act()
    finally:
        sys.setprofile(None)
    return count


@pytest.fixture
def grown(tmp_path):
    """Two runs, one of four times as many feet; what happens once in a process has happened."""
    few, many = (tmp_path / str(count) for count in (1000, 4000))
    for folder in (few, many):
        write_run(folder, int(folder.name))
        Worklist(FinishedRun(folder), "pique_vidal")
    return few, many


def test_a_run_is_opened_without_a_step_for_every_foot(grown):
    """Tables of 100,000 feet are read as columns; a step of Python for every cell would take a minute."""
    few, many = (calls(lambda folder=folder: FinishedRun(folder)) for folder in grown)
    assert many < 1.2 * few


def test_a_worklist_takes_few_steps_for_a_foot(grown):
    few, many = (
        calls(lambda run=run: Worklist(run, "pique_vidal")) for run in [FinishedRun(folder) for folder in grown]
    )
    assert (many - few) / 3000 < 15


@pytest.mark.parametrize(
    "wanted",
    [Filter(), Filter(decision="review"), Filter(sort="hva"), Filter(text="099"), Filter(reason="side_doubtful")],
)
def test_a_page_costs_the_same_however_many_feet_there_are(grown, open_desk, wanted):
    spent = []
    for folder in grown:
        desk = open_desk(folder)
        assert desk.feet("AB", wanted, 0, 3)["total"] >= 3
        desk.neighbour(77, "AB", wanted, True)
        spent.append(
            (
                calls(lambda d=desk: d.feet("AB", wanted, 0, 3)),
                calls(lambda d=desk: d.neighbour(77, "AB", wanted, True)),
            )
        )
    (few, step), (many, further) = spent
    assert many < 1.2 * few
    assert further < 1.2 * step


def test_a_folder_without_a_run_is_named(tmp_path):
    with pytest.raises(RunError, match="finished run"):
        FinishedRun(tmp_path)


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("run.json", "{", "not the summary of a run"),
        ("run.json", '{"format": 1, "tables": {}, "protocol": {"constructions": {"nose": "shaft"}}}', "does not know"),
        ("feet.csv", "film,foot\n", "no column"),
        ("films.csv", "film,feet,remarks,seconds\n", "measure the films again"),
        ("feet.csv", None, "cannot be read"),
        ("landmarks.parquet", "PAR1", "cannot be read"),
        ("crops.csv", None, "cannot be read"),
    ],
)
def test_a_broken_table_is_named(tmp_path, name, content, said):
    write_run(tmp_path / "run", 5)
    path = tmp_path / "run" / name
    if content is None:
        path.unlink()
    else:
        path.write_text(content)
    with pytest.raises(RunError, match=said) as refused:
        FinishedRun(tmp_path / "run")
    assert name in str(refused.value)


def test_a_changed_configuration_or_protocol_is_said(tmp_path):
    write_run(tmp_path / "run", 2)
    about = json.loads((tmp_path / "run" / "run.json").read_text())
    same = {name: hashlib.sha256(shipped(name).read_bytes()).hexdigest() for name in ("films.yaml", "landmarks.yaml")}
    about["tables"] = {}
    about["digests"] = {"configs": {**same, "decision.yaml": "0" * 64, "reading.yaml": "1" * 64}}
    about["digests"]["weights"] = {"landmarks.safetensors": "0" * 64, "elsewhere.safetensors": "0" * 64}
    about["protocol"]["sha256"] = "0" * 64
    (tmp_path / "run" / "run.json").write_text(json.dumps(about))
    said = FinishedRun(tmp_path / "run").changes()
    assert [next(word for word in one.split() if "." in word or word == "protocol") for one in said] == [
        "landmarks.safetensors",
        "decision.yaml",
        "reading.yaml",
        "protocol",
    ]
