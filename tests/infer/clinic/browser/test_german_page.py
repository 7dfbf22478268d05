"""The desk's page in German: no English of the message files is left, days and decimal signs are German.

Language of the page: WCAG 2.2, 3.1.1; axe-core for the rest.
Days and the decimal comma: DIN 5008, DIN 1333 (from memory).
"""

import os
import re
from pathlib import Path

import pytest

from raysplay.infer.clinic.desk_language import choose_language, desk_language
from raysplay.infer.visit.language import language

PHONE = {"width": 390, "height": 844}
LAPTOP = {"width": 1280, "height": 800}
PICTURES = os.environ.get("RAYSPLAY_PAGE_PICTURES")
"""A folder to look at the page in; nothing is written without it."""

SHOWN = """() => {
  const said = [document.body.innerText, document.title];
  for (const one of document.querySelectorAll('[aria-label], [placeholder], [title]')) {
    said.push(one.getAttribute('aria-label') ?? '', one.getAttribute('placeholder') ?? '', one.title);
  }
  for (const one of document.querySelectorAll('option')) said.push(one.lang ? '' : one.textContent);
  return said.join('\\n');
}"""


def english_left(page):
    """English messages that are visible, those of one word as words; none that German has as it is."""
    shown = page.evaluate(SHOWN)
    english, german = language("en"), language("de")
    own = {**german.messages, **german.page}
    found = []
    for key, text in {**english.messages, **english.page}.items():
        if key.startswith("month_") or text == "Letter":  # Letter is the name of a sheet
            continue
        for part in re.split(r"\{\w+\}", text):
            part = part.strip(" .:;,()·←–%")
            if len(part) < 4 or part.lower() in " ".join(own.values()).lower():
                continue
            if re.search(rf"(?<![\wäöüß]){re.escape(part)}(?![\wäöüß])", shown):
                found.append((key, part))
    return found


def look(page, name):
    if PICTURES:
        page.screenshot(path=Path(PICTURES) / f"{name}.png", full_page=True)


@pytest.fixture(scope="module")
def filled(made_once, dropped):
    def fill(served, standin):
        client = served.client()
        taken = (("a", 34, "20260301"), ("b", 30, "20260601"), ("c", 20, "20260902"))
        films = {f"{name}.dcm": standin.dicom(hva, 15, both=True, seed=hva, day=day) for name, hva, day in taken}
        dropped(client, {**films, "n.png": standin.picture(30, 15, seed=4), "x.txt": b"no film"})
        stated = {"version": 0, "tilt": 12.5, "worn": "splint", "stance": "gait"}
        client.post("/api/clinic/films/1/statements", json=stated)
        (person,) = client.get("/api/clinic/persons").json()
        sent = {"kind": "letter", "language": "de"}
        client.post("/api/clinic/documents", params={"called": person["called"]}, json=sent)
        choose_language(served.clinic.folder, "de")

    return made_once(fill)


@pytest.fixture
def german(serve_copy, filled):
    """A desk in German with a person's films of three days, a picture of nobody, a text file and a paper."""
    return serve_copy(filled)


@pytest.mark.parametrize(("width", "name"), [(LAPTOP, "laptop"), (PHONE, "phone")])
def test_every_view_is_german_and_passes_the_rules_of_accessibility(german, enter, violations, width, name):
    page = enter(german, "", viewport=width)
    page.wait_for_selector("#initials")
    assert page.get_attribute("html", "lang") == "de"
    assert english_left(page) == []
    look(page, f"{name}-1-sign-in")
    page.fill("#initials", "too many letters")
    page.keyboard.press("Enter")
    page.wait_for_selector("#initials-error:not(:empty)")
    assert "Kürzel" in page.locator("#initials-error").text_content()
    page.fill("#initials", "AB")
    page.keyboard.press("Enter")
    page.wait_for_selector(".person-list a")

    def passes(view):
        look(page, f"{name}-{view}")
        assert english_left(page) == [], view
        assert violations(page) == [], view
        wide = page.evaluate("document.querySelector('main').scrollWidth - document.querySelector('main').clientWidth")
        assert wide <= 0, view

    passes("2-desk")
    page.click(".person-list a")
    page.wait_for_selector(".papers a")
    page.select_option("#paper-kind", "letter")
    text = page.locator(".person-page").inner_text()
    for said in ("01.03.2026", "−10,0 Grad", "Röhrenkippung 12,5", "UNBESTÄTIGT"):
        assert said in text, said
    passes("3-person")
    page.click("#confirm-write")
    page.wait_for_selector("dialog")
    page.locator("dialog button.main").click()
    passes("4-stand-for")
    page.keyboard.press("Escape")
    page.locator(".cards h3 a").first.click()
    page.wait_for_selector(".both canvas")
    assert page.locator("input[name=tilt]").input_value() == "12,5"
    assert "34,0°" in page.locator(".foot-card").first.text_content()
    page.get_by_role("button", name="Verlauf").click()
    page.wait_for_selector(".earlier-statements li")
    passes("5-film")
    page.locator("input[name=tilt]").fill("zwölf")
    page.locator(".statement button.main").click()
    assert (
        page.locator(".statement .missing").text_content() == "Röhrenkippung, Grad zur Ferse hin: zwölf ist keine Zahl."
    )
    page.locator("input[name=tilt]").fill("11,5")
    page.locator(".statement button.main").click()
    page.wait_for_function("() => document.querySelector('#announcer').textContent.includes('Gespeichert')")
    assert german.client().get("/api/clinic/films/1").json()["stated"]["tilt"] == 11.5


def test_the_control_on_the_page_changes_the_language_and_keeps_the_place(german, enter):
    page = enter(german, "AB")
    page.click(".person-list a")
    page.wait_for_selector(".papers a")
    where = page.url
    page.select_option("#page-language", "en")
    page.wait_for_selector("html[lang=en] .papers a")
    assert page.url == where
    assert "What changed" in page.locator("main").inner_text()
    assert desk_language(german.clinic.folder) == "en"
    page.select_option("#page-language", "de")
    page.wait_for_selector("html[lang=de] .papers a")
    assert page.locator("#paper-language").input_value() == "de"


def test_what_is_typed_is_not_lost_by_a_change_of_language(german, enter):
    page = enter(german, "AB")
    page.click(".person-list a")
    page.wait_for_selector(".papers a")
    page.fill("#write-remarks", "Beim Treppensteigen im Turm")
    page.once("dialog", lambda question: question.dismiss())
    page.select_option("#page-language", "en")
    assert page.locator("#write-remarks").input_value() == "Beim Treppensteigen im Turm"
    assert page.locator("#page-language").input_value() == "de"
    assert desk_language(german.clinic.folder) == "de"


def test_a_paper_that_is_written_on_the_german_page_is_german(german, enter):
    page = enter(german, "AB")
    page.click(".person-list a")
    page.wait_for_selector(".papers a")
    page.click("#write")
    page.wait_for_selector(".papers li >> nth=1")
    with page.expect_popup() as opened:
        page.locator(".papers a", has_text="Seite").first.click()
    report = opened.value
    report.wait_for_load_state()
    assert report.get_attribute("html", "lang") == "de"
    assert "UNBESTÄTIGT" in report.locator("main").inner_text()
