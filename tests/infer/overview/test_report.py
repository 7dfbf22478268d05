"""Every number on the page is one of the tables, counted here anew; nothing on it that it must not hold."""

import re
import statistics
from dataclasses import replace
from html import unescape

import numpy as np
import pytest

from raysplay.infer.archive.ledger import Ledger
from raysplay.infer.films.film_identity import Stamp
from raysplay.infer.overview import overview
from raysplay.infer.overview.drawings import flow_picture, measure_picture
from raysplay.infer.overview.published import published
from raysplay.infer.overview.report import CAUTION, report_blocks
from raysplay.infer.overview.spread import FEWEST, PERCENTILES
from raysplay.infer.reason import ReasonKind
from raysplay.infer.report.document import Bullets, DataTable, Heading, Paragraph, Picture
from raysplay.measure import by_name

from .conftest import HARBOUR, File, Foot, archive, change_about, rows_of, write_run

_LAID_OUT = []


def blocks_of(made, kind):
    """Blocks of one kind; a report is laid out once, since drawing takes time."""
    blocks = next((laid_out for known, laid_out in _LAID_OUT if known is made), None)
    if blocks is None:
        blocks = report_blocks(made)
        _LAID_OUT.append((made, blocks))
    return [block for block in blocks if isinstance(block, kind)]


def numbers(text):
    return [float(one.replace(",", "")) for one in re.findall(r"(?<![\w.])-?\d[\d,]*(?:\.\d+)?", text)]


def sentence(made, pattern):
    (found,) = [block.text for block in blocks_of(made, Paragraph) if re.search(pattern, block.text)]
    return found


def many(tmp_path):
    """230 films with all that a table can hold, so that numbers have a comma and groups their percentiles."""
    files = archive(230, feet=2)
    for number, one in enumerate(files):
        one.sex, one.age = "FM"[number % 2], ("20 to 29", "50 to 59", "")[number % 3]
        if number % 10 == 0:
            one.feet[0].outcome, one.feet[0].values = "refused", {}
            one.feet[0].reasons = ((ReasonKind.NOT_DORSOPLANTAR, "not a dorsoplantar view: looks lateral (0.99)"),)
        if number % 7 == 0:
            one.feet[1].values.pop("ima45")
    files += [File(f"torn/{number:03d}.dcm", kind=ReasonKind.TRUNCATED) for number in range(60)]
    files += [File(f"notes/{number:02d}.txt", kind=ReasonKind.OTHER_FILE) for number in range(9)]
    return write_run(tmp_path / "many", files)


@pytest.fixture(scope="module", params=["harbour", "many"])
def run(request, tmp_path_factory):
    """A run that no test changes."""
    home = tmp_path_factory.mktemp("runs")
    return write_run(home / "harbour", HARBOUR) if request.param == "harbour" else many(home)


@pytest.fixture(scope="module")
def made(run):
    return overview(run)


def test_the_sentences_of_counts_are_those_of_the_tables(run, made):
    feet, films = rows_of(run, "feet.csv"), rows_of(run, "films.csv")
    found = [row for row in feet if row["foot"]]
    decided = [sum(row["decision"] == name for row in found) for name in ("accepted", "review", "refused")]
    without = sum(bool(row["sha256"]) for row in films)  # a film has a digest, other files have none
    with_feet = sum(row["feet"] != "0" for row in films)
    told = numbers(sentence(made, "files? listed"))
    assert told == [len(films), without, with_feet, len(found), *decided]
    if decided[1]:
        assert numbers(sentence(made, "for a person, unless")) == [decided[1]]


def test_the_drawing_of_the_flow_says_the_same_as_its_table(made):
    flow = made.flow
    caption = flow_picture(flow).caption
    assert caption in [block.caption for block in blocks_of(made, Picture)]
    assert f"files listed: {flow.files:,}" in caption
    (table,) = [block for block in blocks_of(made, DataTable) if block.caption == "Every file once"]
    assert int(table.rows[0][1].replace(",", "")) == sum(int(row[1].replace(",", "")) for row in table.rows[1:])
    left = re.search(r"files listed: [\d,]+ \(left out: (.*?)\)\. films", caption)[1].split("; ")
    drawn = dict(one.split(": ", 1)[::-1] for one in left)
    for name, count, _ in table.rows[1:]:
        if not name.startswith("films with") and count != "0":
            assert drawn.pop(name).split()[0] == count
    assert not drawn
    measured = flow.feet["accepted"] + flow.feet["review"]
    assert f"measured feet: {measured:,}" in caption
    assert f"accepted: {flow.feet['accepted']:,}" in caption


def test_percentiles_are_those_of_the_standard_library(run, made):
    """``statistics.quantiles`` with 100 groups, inclusive: linear interpolation between order statistics."""
    films = {row["film"]: row for row in rows_of(run, "films.csv")}
    rows = [row for row in rows_of(run, "feet.csv") if row["foot"] and row["decision"] != "refused"]
    for one in made.spreads:
        mine = [
            float(row[one.measure])
            for row in rows
            if row[one.measure]
            and {
                "all": True,
                "decision": row["decision"] == one.group,
                "side": {"L": "left", "R": "right"}[row["foot"]] == one.group,
                "sex": {"F": "female", "M": "male", "": "not stated"}[films[row["film"]]["sex"]] == one.group,
                "age in years": (films[row["film"]]["age"] or "not stated") == one.group,
            }[one.by]
        ]
        assert one.feet == len(mine)
        for percent, told in zip(PERCENTILES, one.percentiles, strict=True):
            if len(mine) < FEWEST[percent]:
                assert np.isnan(told)
            elif len(mine) == 1:
                assert told == mine[0]
            else:
                assert told == pytest.approx(statistics.quantiles(mine, n=100, method="inclusive")[int(percent) - 1])
    listed = [block for block in blocks_of(made, DataTable) if "by construction" in block.caption]
    first = next(one for one in made.spreads if one.measure == "hva")
    assert int(listed[0].rows[0][1].replace(",", "")) == first.feet
    assert float(listed[0].rows[0][4]) == pytest.approx(first.percentiles[2], abs=0.051)


@pytest.mark.parametrize(("feet", "beyond"), [(1, 0), (8, 0), (999, 0), (3002, 2 * 3)])
def test_of_a_thousand_feet_none_is_left_out_of_the_drawing(feet, beyond):
    """Below and above the 0.1th and the 99.9th percentile lie 3 each of 3,002 different numbers."""
    values = np.arange(float(feet))
    caption = measure_picture(by_name("hva"), values, np.zeros(0), (), None).caption
    assert ("beyond what is drawn" in caption) == bool(beyond)
    assert not beyond or f"{beyond} feet lie beyond" in caption


def test_groups_of_sex_and_age_add_up_to_all_feet(made):
    for measure in ("hva", "ima45"):
        mine = [one for one in made.spreads if one.measure == measure]
        whole = next(one.feet for one in mine if one.by == "all")
        for by in ("decision", "side", "sex", "age in years"):
            assert sum(one.feet for one in mine if one.by == by) == whole


def test_withheld_numbers_are_counted(run, made):
    rows = [row for row in rows_of(run, "feet.csv") if "ima45:wide_interval" in row["withheld"]]
    assert numbers(sentence(made, r"^Withheld\.")) == [len(rows)]


def test_files_that_could_not_be_read_are_named_with_their_reason(run, made):
    torn = [row for row in rows_of(run, "feet.csv") if row["reason_kinds"] == "truncated"]
    (table,) = [block for block in blocks_of(made, DataTable) if block.header == ("File", "Why")]
    assert list(table.rows) == [(row["film"], row["reasons"]) for row in torn[:50]]
    assert numbers(table.caption)[-1] == len(torn)


def test_published_ranges_are_those_of_the_configuration(harbour):
    """Ends and sources as configs/normal_ranges.yaml and grades.yaml have them, which name where they come from."""
    made = overview(harbour)
    captions = [block.caption for block in blocks_of(made, Picture)]
    assert any("Shaded behind: 0 to 15 degrees, called normal by Pique-Vidal and Vila" in one for one in captions)
    assert any("Shaded behind: 0 to 9 degrees, called normal by Pique-Vidal and Vila" in one for one in captions)
    assert not any("Shaded" in one for one in captions if one.startswith("IMA 4-5"))
    bullets = [item for block in blocks_of(made, Bullets) for item in block.items]
    for name in ("hva", "ima", "ima45"):
        assert set(published(name).says) <= set(bullets)
    assert "mean 6.2, upper limit of normal 8 degrees; Fallat, secondary source" in bullets
    remembered = [item for item in published("hva").says if "Coughlin" in item]
    assert all("from memory, not verified" in item for item in remembered)
    assert remembered


def test_unproven_measures_are_marked(harbour):
    change_about(harbour, lambda about: about["protocol"].update(proven=["hva", "ima"]))
    made = overview(harbour)
    titles = [block.text for block in blocks_of(made, Heading) if block.level == 3]
    assert [title.endswith("(unproven)") for title in titles] == [False, False, True]
    assert by_name("ima45").abbreviation in sentence(made, "^Unproven")


def test_the_caution_comes_before_every_number(harbour):
    first, *_ = blocks_of(overview(harbour), Paragraph)
    assert (first.text, first.caution) == (CAUTION, True)


def test_times_are_those_of_the_ledger(harbour):
    """Percentiles by rank, as ``statistics`` has none for it: the smallest time that so large a share stays within."""
    seconds = [0.2 * (i + 1) for i in range(40)]
    ledger = Ledger(harbour)
    for number, spent in enumerate(seconds):
        name = f"spring/keeper-{number:02d}.dcm"
        ledger.keep(name.encode(), name, Stamp(9, 9, number), f"{number:064x}", b"", "accepted", (), seconds=spent)
    session = ledger.begin_session(40)
    ledger.beat(session, seconds=90.0, films=40, stage="done")
    ledger.close()
    made = overview(harbour)
    assert made.ledger.seconds == pytest.approx((4.0, 7.6, 8.0, 8.0))
    told = sentence(made, "half took at most")
    assert numbers(told) == [40, 4.0, 95, 7.6, 8.0]
    (slow,) = [block for block in blocks_of(made, DataTable) if block.caption == "Slowest files"]
    assert [row[1] for row in slow.rows[:3]] == ["8.0", "7.8", "7.6"]
    (calls,) = [block for block in blocks_of(made, DataTable) if block.caption.startswith("Calls of the command")]
    assert calls.rows[0][2:] == ("1 min 30 s", "40", "40", "done")


def test_a_call_that_has_not_ended_is_said(harbour):
    ledger = Ledger(harbour)
    session = ledger.begin_session(9)
    ledger.beat(session, seconds=2.0, films=4, stage="stopped")
    ledger.close()
    assert numbers(sentence(overview(harbour), "has not ended")) == [4, 9]


def test_where_time_went_adds_up(harbour):
    made = overview(harbour)
    (table,) = [block for block in blocks_of(made, DataTable) if block.caption == "Where time went"]
    assert sum(float(row[2].rstrip(" %")) for row in table.rows) == pytest.approx(100.0, abs=0.1)
    by_stage = {row[0]: row[1] for row in table.rows}
    assert by_stage["find"] == "2.0 s", "four films, half a second each"
    assert numbers(sentence(made, "files a minute"))[-1] == len(HARBOUR)


def test_no_code_of_a_person_and_no_day_stands_on_the_page(harbour):
    page = overview(harbour, against=harbour).page()
    for row in rows_of(harbour, "films.csv"):
        assert not row["person"] or row["person"] not in page
    assert "2026-03-01" not in page


def test_nothing_is_fetched_and_nothing_runs(run):
    page = overview(run, against=run).page()
    assert "<script" not in page
    assert not re.findall(r"\bon\w+=", re.sub(r"<text.*?</text>", "", page))
    fetched = re.findall(r"""(?:src|href|url)\s*[=(]\s*["']?([^"')\s>]+)""", page)
    assert fetched
    assert all(one.startswith("#") for one in fetched)
    assert "default-src 'none'" in page


def test_names_and_reasons_are_text_whatever_they_hold(tmp_path):
    odd = "<img src=x onerror=alert(1)>&\"'.dcm"
    files = [
        File(odd, kind=ReasonKind.TRUNCATED),
        File("a.dcm", (Foot(reasons=((ReasonKind.METAL, "<b>metal</b>"),)),)),
    ]
    page = overview(write_run(tmp_path / "run", files)).page()
    assert "<img" not in page
    assert "<b>" not in page
    assert odd in unescape(page)


def test_the_same_run_gives_the_same_bytes(harbour):
    assert overview(harbour, against=harbour).page() == overview(harbour, against=harbour).page()


@pytest.mark.parametrize(
    ("files", "says"),
    [
        ([], "The run holds no file: there is nothing to report."),
        ([File("a.txt", kind=ReasonKind.OTHER_FILE)], "1 file listed, 0 films among them"),
        ([File("a.dcm")], "1 file listed, 1 film among them; on 0 of these 0 feet"),
        ([File("a.dcm", (Foot(outcome="refused", values={}),))], "0 accepted, 0 sent to review, 1 refused."),
        ([File("a.dcm", (Foot(),))], "on 1 of these 1 foot: 1 accepted"),
    ],
)
def test_runs_with_next_to_nothing_have_a_page(tmp_path, files, says):
    folder = write_run(tmp_path / "run", files)
    made = overview(folder, against=folder)
    assert says in made.page()
    if not any(foot.values for one in files for foot in one.feet):
        assert not any(block.caption.startswith("HVA") for block in blocks_of(made, Picture))


def test_all_measures_of_the_full_protocol_have_their_part(tmp_path):
    from raysplay.configs.load import shipped
    from raysplay.configs.protocol import read_protocol

    full = shipped("protocol_full.yaml")
    measures = read_protocol(full).reported_measures()
    numbers_of = {measure.name: 3.0 + number for number, measure in enumerate(measures)}
    files = [replace(one, feet=tuple(replace(foot, values=numbers_of) for foot in one.feet)) for one in archive(3)]
    made = overview(write_run(tmp_path / "run", files, measures=measures, protocol_file=full))
    titles = [block.text for block in blocks_of(made, Heading) if block.level == 3]
    assert [title.split(":")[0] for title in titles] == [measure.abbreviation for measure in measures]
    assert all("low confidence" in t for t, m in zip(titles, measures, strict=True) if m.low_confidence)
