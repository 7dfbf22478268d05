"""How a film lies on the screen, what is written on it, and that nothing written hides what is read."""

import re

import numpy as np
import pytest

expect = pytest.importorskip("playwright.sync_api", reason="NO PLAYWRIGHT: the review page was not tested").expect

TURNS = {
    "turned by 180 degrees": np.array([[-1.0, 0.0], [0.0, -1.0]]),
    "turned by 90 degrees clockwise": np.array([[0.0, 1.0], [-1.0, 0.0]]),
    "turned by 90 degrees anticlockwise": np.array([[0.0, -1.0], [1.0, 0.0]]),
}
"""What the page says, and how the foot lies in the file: what is said brings its toes up (y runs down)."""
CENTRE = np.array([450.0, 500.0])


@pytest.fixture(params=TURNS)
def words(request):
    return request.param


@pytest.fixture
def place(place, words):
    """The golden feet, turned in their files about the middle of the film."""
    from dataclasses import replace

    def turned(side="R"):
        placed = place(side)
        linear = TURNS[words]
        film_from_crop = np.eye(3)
        film_from_crop[:2, :2] = linear @ placed.foot.film_from_crop[:2, :2]
        film_from_crop[:2, 2] = CENTRE
        points = (placed.points - placed.points.mean(axis=0)) @ linear.T + CENTRE
        return replace(placed, points=points, foot=replace(placed.foot, film_from_crop=film_from_crop))

    return turned


@pytest.fixture
def turned(serve, make_run, enter):
    run = make_run({"a.dcm": [("R", "accepted", [])], "b.dcm": [("L", "accepted", [])]})
    return enter(serve(run), "AB")


def great_toe(reader):
    """On which side of the fifth metatarsal the great toe lies on the screen, and whether the foot stands upright."""
    tip, fifth, base, head = (np.array(reader.place(code)) for code in ("PPd_med", "M5d_lat", "M2p_med", "M2d_med"))
    return ("left" if tip[0] < fifth[0] else "right"), bool(base[1] - head[1] > abs(base[0] - head[0]))


@pytest.mark.parametrize(("film", "side", "great"), [("a.dcm", "Right", "left"), ("b.dcm", "Left", "right")])
def test_toes_are_up_at_first_and_a_left_foot_stays_one(turned, words, film, side, great):
    """From above, the great toe of a right foot lies on the left, that of a left foot on the right (common practice,
    no source); a film that is only turned keeps it so."""
    reader = turned.open(film, side)
    page = reader.page
    said = page.locator(".orientation .words")
    expect(said).to_have_text(f"{words[0].upper()}{words[1:]}: toes up. Not mirrored.")
    assert great_toe(reader)[0] == great
    assert great_toe(reader)[1]
    number = reader.number()
    page.get_by_role("button", name="As in the file").click()
    expect(said).to_contain_text("As in the file: toes ")
    expect(said).not_to_contain_text("toes up")
    assert not great_toe(reader)[1]
    page.keyboard.press("x")
    assert great_toe(reader)[1]
    page.keyboard.press("m")
    expect(said).to_contain_text("Mirrored")
    expect(said).to_contain_text(f"a {side.lower()} foot looks like a {'left' if side == 'Right' else 'right'} one")
    page.keyboard.press("0")
    assert great_toe(reader)[0] == great
    expect(page.locator("h1")).to_contain_text(f"{side} foot")
    assert reader.number() == number


def test_arrow_keys_move_as_the_screen_shows(turned):
    reader = turned.open("a.dcm").choose("M1d_med")
    before = np.array(reader.place("M1d_med"))
    for _ in range(20):
        reader.page.keyboard.press("Shift+ArrowUp")
    after = np.array(reader.place("M1d_med"))
    assert after[1] < before[1] - 5
    assert after[0] == pytest.approx(before[0], abs=0.2)


def test_the_print_lies_as_it_says(turned, words):
    """Whatever the reader's own view: mirrored, a print could be taken for the other foot."""
    page = turned.open("b.dcm", "Left").page
    page.keyboard.press("m")
    page.emulate_media(media="print")
    caption = page.locator(".print-sheet figcaption")
    expect(caption).to_have_text(f"{words[0].upper()}{words[1:]}: toes up. Not mirrored.")
    places = {}
    for code in ("PPd_med", "PPp_med", "M5d_lat"):
        moved = page.locator(f'.print-film [data-code="{code}"]').get_attribute("transform")
        places[code] = [float(v) for v in re.findall(r"-?[\d.]+", moved)]
    assert places["PPd_med"][0] > places["M5d_lat"][0]
    assert places["PPd_med"][1] < places["PPp_med"][1]


def boxes(page, selector):
    return page.evaluate(
        "(selector) => [...document.querySelectorAll(selector)].map((one) => one.getBoundingClientRect().toJSON())",
        selector,
    )


def lines(page, selector):
    """Lines of the overlay as pairs of places in the window, by the browser's own geometry."""
    return page.evaluate(
        """(selector) => [...document.querySelectorAll(selector)].map((path) => {
          const at = (place) => { const p = place.matrixTransform(path.getScreenCTM()); return [p.x, p.y]; };
          return [at(path.getPointAtLength(0)), at(path.getPointAtLength(path.getTotalLength()))];
        })""",
        selector,
    )


def meets(box, first, last):
    """Whether a line passes through a box: 200 places along it."""
    places = np.linspace(first, last, 200)
    inside = (places > [box["left"], box["top"]]) & (places < [box["right"], box["bottom"]])
    return bool(inside.all(axis=1).any())


@pytest.mark.parametrize("size", [(1366, 768), (1024, 768), (768, 1024)])
def test_what_is_written_on_the_film_hides_neither_points_nor_axes(serve, make_run, enter, size):
    run = make_run({"a.dcm": [("R", "accepted", [])]})
    viewport = {"width": size[0], "height": size[1]}
    reader = enter(serve(run), "AB", viewport=viewport, has_touch=size[0] < 1200).open("a.dcm")
    page = reader.page
    for names in (False, True):
        if names:
            page.keyboard.press("l")
            expect(page.locator(".words .name").first).to_be_attached()
        page.evaluate("new Promise((drawn) => requestAnimationFrame(() => requestAnimationFrame(drawn)))")
        angles = boxes(page, ".words .angle rect")
        assert len(angles) == 4
        labels = [*angles, *boxes(page, ".words .name rect"), *boxes(page, ".words .legend > rect")]
        stage = page.locator(".stage").bounding_box()
        points = boxes(page, ".marks .point .dot")
        axes = lines(page, ".stage .axis .line")
        assert len(axes) == 6
        (said,) = boxes(page, ".orientation")
        assert all(point["bottom"] < said["top"] for point in points), "points lie above the words on the film"
        assert len(points) == 22
        for k, box in enumerate(labels):
            assert box["left"] >= stage["x"]
            assert box["right"] <= stage["x"] + stage["width"]
            for point in points:
                x, y = point["left"] + point["width"] / 2, point["top"] + point["height"] / 2
                assert not (box["left"] < x < box["right"] and box["top"] < y < box["bottom"])
            assert not any(meets(box, *axis) for axis in axes)
            for other in [*labels[k + 1 :], *boxes(page, ".orientation")]:
                apart = (
                    box["right"] <= other["left"]
                    or other["right"] <= box["left"]
                    or box["bottom"] <= other["top"]
                    or other["bottom"] <= box["top"]
                )
                assert apart


def test_arcs_lie_between_the_axes_of_their_measure(serve, make_run, enter):
    """The angle that an arc spans about the meeting point of its two lines is the angle of the measure."""
    reader = enter(serve(make_run({"a.dcm": [("R", "accepted", [])]})), "AB").open("a.dcm")
    page = reader.page
    axes = {}
    for bone in ("m1", "m2", "pp"):
        ((first, last),) = lines(page, f".stage .axis.{bone} .line")
        axes[bone] = np.array(first), np.array(last)
    arcs = [np.array(arc) for arc in lines(page, ".stage .arcs .arc")]
    labels = page.locator(".words .angle").evaluate_all("all => all.map((one) => one.dataset.angle)")
    for measure, one, other in (("hva", "m1", "pp"), ("ima", "m1", "m2")):
        start, end = arcs[labels.index(measure)]
        (a, b), (c, d) = axes[one], axes[other]
        meeting = a + np.linalg.solve(np.stack([b - a, c - d], axis=1), c - a)[0] * (b - a)
        u, v = start - meeting, end - meeting
        assert np.hypot(*u) == pytest.approx(np.hypot(*v), rel=1e-2)
        spanned = np.degrees(np.arccos(u @ v / np.hypot(*u) / np.hypot(*v)))
        assert spanned == pytest.approx(abs(reader.number(measure)), abs=0.3)


def test_the_legend_names_each_line_in_its_colour(serve, make_run, enter):
    reader = enter(serve(make_run({"a.dcm": [("R", "accepted", [])]})), "AB").open("a.dcm")
    page = reader.page
    keys = page.evaluate(
        """() => [...document.querySelectorAll('.stage .legend .row')].map((row) =>
          [row.querySelector('text').textContent, getComputedStyle(row.querySelector('.key')).stroke])"""
    )
    drawn = page.evaluate(
        """() => Object.fromEntries([...document.querySelectorAll('.stage .axis')].map((axis) =>
          [axis.getAttribute('class').split(' ')[1], getComputedStyle(axis.querySelector('.line')).stroke]))"""
    )
    names = {
        "m1": "first metatarsal",
        "m2": "second metatarsal",
        "m4": "fourth metatarsal",
        "m5": "fifth metatarsal",
        "pp": "proximal phalanx of the great toe",
        "dp": "distal phalanx of the great toe",
    }
    assert {(names[bone], colour) for bone, colour in drawn.items()} == {tuple(key) for key in keys}
    page.keyboard.press("h")
    expect(page.locator(".stage .legend")).to_have_count(0)


def test_fit_leaves_room_for_the_tips_of_the_toes(turned):
    """Of 40 generated feet skin reached at most 13 % of the points' extent beyond the outermost landmark."""
    for _ in range(2):
        page = turned.open("a.dcm").page
        page.keyboard.press("a")
        page.keyboard.press("f")
        page.wait_for_timeout(200)
        stage = page.locator(".stage").bounding_box()
        points = boxes(page, ".marks .point .dot")
        tops = [point["top"] for point in points]
        assert min(tops) - stage["y"] >= 0.13 * (max(tops) - min(tops))
        page.locator("a.back").click()
        page.wait_for_selector("tr.current")


def test_points_have_names_and_codes_only_in_the_details(serve, make_run, enter):
    """Names follow from the words of the landmark list."""
    reader = enter(serve(make_run({"a.dcm": [("R", "accepted", [])]})), "AB").open("a.dcm")
    page = reader.page
    codes = page.evaluate("fetch('/api/session').then((a) => a.json()).then((s) => s.schema.map((one) => one.code))")
    page.keyboard.press("a")
    page.keyboard.press("l")
    reader.choose("M1p_med")
    expect(page.locator(".point-card .code")).to_have_text("first metatarsal, medial edge, 30 %")
    expect(page.locator(".point-card .where")).to_contain_text("M1p_med")
    expect(page.locator(".stage .name[data-name=M1p_med] text")).to_have_text("first metatarsal, medial edge, 30 %")
    expect(page.locator("#point-M1p_med")).to_have_text(re.compile("medial edge, 30 %"))
    expect(page.locator("#announcer")).to_contain_text("first metatarsal, medial edge, 30 %")
    page.keyboard.press("Shift+ArrowLeft")
    page.keyboard.press("Control+z")
    expect(page.locator("#announcer")).to_contain_text("Undone: move first metatarsal, medial edge, 30 %")
    text = page.evaluate("document.body.innerText.replace(document.querySelector('.where').innerText, '')")
    shown = [code for code in codes if re.search(rf"\b{re.escape(code)}\b", text)]
    assert shown == []
    names = page.evaluate(
        """() => fetch('/api/session').then((answer) => answer.json()).then(async (session) => {
          const { Landmarks } = await import('/page/modules/landmarks.js');
          const landmarks = new Landmarks(session);
          return Object.fromEntries(session.schema.map(({ code }) => [code, landmarks.name(code)]));
        })"""
    )
    assert len(set(names.values())) == len(codes)
    assert names["PPd_lat"] == "proximal phalanx of the great toe, lateral edge, 70 %"
    assert names["DP_base_c"] == "midpoint of the base of the distal phalanx of the great toe"
    assert names["M2_tip"] == "second metatarsal, most distal point of the head along the second metatarsal"
