"""In the browser: films are dropped, measured, settled, reported; a later start finds them.

Rules of accessibility: axe-core for WCAG 2.0 to 2.2, A and AA. Target size: WCAG 2.2, 2.5.8 (24 CSS pixels).
"""

import base64
import re
import shutil
import subprocess

import pytest

sync_api = pytest.importorskip("playwright.sync_api")
expect = sync_api.expect

TABLET = {"width": 820, "height": 1180}


def file(name, content):
    return {"name": name, "mimeType": "application/octet-stream", "buffer": content}


DROP = """async ([files]) => {
    const transfer = new DataTransfer();
    for (const [name, data] of files) {
        transfer.items.add(new File([Uint8Array.from(atob(data), (c) => c.charCodeAt(0))], name));
    }
    const zone = document.querySelector(".drop");
    for (const kind of ["dragover", "drop"]) {
        zone.dispatchEvent(new DragEvent(kind, { dataTransfer: transfer, bubbles: true, cancelable: true }));
    }
}"""


def drop(page, files):
    """Drop files as from the system's file manager."""
    page.evaluate(DROP, [[[name, base64.b64encode(content).decode()] for name, content in files.items()]])


def settle(page, base):
    """Confirm every open foot on the review page, by keyboard."""
    page.goto(f"{base}/")
    page.wait_for_selector("tr.current")
    while True:
        page.click("#first-open")
        try:
            page.wait_for_selector(".film-page[data-film=visible]", timeout=30_000)
        except Exception:
            break
        page.locator("#go-on").uncheck()
        page.keyboard.press("Enter")
        page.wait_for_selector('.film-page[data-state="confirmed"]')
        page.goto(f"{base}/")
        page.wait_for_selector("tr.current")
        if not page.locator("tbody .badge.open").count():
            break


def test_from_a_dropped_film_to_report_and_letter(serve, enter, standin, tmp_path):
    served = serve()
    page = enter(served, "AB")
    drop(
        page,
        {
            "before.dcm": standin.dicom(34, 15, seed=1, day="20260301"),
            "after.dcm": standin.dicom(20, 10, both=True, seed=2, day="20260601"),
            "broken.dcm": b"\0" * 128 + b"DICM" + b"torn",
        },
    )
    # Progress is told: in words, as a bar, and to a screen reader.
    page.wait_for_selector(".measuring progress:visible")
    assert page.locator(".how-far").get_attribute("role") == "status"
    page.wait_for_selector(".person-list a")
    assert page.locator(".sent").text_content() == "3 files sent."
    assert "unreadable" in page.locator(".film-list li", has_text="broken.dcm").text_content()
    assert "3 feet open" in page.locator(".person-list li").text_content()

    settle(page, served.base)
    page.click("a.to-desk")
    page.click(".person-list a")
    page.wait_for_selector(".cards a")
    assert "Every number is confirmed" in page.locator("#write-open").text_content()
    assert page.locator(".steps tr", has_text="HVA").first.locator("td").nth(4).text_content() == "−14.0 degrees"

    page.click("#confirm-write")
    page.locator("dialog button.main").click()
    assert "Tick" in page.locator("dialog .missing").text_content()
    page.check("#seen")
    page.locator("dialog button.main").click()
    page.wait_for_selector(".papers li")
    page.select_option("#paper-kind", "letter")
    page.fill("#write-pain", "On the stairs of the tower")
    page.click("#confirm-write")
    page.check("#seen")
    page.locator("dialog button.main").click()
    page.wait_for_selector(".papers li >> nth=1")
    assert "confirmed by AB" in page.locator(".papers li").first.text_content()

    with page.expect_popup() as opened:
        page.locator(".papers a", has_text="Page").first.click()
    letter = opened.value
    letter.wait_for_load_state()
    text = letter.locator("main").inner_text()
    for words in ("Referral letter", "On the stairs of the tower", "HVA", "20.0 degrees", "Confirmed by AB"):
        assert words in text, words
    assert "UNCONFIRMED" not in text
    assert "before.dcm" not in text  # names that users gave may be names of persons

    # Printed from the page: the same words as the file that was written.
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext (poppler-utils) reads the PDF")

    def words_of(path):
        text = subprocess.run(["pdftotext", str(path), "-"], capture_output=True, check=True).stdout.decode()
        return set(re.findall(r"[A-Za-z]{4,}|\d+\.\d", text))

    for kind, sheet, least in (("letter", "Letter", 60), ("report", "A4", 300)):
        (written,) = served.clinic.folder.documents.glob(f"*{kind}*.pdf")
        with page.expect_popup() as opened:
            page.locator(".papers li", has_text=kind.capitalize() if kind == "report" else kind).locator(
                "a"
            ).first.click()
        opened.value.wait_for_load_state()
        printed = tmp_path / f"{kind}.pdf"
        opened.value.pdf(path=printed, format=sheet)
        assert len(words_of(written)) > least
        assert words_of(written) - {"page"} <= words_of(printed)  # its pages are numbered by the printer


def test_a_later_start_finds_persons_and_papers(serve, enter, standin, dropped):
    first = serve()
    dropped(first.client(), {"keeper.dcm": standin.dicom(30, 15, seed=3)})
    first.stop()
    page = enter(serve(), "CD")
    page.wait_for_selector(".person-list a")
    assert page.locator(".person-list li").count() == 1
    page.click(".person-list a")
    page.wait_for_selector(".cards a")
    assert "keeper.dcm" in page.locator(".cards").text_content()


def test_films_are_put_to_a_person_and_taken_away_again(serve, enter, standin, dropped):
    served = serve()
    dropped(served.client(), {"a.png": standin.picture(30, 15, seed=4), "b.png": standin.picture(28, 15, seed=5)})
    page = enter(served, "AB")
    for name, day in (("a.png", "2026-03-01"), ("b.png", "2026-06-01")):
        page.goto(f"{served.base}/desk#/")
        page.locator(".film-list a", has_text=name).click()
        page.wait_for_selector(".statement")
        page.get_by_label("Person").fill("P-07")
        page.get_by_label("Day of the film").fill(day)
        page.get_by_label("Worn on the foot").select_option("nothing")
        page.get_by_label("Tube tilt, degrees toward the heel").fill("12,5")
        page.locator(".statement button.main").click()
        page.wait_for_selector("a.back:has-text('P-07')")
    page.click("a.back")
    page.wait_for_selector(".steps")
    assert page.locator(".cards > li").count() == 2
    assert "put to this person by AB" in page.locator(".cards").text_content()
    assert "tube tilt 12.5" in page.locator(".cards").text_content()

    page.locator(".cards h3 a", has_text="b.png").click()
    page.wait_for_selector(".statement")
    page.get_by_label("Person").fill("")
    page.locator(".statement button.main").click()
    page.wait_for_selector("a.back:has-text('Desk')")
    page.click("a.back")
    page.locator(".person-list a", has_text="P-07").click()
    page.wait_for_selector(".cards a")
    assert page.locator(".cards > li").count() == 1
    assert page.locator(".steps").count() == 0


def test_several_films_are_put_to_one_person_at_once(serve, enter, standin, dropped):
    served = serve()
    client = served.client()
    pictures = {f"{name}.png": standin.picture(30, 15, seed=seed) for seed, name in enumerate("abc", start=20)}
    dropped(client, pictures)
    client.post("/api/clinic/films/1/statements", json={"version": 0, "tilt": 12.0})
    page = enter(served, "AB")
    page.get_by_label("Choose a.png").check()
    page.get_by_label("Choose b.png").check()
    page.locator(".grouping button[type=submit]").click()
    assert "code" in page.locator(".grouping .missing").text_content()
    page.fill("#group-person", "P-07")
    page.keyboard.press("Enter")
    page.wait_for_selector(".person-list a")
    assert "2 films" in page.locator(".person-list li").text_content()
    assert page.locator(".grouping li").count() == 1
    stated = client.get("/api/clinic/films/1").json()["stated"]
    assert (stated["tilt"], stated["person"], stated["person_by"]) == (12.0, "P-07", "AB")
    assert client.get("/api/clinic/films/3").json()["person"] == ""


def test_both_feet_of_a_film_on_one_screen(serve, enter, standin, dropped):
    served = serve()
    dropped(served.client(), {"both.dcm": standin.dicom(34, 15, both=True, seed=6)})
    page = enter(served, "AB")
    page.click(".person-list a")
    page.click(".cards h3 a")
    page.wait_for_selector(".both canvas")
    assert page.locator(".foot-card").count() == 2
    assert page.locator(".both svg").count() == 2
    for side in ("Right foot", "Left foot"):
        card = page.locator(".foot-card", has_text=side)
        assert "34.0°" in card.text_content()
        assert "open" in card.text_content()
    page.locator(".foot-card", has_text="Left foot").locator("a").click()
    page.wait_for_selector(".film-page[data-film=visible]")
    assert "Left foot" in page.locator("h1").text_content()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_view_passes_the_rules_of_accessibility(serve, enter, standin, dropped, violations, scheme):
    served = serve()
    client = served.client()
    dropped(client, {"both.dcm": standin.dicom(34, 15, both=True, seed=7), "x.txt": b"no film"})
    (person,) = client.get("/api/clinic/persons").json()
    client.post("/api/clinic/documents", params={"called": person["called"]}, json={"kind": "letter"})
    page = enter(served, "AB", color_scheme=scheme)
    page.wait_for_selector(".person-list a")
    assert violations(page) == []
    page.click(".person-list a")
    page.wait_for_selector(".papers a")
    page.select_option("#paper-kind", "letter")
    assert violations(page) == []
    letter = page.locator(".papers a").first.get_attribute("href")
    page.click(".cards h3 a")
    page.wait_for_selector(".both canvas")
    assert violations(page) == []
    page.goto(f"{served.base}{letter}")
    assert violations(page) == []


def test_by_keyboard_alone(serve, enter, standin, dropped):
    served = serve()
    dropped(served.client(), {"keeper.dcm": standin.dicom(30, 15, seed=8)})
    page = enter(served, "AB")
    page.wait_for_selector(".person-list a")

    def tab_to(selector):
        for _ in range(60):
            page.keyboard.press("Tab")
            if page.evaluate("s => document.activeElement.matches(s)", selector):
                return
        raise AssertionError(f"{selector} is not reached by Tab")

    tab_to("#choose-films")
    tab_to(".person-list a")
    page.keyboard.press("Enter")
    page.wait_for_selector(".cards a")
    tab_to("#paper-kind")
    page.keyboard.type("Ref")
    tab_to("#write-remarks")
    page.keyboard.type("By hand")
    tab_to("#write")
    page.keyboard.press("Enter")
    page.wait_for_selector(".papers li.unconfirmed")
    assert "Referral letter (English)" in page.locator(".papers li").text_content()


def test_by_touch_on_a_tablet(serve, enter, standin, dropped):
    served = serve()
    dropped(served.client(), {"keeper.dcm": standin.dicom(30, 15, both=True, seed=9)})
    page = enter(served, "AB", viewport=TABLET, has_touch=True)
    page.locator(".person-list a").tap()
    page.wait_for_selector(".cards a")
    page.locator(".cards h3 a").tap()
    page.wait_for_selector(".both canvas")
    wide = page.evaluate("document.querySelector('main').scrollWidth - document.querySelector('main').clientWidth")
    assert wide <= 0
    for one in page.locator("main a, main button, main select, main input:not(.unseen)").all():
        box = one.bounding_box()
        assert box is None or box["height"] >= 24, one.evaluate("e => e.outerHTML")
    page.locator("a.back").tap()
    page.wait_for_selector(".cards a")


def test_a_film_that_is_too_large_is_said_and_the_rest_goes_on(serve, enter, standin):
    served = serve(settings={"upload_bytes": 500_000})
    page = enter(served, "AB")
    page.wait_for_function("() => document.querySelector('.how-far').textContent !== ''")
    drop(page, {"large.dcm": bytes(600_000), "empty.dcm": b"", "keeper.dcm": standin.dicom(30, 15, seed=1)})
    page.wait_for_selector(".person-list a")
    assert "too large" in page.locator(".arrivals li", has_text="large.dcm").text_content()
    assert "empty" in page.locator(".arrivals li", has_text="empty.dcm").text_content()
    assert page.locator(".sent").text_content() == "3 files sent; 2 left out, see below."


def test_a_name_of_a_file_is_text_on_the_page(serve, enter, standin):
    """OWASP, cross-site scripting: names are put there as text."""
    served = serve(settings={"quiet_seconds": 600.0})
    page = enter(served, "AB")
    name = "<img src=x onerror=document.title='run'>.dcm"
    drop(page, {name: standin.dicom(30, 15, seed=1)})
    page.wait_for_selector(".film-list li")
    assert page.locator(".film-list a").text_content() == name.rpartition("/")[2]
    assert page.title() == "Desk – Raysplay desk"


def taken_off(page, why, *, papers=None):
    """Answer the question and take the film off, by a click."""
    page.wait_for_selector("dialog[open]")
    page.locator(f"#withdrawal-why-{why}").check()
    if papers:
        page.locator(f"#withdrawal-papers-{papers}").check()
    page.get_by_role("button", name="Take it off").click()


def test_a_film_is_taken_off_by_keyboard_and_a_line_stays(serve, enter, standin, dropped, violations):
    served = serve()
    dropped(
        served.client(), {"keeper.dcm": standin.dicom(30, 15, seed=1), "Osgood.dcm": standin.dicom(seed=2, patient="")}
    )
    page = enter(served, "AB")
    page.locator(".film-list a", has_text="Osgood.dcm").click()
    page.wait_for_selector(".off button")
    page.locator(".off button").focus()
    page.keyboard.press("Enter")
    page.wait_for_selector("dialog[open]")
    assert violations(page) == []
    said = page.locator("dialog").inner_text()
    for words in ("the copy of the film in the desk's folder", "a line that film 2 was taken off", "Osgood.dcm"):
        assert words in said
    # Enter leaves it where it is: nothing goes by a key that is pressed too often.
    page.keyboard.press("Enter")
    page.wait_for_selector("dialog", state="detached")
    assert served.clinic.records.film(2) is not None

    page.locator(".off button").focus()
    page.keyboard.press("Enter")
    page.wait_for_selector("dialog[open]")
    # Nothing is chosen beforehand, and nothing goes without a reason.
    page.get_by_role("button", name="Take it off").focus()
    page.keyboard.press("Enter")
    assert page.locator("dialog .missing").text_content() == "Choose why it goes."
    page.locator("#withdrawal-why-wrong_person").focus()
    page.keyboard.press("Space")
    page.get_by_role("button", name="Take it off").focus()
    page.keyboard.press("Enter")
    page.wait_for_selector(".withdrawn li")
    line = page.locator(".withdrawn li").first.text_content()
    assert line.startswith("Film 2, ")
    assert line.endswith("by AB: another person's film.")
    assert "Osgood" not in page.content()
    assert violations(page) == []
    expect(page.locator(".how-far")).to_contain_text("1 film.")
    expect(page.locator("#standing")).to_contain_text("1 film.")


def test_papers_of_a_film_that_goes_are_shown_first_and_deleted_by_touch(serve, enter, standin, dropped, violations):
    served = serve()
    client = served.client()
    dropped(client, {"keeper.dcm": standin.dicom(30, 15, seed=1)})
    (person,) = client.get("/api/clinic/persons").json()
    for kind in ("report", "letter"):
        client.post("/api/clinic/documents", params={"called": person["called"]}, json={"kind": kind})
    page = enter(served, "AB", viewport=TABLET, has_touch=True)
    page.locator(".person-list a").tap()
    page.locator(".cards .take-off").tap()
    page.wait_for_selector("dialog[open] .papers li >> nth=1")
    assert violations(page) == []
    for one in page.locator("dialog button, dialog a").all():
        assert one.bounding_box()["height"] >= 24
    page.locator("#withdrawal-why-private").tap()
    page.get_by_role("button", name="Take it off").tap()
    assert page.locator("dialog .missing").text_content() == "Choose what becomes of the papers."
    page.locator("#withdrawal-papers-keep").tap()
    page.get_by_role("button", name="Take it off").tap()
    # Without films there is no such person any more: their papers are told beside the line that stays.
    page.wait_for_selector(".withdrawn .papers li >> nth=1")
    assert page.locator(".person-list").count() == 0
    assert "a film that it stands on was taken off" in page.locator(".withdrawn .papers").text_content()
    assert violations(page) == []
    assert len(list(served.clinic.folder.documents.iterdir())) == 4
    page.locator(".withdrawn .papers button").first.tap()
    page.wait_for_selector("dialog[open]")
    assert violations(page) == []
    page.locator("dialog button", has_text="Delete its files").tap()
    page.wait_for_selector(".withdrawn .papers li:has-text('were deleted by AB')")
    assert len(list(served.clinic.folder.documents.iterdir())) == 2


def test_a_film_is_not_taken_off_while_a_foot_is_open_and_the_page_says_why(serve, enter, standin, dropped):
    served = serve()
    client = served.client("CD")
    dropped(client, {"keeper.png": standin.picture(30, 15, seed=1)})
    assert client.post("/api/feet/1/claim").status_code == 200
    page = enter(served, "AB")
    page.get_by_role("button", name="Take keeper.png off the desk").click()
    taken_off(page, "mistake")
    page.wait_for_selector('[data-banner="withdrawal"]')
    assert "foot open for review" in page.locator('[data-banner="withdrawal"]').text_content()
    client.delete("/api/feet/1/claim")
    page.get_by_role("button", name="Take keeper.png off the desk").click()
    taken_off(page, "mistake")
    page.wait_for_selector(".withdrawn li")
    assert page.locator('[data-banner="withdrawal"]').count() == 0
