"""Debian's Chromium before the real server and store.

Films are decoded once for all tests of a run; every test has reads of its own.
"""

import contextlib
import re
from types import SimpleNamespace

import pytest

from raysplay.infer.outputs.finished_run import FinishedRun
from raysplay.infer.review.blind_desk import BlindDesk
from raysplay.infer.review.films import FilmShelf
from raysplay.infer.review.open_desk import OpenDesk
from raysplay.infer.review.settings import review_settings
from raysplay.infer.review.store import ReadStore
from raysplay.infer.review.study import Study

LAPTOP = {"width": 1280, "height": 800}
TABLET = {"width": 1024, "height": 768}


class Reader:
    """One reader before the page."""

    def __init__(self, page):
        self.page = page
        self.faults = []
        page.on("pageerror", lambda error: self.faults.append(str(error)))

    def sign_in(self, initials):
        self.page.fill("#initials", initials)
        self.page.keyboard.press("Enter")
        self.page.wait_for_selector("tr.current")
        return self

    def open(self, film, foot="Right"):
        """Open a foot from the worklist, and wait for its film."""
        rows = self.page.locator("tbody tr", has_text=film).filter(has_text=foot)
        rows.first.locator("a").click()
        return self.wait_for_film()

    def wait_for_film(self):
        self.page.wait_for_selector(".film-page[data-film=visible]")
        return self

    def number(self, measure="hva"):
        """A measure as the page shows it; None where withheld."""
        text = self.page.locator(f"#value-{measure}").text_content()
        return None if text == "–" else float(text.replace("°", "").replace("−", "-"))

    def wait_until_not(self, measure, number):
        """Until the page shows another number."""
        from playwright.sync_api import expect

        expect(self.page.locator(f"#value-{measure}")).not_to_have_text(f"{number:.1f}°")

    def settled_number(self, measure="hva"):
        """The measure once no answer is under way."""
        self.page.wait_for_selector(".numbers:not([aria-busy=true])")
        return self.number(measure)

    def place(self, code):
        """Where a point is drawn, pixels of the window."""
        self.page.evaluate("new Promise((drawn) => requestAnimationFrame(() => requestAnimationFrame(drawn)))")
        box = self.page.locator(".stage").first.bounding_box()
        moved = self.page.locator(f'.marks [data-code="{code}"]').first.get_attribute("transform")
        x, y = map(float, re.findall(r"-?[\d.]+(?:e-?\d+)?", moved))
        return box["x"] + x, box["y"] + y

    def film_place(self):
        """Where the chosen point lies on the film, as the page says it."""
        found = re.search(r"x (-?[\d.]+), y (-?[\d.]+)", self.page.locator(".point-card .where").text_content())
        return float(found[1]), float(found[2])

    def choose(self, code):
        self.page.locator(f"#point-{code}").click()
        return self

    def drag(self, code, dx, dy, steps=8):
        x, y = self.place(code)
        mouse = self.page.mouse
        mouse.move(x, y)
        mouse.down()
        mouse.move(x + dx, y + dy, steps=steps)
        mouse.up()

    def call(self, path, method="GET", body=None):
        """What the server answers to this browser, with its key."""
        code = """async ([path, method, body]) => {
            const { sessionHeaders } = await import("/page/modules/session_key.js");
            const sent = body === null ? {} : { body: JSON.stringify(body) };
            const headers = { ...sessionHeaders(), ...(body === null ? {} : { "Content-Type": "application/json" }) };
            const answer = await fetch(path, { method, headers, ...sent });
            if (!answer.ok) throw new Error(`${path}: ${answer.status}`);
            return answer.status === 204 ? null : answer.json();
        }"""
        return self.page.evaluate(code, [path, method, body])

    def timings(self, name):
        """Milliseconds of a step, as the page took them."""
        return self.page.evaluate(
            "name => performance.getEntriesByName(name, 'measure').map((entry) => entry.duration)", name
        )

    def state(self):
        return self.page.locator(".film-page").get_attribute("data-state")

    def wait_for_state(self, state):
        self.page.wait_for_selector(f'.film-page[data-state="{state}"]')

    def stay(self):
        """Not to the next foot after saving."""
        self.page.locator("#go-on").uncheck()
        return self


@pytest.fixture
def enter(chromium):
    """``enter(served, "AB")`` lets a reader in with a browser of their own; at the end no script may have failed."""
    with contextlib.ExitStack() as stack:
        readers = []

        def entered(served, initials=None, *, viewport=LAPTOP, query="", **options):
            context = chromium.new_context(viewport=viewport, **options)
            context.set_default_timeout(60_000)
            stack.callback(context.close)
            reader = Reader(context.new_page())
            reader.context = context
            readers.append(reader)
            reader.page.goto(f"{served.base}/start?token={served.door.token}")
            reader.page.wait_for_url(f"{served.base}/**")
            if query:
                reader.page.goto(f"{served.base}/?{query}")
            return reader.sign_in(initials) if initials else reader

        yield entered
        faults = [fault for reader in readers for fault in reader.faults]
        assert not faults, faults


@pytest.fixture(scope="session")
def kept():
    """Run folders by name, and what was opened of them."""
    with contextlib.ExitStack() as stack:
        yield SimpleNamespace(folders={}, opened={}, stack=stack)


@pytest.fixture
def harbour(harbour, kept):
    return kept.folders.setdefault("harbour", harbour)


VISITS = {
    "spring/cook.dcm": [("R", "review", [("side_doubtful", "side doubtful: R at 0.62")])],
    "summer/cook.dcm": [("R", "accepted", [])],
    "autumn/hand.dcm": [],
}


@pytest.fixture
def visits(make_run, kept):
    """Two films of one person, and one without a foot."""
    if "visits" not in kept.folders:
        days = {"spring/cook.dcm": ("11" * 8, "2026-03-01"), "summer/cook.dcm": ("11" * 8, "2026-07-01")}
        kept.folders["visits"] = make_run(VISITS, "visits", "visits_films", persons=days)
    return kept.folders["visits"]


@pytest.fixture
def doubts(doubts, kept):
    return kept.folders.setdefault("doubts", doubts)


@pytest.fixture
def store(tmp_path):
    """Address of this test's reads."""
    return f"sqlite:///{tmp_path / 'reads.sqlite'}"


@pytest.fixture
def open_desk(kept, store):
    settings = review_settings()
    with contextlib.ExitStack() as stack:

        def opened(folder, *, study=None):
            if folder not in kept.opened:
                run = FinishedRun(folder)
                shelf = kept.stack.enter_context(FilmShelf(run, None, settings.films.cache_bytes))
                kept.opened[folder] = run, shelf
            run, shelf = kept.opened[folder]
            reads = ReadStore(store, run.identity)
            stack.callback(reads.close)
            if study is None:
                return OpenDesk(run, reads, shelf, settings)
            return BlindDesk(run, reads, shelf, settings, Study(study, run, settings.repeat_distance))

        yield opened


@pytest.fixture
def harbour_page(serve, harbour, enter):
    """The harbour run, its server, and reader AB before it."""
    served = serve(harbour)
    return SimpleNamespace(folder=harbour, served=served, reader=enter(served, "AB"))
