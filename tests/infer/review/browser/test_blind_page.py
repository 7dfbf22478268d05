"""Blind reads: nothing of the model is shown, points are placed one after the other."""

import re

import pytest

expect = pytest.importorskip("playwright.sync_api", reason="NO PLAYWRIGHT: the review page was not tested").expect


@pytest.fixture
def blind(serve, harbour, enter, tmp_path):
    study = tmp_path / "study.yaml"
    study.write_text("{name: tide, seed: 4, readers: [AB, CD], feet: {number: 2}, repeats: 0.5}")
    reader = enter(serve(harbour, study=study))
    reader.answers = []
    reader.page.on("response", lambda answer: reader.answers.append(answer) if "/api/" in answer.url else None)
    return reader.sign_in("AB")


def place_all(reader):
    """Click every point that is asked for into one raster; gives the codes in their order."""
    page, codes = reader.page, []
    box = page.locator(".stage").bounding_box()
    while page.locator(".point-card.placing").count():
        asked = page.locator(".point-card .code").text_content()
        codes.append(asked.rsplit(": ", 1)[1])
        k = len(codes)
        page.mouse.click(box["x"] + 150 + 40 * (k % 10), box["y"] + 120 + 40 * (k // 10))
    return codes


def test_points_are_placed_in_order_and_saved(blind):
    page = blind.page
    expect(page.locator(".sign-in")).to_have_count(0)
    expect(page.locator(".found")).to_have_text("3 feet")
    page.locator("#first-open").click()
    blind.wait_for_film()
    expect(page.locator(".point-card")).to_contain_text("Point 1 of")
    expect(page.locator(".point-card")).to_contain_text("medial outer cortex of the first metatarsal")
    expect(page.locator("#confirm")).to_be_disabled()
    assert page.locator(".marks .point").count() == 0
    assert page.locator(".numbers").count() == 0
    codes = place_all(blind)
    assert len(codes) == len(set(codes)) == page.locator(".points-list [role=option]").count()
    expect(page.locator("#confirm")).to_be_enabled()
    blind.stay()
    page.keyboard.press("Enter")
    blind.wait_for_state("corrected")
    page.keyboard.press("n")
    expect(page.locator("h1")).to_contain_text("Read 2")
    blind.wait_for_film()
    assert page.locator(".marks .point").count() == 0


def test_nothing_of_the_model_reaches_the_page(blind):
    page = blind.page
    page.locator("#first-open").click()
    blind.wait_for_film()
    place_all(blind)
    page.wait_for_timeout(300)
    text = page.content() + "".join(a.text() for a in blind.answers if "json" in a.headers.get("content-type", ""))
    assert "/api/measure" in "".join(a.url for a in blind.answers)
    for word in ("spring/", "autumn/", "doubtful: ", '"confidence":0.95', "accepted"):
        assert word not in text
    assert not re.search(r'"value":\s*-?\d', text)
    assert not re.search(r"-?\d+\.\d°", page.locator("main").text_content())


def test_a_point_that_cannot_be_seen_and_a_step_back(blind):
    page = blind.page
    page.locator("#first-open").click()
    blind.wait_for_film()
    first = page.locator(".point-card .code").text_content()
    page.keyboard.press("v")
    expect(page.locator(".point-card .code")).not_to_have_text(first)
    page.keyboard.press("Control+z")
    expect(page.locator(".point-card .code")).to_have_text(first)
    page.keyboard.press("v")
    rest = place_all(blind)
    assert first.rsplit(": ", 1)[1] not in rest
    blind.stay()
    page.keyboard.press("Enter")
    blind.wait_for_state("corrected")
