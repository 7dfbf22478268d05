"""What comes out of the printer: white paper, the film with its axes, and who stands for the numbers."""

import io
import re
import shutil
import subprocess

import numpy as np
import pytest
from PIL import Image

expect = pytest.importorskip("playwright.sync_api", reason="NO PLAYWRIGHT: the review page was not tested").expect

DPI = 60


@pytest.fixture
def printed(tmp_path):
    """``printed(page)``: text and pictures of the pages of a printed PDF, by poppler."""
    if shutil.which("pdftotext") is None or shutil.which("pdftoppm") is None:
        pytest.skip("NO POPPLER: printed pages were not looked at. Install poppler-utils")

    def pages(page, **options):
        path = tmp_path / "sheet.pdf"
        page.pdf(path=path, print_background=True, **options)
        text = subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, check=True, text=True).stdout
        made = subprocess.run(["pdftoppm", "-r", str(DPI), "-png", path, tmp_path / "sheet"], check=True)
        assert made.returncode == 0
        return text, [np.asarray(Image.open(one).convert("RGB")) for one in sorted(tmp_path.glob("sheet-*.png"))]

    return pages


@pytest.mark.parametrize("colours", ["light", "dark"])
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_foot_is_printed_on_one_white_sheet(serve, harbour, enter, printed, colours, paper):
    reader = enter(serve(harbour), "AB", color_scheme=colours).open("spring/mate.dcm", "Right")
    text, sheets = printed(reader.page, format=paper)
    assert len(sheets) == 1
    (sheet,) = sheets
    edge = int(0.03 * sheet.shape[1])
    for part in (sheet[:edge], sheet[-edge:], sheet[:, :edge], sheet[:, -edge:]):
        assert part.min() > 250, "the margin is white"
    assert (sheet > 250).all(axis=-1).mean() > 0.5, "most of the sheet is white"
    said = " ".join(text.split())
    for words in (
        "spring/mate.dcm, right foot",
        "Not confirmed: the model's reading.",
        "90 % interval",
        "Axis method",
        "shaft",
        "Grades by Pique-Vidal and Vila, J Foot Ankle Res 2009;2:15.",
        "IMA 4-5: no grades; normal up to 8 by one source",
        "side doubtful: right, 62 % sure",
        "Not a medical device. A person confirms every number used in care.",
        "As in the file: toes up.",
        "first metatarsal",
        "Printed",
        "by AB",
    ):
        assert words in said
    for measure in ("hva", "ima"):
        assert f"{reader.number(measure):.1f}°" in said
    interval = reader.page.locator("[data-measure=hva] .interval").text_content().split(": ")[1]
    assert interval in said
    assert "token" not in said
    assert "token" not in reader.page.url


def film_of(page):
    """The printed film as the browser draws it, and the drawing over it."""
    page.emulate_media(media="print")
    page.wait_for_selector(".print-sheet .print-film canvas")
    picture = page.locator(".print-film")
    return picture, np.asarray(Image.open(io.BytesIO(picture.screenshot())).convert("L"), dtype=float)


def test_the_printed_film_has_greys_axes_arcs_and_angles(harbour_page):
    """The invented film is noise: many greys. Before, the sheet was black: a canvas of the graphics unit is empty
    when a page is printed."""
    page = harbour_page.reader.open("spring/cook.dcm").page
    numbers = {name: harbour_page.reader.number(name) for name in ("hva", "ima")}
    picture, greys = film_of(page)
    assert np.percentile(greys, 90) - np.percentile(greys, 10) > 60
    assert picture.locator(".axis").count() == 5
    assert picture.locator(".arcs .arc").count() == 3
    labels = picture.locator(".angle text").all_text_contents()
    for name, number in numbers.items():
        assert f"{name.upper()} {number:.1f}°" in labels
    page.emulate_media(media="screen")
    page.wait_for_selector(".print-sheet", state="detached")


def test_who_confirmed_and_when_is_printed(harbour_page, printed):
    reader = harbour_page.reader.open("spring/cook.dcm").stay()
    page = reader.page
    page.keyboard.press("Enter")
    reader.wait_for_state("confirmed")
    when = reader.call("/api/feet/1")["history"][-1]["when"]
    moment = page.evaluate(
        "(when) => new Date(when).toLocaleString([], { dateStyle: 'medium', timeStyle: 'short' })", when
    )
    text, _ = printed(page)
    said = " ".join(text.split())
    assert " ".join(f"Confirmed by AB, {moment}.".split()) in said
    assert "Not confirmed" not in said


def test_what_is_not_saved_is_printed_as_such(harbour_page, printed):
    """A number on paper outlives the page: it must not pass for the model's, nor for a confirmed one."""
    reader = harbour_page.reader.open("spring/cook.dcm").stay()
    reader.drag("M1d_med", -30, 0)
    moved = reader.settled_number()
    text, _ = printed(reader.page)
    said = " ".join(text.split())
    assert "Not saved and not confirmed: 1 point changed on this page." in said
    assert f"{moved:.1f}°" in said
    assert "the model's reading" not in said


def test_a_withheld_number_is_printed_with_its_reason_in_words(harbour_page, printed):
    reader = harbour_page.reader.open("spring/cook.dcm").stay()
    page = reader.page
    reader.choose("PPp_med")
    page.keyboard.press("v")
    expect(page.locator("#value-hva")).to_have_text("–")
    page.wait_for_selector(".numbers:not([aria-busy=true])")
    text, _ = printed(page)
    said = " ".join(text.split())
    assert "withheld" in said
    assert "PPp_med" not in said
    assert f"{reader.number('ima'):.1f}°" in said


def figures(page):
    """Rows of the printed table: the cells after the name, by abbreviation."""
    page.emulate_media(media="print")
    page.wait_for_selector(".print-sheet .figures")
    rows = page.locator(".print-sheet .figures tbody tr").all()
    cells = {row.locator("th").text_content(): row.locator("td").all_text_contents() for row in rows}
    page.emulate_media(media="null")
    page.wait_for_selector(".print-sheet", state="detached")
    return {re.search(r"\((.+)\)$", name)[1]: row for name, row in cells.items()}


def test_a_number_taken_though_it_is_withheld_is_printed_with_cause_and_name(serve, doubts, enter, printed):
    """On paper, too, it must not pass for a number that the run gave."""
    reader = enter(serve(doubts), "AB").open("tide/wide.dcm").stay()
    page = reader.page
    value, about, *_ = figures(page)["IMA 4-5"]
    assert (value, about) == ("withheld", "withheld by the run: its interval is too wide")
    page.get_by_role("button", name="Look at the number: IMA 4-5").click()
    page.get_by_role("button", name="Take IMA 4-5 as it is").click()
    expect(page.locator("#value-ima45")).to_have_text("8.0°")
    for said in ("Not saved and not confirmed: IMA 4-5 taken on this page.", "Confirmed by AB"):
        page.wait_for_selector(".numbers:not([aria-busy=true])")
        rows = figures(page)
        value, about, *_ = rows["IMA 4-5"]
        assert value == "8.0°"
        assert about.endswith("; withheld by the run (wide interval), accepted by AB; unproven")
        assert "accepted" not in "".join(rows["IMA"] + rows["HVA"])
        text, sheets = printed(page)
        assert len(sheets) == 1
        assert said in " ".join(text.split())
        page.keyboard.press("Control+Enter")
        reader.wait_for_state("confirmed")


def test_unproven_and_low_confidence_are_printed_with_their_numbers(harbour_page):
    """Nothing is proven without the weights of proof.yaml; which measures are read badly is said by the server."""
    page = harbour_page.reader.page

    def doubted(route):
        answer = route.fetch()
        body = answer.json()
        _, ima, ima45 = body["measured"]["measures"]
        ima["low_confidence"], ima45["proven"] = True, True
        route.fulfill(response=answer, json=body)

    page.route("**/api/feet/1?*", doubted)
    harbour_page.reader.open("spring/cook.dcm")
    rows = {name: row[1].split("; ")[1:] for name, row in figures(page).items()}
    assert rows == {"HVA": ["unproven"], "IMA": ["unproven", "low confidence"], "IMA 4-5": []}


def test_a_foot_that_cannot_be_measured_is_printed_without_numbers(harbour_page, printed):
    reader = harbour_page.reader.open("spring/cook.dcm").stay()
    page = reader.page
    page.keyboard.press("u")
    page.get_by_label("not weight-bearing").check()
    page.keyboard.press("Enter")
    reader.wait_for_state("not_measurable")
    text, _ = printed(page)
    said = " ".join(text.split())
    assert "No numbers: cannot be measured" in said
    assert not re.search(r"\d\.\d°", text)


def test_a_blind_read_is_printed_without_numbers(serve, harbour, enter, printed, tmp_path):
    study = tmp_path / "study.yaml"
    study.write_text("{name: tide, seed: 4, readers: [AB], feet: {number: 2}}")
    reader = enter(serve(harbour, study=study), "AB")
    reader.page.locator("#first-open").click()
    reader.wait_for_film()
    text, _ = printed(reader.page)
    assert "Read 1 of 2" in text
    assert not re.search(r"\d\.\d°|spring|accepted|review:", text)


@pytest.mark.parametrize("colours", ["light", "dark"])
def test_the_printed_views_break_no_accessibility_rule(serve, harbour, enter, violations, colours):
    reader = enter(serve(harbour), "AB", color_scheme=colours)
    page = reader.page
    page.emulate_media(media="print", color_scheme=colours)
    assert violations(page) == []
    page.emulate_media(media="screen", color_scheme=colours)
    reader.open("spring/mate.dcm", "Right")
    page.emulate_media(media="print", color_scheme=colours)
    page.wait_for_selector(".print-sheet")
    assert violations(page) == []


@pytest.mark.parametrize("colours", ["light", "dark"])
def test_the_worklist_is_printed_on_white(serve, harbour, enter, printed, colours):
    text, sheets = printed(enter(serve(harbour), "AB", color_scheme=colours).page)
    assert "spring/pilot.dcm" in text
    assert "The rows that were in sight" in text
    assert "Not a medical device" in text
    assert (sheets[0] > 250).all(axis=-1).mean() > 0.7
