"""A blind study from its file to the report by the page alone: two readers place points, nobody touches a table."""

import csv

import pytest
from typer.testing import CliRunner

from raysplay.train.cli import app

expect = pytest.importorskip("playwright.sync_api", reason="NO PLAYWRIGHT: the review page was not tested").expect

PLAN = "{name: tide, seed: 4, readers: [AB, CD], feet: {number: 3}, repeats: 1, construction: shaft}"
READS = 6
BONES = ("M1", "M2", "PP", "DP", "M4", "M5")


def place_upright(reader, lean):
    """Every bone upright, side by side; the heads of the first metatarsal ``lean`` pixels aside."""
    page, card = reader.page, reader.page.locator(".point-card")
    box = page.locator(".stage").bounding_box()
    if card.get_attribute("data-asks") == "end":
        page.get_by_role("button", name="Switch guide lines off").click()
    while page.locator(".point-card.placing").count():
        code = card.get_attribute("data-code")
        bone = next(place for place, name in enumerate(BONES) if code.startswith(name))
        high = "d_" in code or "tip" in code
        x = 220 + 60 * bone + (14 if "lat" in code else 0) + (lean if bone == 0 and high else 0)
        page.mouse.click(box["x"] + x, box["y"] + (150 if high else 330))


def read_all(reader, lean):
    """All reads of a reader, and what the page said of progress before each."""
    page, said = reader.page, []
    page.set_default_timeout(120_000)  # twelve films are drawn anew, perhaps on a busy machine
    page.locator("#first-open").click()
    for number in range(1, READS + 1):
        expect(page.locator("h1")).to_contain_text(f"Read {number} of {READS}")
        said.append(page.locator("body").text_content())
        reader.wait_for_film()
        place_upright(reader, lean)
        reader.stay()
        page.keyboard.press("Enter")
        reader.wait_for_state("corrected")
        if number < READS:
            page.keyboard.press("n")
    return said


def call(*arguments):
    return CliRunner().invoke(app, [str(one) for one in arguments], env={"COLUMNS": "240"})


def test_from_the_study_file_to_the_report(serve, harbour, enter, store, tmp_path):
    (tmp_path / "study.yaml").write_text(PLAN)
    served = serve(harbour, study=tmp_path / "study.yaml")
    first = enter(served).sign_in("AB")
    expect(first.page.locator("#progress")).to_have_text(f"0 of {READS} reads saved")
    read_all(first, 0)
    other = enter(served).sign_in("CD")
    # What AB has done is nobody else's to see.
    expect(other.page.locator("#progress")).to_have_text(f"0 of {READS} reads saved")
    for text in read_all(other, 6):
        assert "AB" not in text.split("Read ", 1)[1][:200]
    assert call("export", harbour, "--store", store, "--out", tmp_path / "export").exit_code == 0
    # No bone lies where these points do: against the run, HVA looks like another angle, and the command says so.
    stopped = call("agreement", harbour, tmp_path / "export", "--out", tmp_path / "out")
    assert (stopped.exit_code, "column HVA of reader AB holds what others call" in stopped.output) == (2, True)
    result = call("agreement", tmp_path / "export", "--out", tmp_path / "out")
    assert result.exit_code == 0, result.output
    with (tmp_path / "export" / "reads.csv").open(newline="") as stream:
        reads = [row for row in csv.DictReader(stream) if row["value"]]
    assert {row["reader"] for row in reads} == {"AB", "CD"}
    with (tmp_path / "out" / "reads_used.csv").open(newline="") as stream:
        used = list(csv.DictReader(stream))
    assert len(used) == len(reads) > 0
    with (tmp_path / "out" / "agreement.csv").open(newline="") as stream:
        rows = {(r["measure"], r["statistic"], r["reader"]): r for r in csv.DictReader(stream) if r["feet"] == "all"}
    # The same lean on the same places of the screen: each reader repeats their own angle.
    bias = rows["ima", "bias", "AB and CD"]
    assert (bias["n"], bool(bias["value"])) == ("3", True)
    assert float(rows["ima", "within-subject standard deviation", "AB again"]["value"]) < 0.5
    assert (tmp_path / "out" / "report.html").is_file()
    assert (tmp_path / "out" / "report.pdf").is_file()
