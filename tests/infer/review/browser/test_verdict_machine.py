"""What may be done with a foot, and when: the table of `verdict_machine.js`, each state and each transition, and
the page that follows it.
"""

import re

import pytest

expect = pytest.importorskip("playwright.sync_api", reason="NO PLAYWRIGHT: the review page was not tested").expect

OPENED = {
    "state": "open",
    "corrected": False,
    "blind": False,
    "other": None,
    "unplaced": 0,
    "sideless": False,
    "behind": False,
}
WITHHELD = {"held": {"cause": "wide_interval", "acceptable": True}, "accepted": None}
SIDE = {"held": {"cause": "side", "acceptable": True}, "accepted": None}
NOWHERE = {"held": {"cause": "no_points", "acceptable": False}, "accepted": None}
TAKEN = {"held": {"cause": "wide_interval", "acceptable": True}, "accepted": "AB"}
GIVEN = {"held": None, "accepted": None}

OTHERS = {"cannot_be_measured", "wrong_side", "wrong_view", "edit", "note", "switch"}
SITUATIONS = {
    # what is the case: (facts that differ, number asked about), (state, main button, what may be done)
    "opened": (({}, GIVEN), ("opened", "confirm", {"confirm"} | OTHERS)),
    "a number is withheld": (({}, WITHHELD), ("opened", "confirm", {"confirm", "look"} | OTHERS)),
    "the side is contradicted": (({}, SIDE), ("opened", "confirm", {"confirm", "look"} | OTHERS)),
    "a number that cannot be taken": (({}, NOWHERE), ("opened", "confirm", {"confirm"} | OTHERS)),
    "a number was taken": (({}, TAKEN), ("opened", "confirm", {"confirm", "give_back"} | OTHERS)),
    "numbers are of other points": (({"behind": True}, WITHHELD), ("opened", "confirm", {"confirm"} | OTHERS)),
    "changed": (({"corrected": True}, GIVEN), ("changed", "correct", {"correct"} | OTHERS)),
    "changed, no side": (({"corrected": True, "sideless": True}, GIVEN), ("changed", "correct", OTHERS)),
    "blind": (({"blind": True}, GIVEN), ("reading", "correct", {"correct"} | OTHERS)),
    "blind, points missing": (({"blind": True, "unplaced": 2}, GIVEN), ("reading", "correct", OTHERS)),
    "blind, nothing to take": (({"blind": True}, WITHHELD), ("reading", "correct", {"correct"} | OTHERS)),
    "confirmed": (({"state": "confirmed"}, WITHHELD), ("settled", None, {"reopen", "switch"})),
    "corrected": (({"state": "corrected"}, TAKEN), ("settled", None, {"reopen", "switch"})),
    "wrong side": (({"state": "wrong_side"}, GIVEN), ("settled", None, {"reopen", "switch"})),
    "another reader has it": (({"other": "CD"}, WITHHELD), ("held", "confirm", set())),
    "another reader, changed": (({"other": "CD", "corrected": True}, TAKEN), ("held", "correct", set())),
    "another reader, settled": (({"other": "CD", "state": "confirmed"}, GIVEN), ("held", None, set())),
}
DEEDS = ["confirm", "correct", "reopen", *sorted(OTHERS), "look", "give_back"]

ASK = """
async ([facts, number, deeds]) => {
  const { VerdictMachine } = await import("/page/modules/verdict_machine.js");
  const machine = new VerdictMachine(() => facts, () => {});
  const lacks = Object.fromEntries(deeds.map((deed) => [deed, machine.lack(deed, number)]));
  return { state: machine.state, main: machine.main, lacks };
}
"""

BACK = "back to the facts"
TRANSITIONS = {
    "opened": {"ask": "asking", "send": "saving", "look": "looking"},
    "changed": {"ask": "asking", "send": "saving", "look": "looking"},
    "reading": {"ask": "asking", "send": "saving"},
    "settled": {"ask": "asking", "send": "saving"},
    "held": {},
    "asking": {"answered": BACK, "send": "saving"},
    "looking": {"answered": BACK},
    "saving": {"saved": BACK, "refused": BACK, "overtaken": "conflict"},
    "conflict": {"theirs": BACK, "back": BACK, "mine": "saving"},
}
EVENTS = ["ask", "look", "answered", "send", "saved", "refused", "overtaken", "theirs", "mine", "back"]

GO = """
async ([facts, doing, events]) => {
  const { VerdictMachine } = await import("/page/modules/verdict_machine.js");
  const told = [];
  return events.map((event) => {
    const machine = new VerdictMachine(() => facts, () => told.push(event));
    machine.doing = doing;
    const before = machine.state;
    try {
      machine.go(event);
    } catch (error) {
      return [before, event, "impossible", machine.state === before, told.includes(event)];
    }
    return [before, event, machine.state, machine.doing === null, told.includes(event)];
  });
}
"""


@pytest.fixture(scope="module")
def page(chromium):
    """The page's files alone, without a run."""
    from pathlib import Path

    import raysplay.infer.review.server as server
    from raysplay.infer.review.in_language import page_words

    tab = chromium.new_page()

    def served(route):
        path = route.request.url.split("/page/", 1)[-1]
        if "/page/" not in route.request.url:
            route.fulfill(body='<!doctype html><html lang="en"><title>Table</title>', content_type="text/html")
        elif path == "words/en.json":
            route.fulfill(json=page_words("en"))
        else:
            route.fulfill(body=(Path(server.PAGE) / path).read_text("utf-8"), content_type="text/javascript")

    tab.route("**/*", served)
    tab.goto("http://table.invalid/")
    yield tab
    tab.close()


@pytest.mark.parametrize("situation", SITUATIONS)
def test_what_may_be_done(page, situation):
    (facts, number), (state, main, may) = SITUATIONS[situation]
    found = page.evaluate(ASK, [{**OPENED, **facts}, number, DEEDS])
    assert (found["state"], found["main"]) == (state, main)
    assert {deed for deed, lack in found["lacks"].items() if not lack} == may


@pytest.mark.parametrize("state", TRANSITIONS)
def test_every_transition_and_every_impossible_one(page, state):
    facts = {
        "changed": {"corrected": True},
        "reading": {"blind": True},
        "settled": {"state": "confirmed"},
        "held": {"other": "CD"},
    }.get(state, {})
    doing = state if state in ("asking", "looking", "saving", "conflict") else None
    for before, event, after, settled, told in page.evaluate(GO, [{**OPENED, **facts}, doing, EVENTS]):
        wanted = TRANSITIONS[state].get(event, "impossible")
        assert before == state
        assert after == ("opened" if wanted == BACK else wanted), (state, event)
        # What is impossible changes nothing and tells nobody.
        assert told == (wanted != "impossible"), (state, event)
        assert settled == (wanted in (BACK, "impossible")), (state, event)


@pytest.mark.parametrize("doing", ["asking", "looking", "saving", "conflict"])
def test_while_something_goes_on_nothing_else_begins(page, doing):
    code = """
    async ([facts, doing, deeds]) => {
      const { VerdictMachine } = await import("/page/modules/verdict_machine.js");
      const machine = new VerdictMachine(() => facts, () => {});
      machine.doing = doing;
      return deeds.filter((deed) => machine.may(deed, { held: { acceptable: true }, accepted: null }));
    }
    """
    assert page.evaluate(code, [OPENED, doing, DEEDS]) == []


def test_another_reader_who_comes_while_a_question_is_open_ends_it(page):
    code = """
    async (facts) => {
      const { VerdictMachine } = await import("/page/modules/verdict_machine.js");
      const machine = new VerdictMachine(() => facts, () => {});
      machine.go("ask");
      const before = [machine.stillMay("confirm"), machine.enabled("confirm"), machine.may("confirm")];
      facts.other = "CD";
      const after = [machine.stillMay("confirm"), machine.enabled("confirm"), machine.may("confirm")];
      machine.go("answered");
      return [before, after, machine.state, machine.lack("edit")];
    }
    """
    before, after, state, lack = page.evaluate(code, OPENED)
    assert before == [True, True, False]  # behind the question the button looks as it did, and does nothing
    assert after == [False, False, False]
    assert (state, lack) == ("held", "CD is working on this foot. You can look, but not change it.")


def test_what_lacks_is_said(page):
    found = page.evaluate(ASK, [{**OPENED, "blind": True, "unplaced": 2}, GIVEN, DEEDS])["lacks"]
    assert found["correct"] == "2 points still to place"
    found = page.evaluate(ASK, [{**OPENED, "corrected": True, "sideless": True}, GIVEN, DEEDS])["lacks"]
    assert found["correct"] == "no side stated yet"
    found = page.evaluate(ASK, [{**OPENED, "state": "confirmed"}, GIVEN, DEEDS])["lacks"]
    assert found["edit"] == "Reopen the foot to change it."


# --- the page follows it ------------------------------------------------------------------------------------------


def test_what_is_moved_while_it_is_saved_does_not_pass_as_saved(harbour_page):
    """A point that was dragged on after the read was sent lay, for the page, where the server had it."""
    reader = harbour_page.reader.open("spring/cook.dcm").stay()
    page, mouse = reader.page, reader.page.mouse
    waiting = []
    page.route("**/reads", lambda route: waiting.append(route))
    x, y = reader.place("M1d_med")
    mouse.move(x, y)
    mouse.down()
    mouse.move(x - 20, y, steps=4)
    page.keyboard.press("Enter")
    expect(page.locator("#confirm")).to_contain_text("Saving…")
    for _ in range(100):
        if waiting:
            break
        page.wait_for_timeout(20)
    sent = {one["code"]: one for one in waiting[0].request.post_data_json["points"]}["M1d_med"]
    mouse.move(x - 60, y, steps=4)
    mouse.up()
    waiting[0].continue_()
    reader.wait_for_state("corrected")
    assert reader.film_place() == pytest.approx((sent["x"], sent["y"]), abs=0.006)


def test_no_note_is_taken_while_a_read_is_saved(harbour_page):
    """What was typed after the read was sent was in no read, and the page took it for saved."""
    reader = harbour_page.reader.open("spring/cook.dcm").stay()
    page = reader.page
    waiting = []
    page.route("**/reads", lambda route: waiting.append(route))
    page.keyboard.press("Enter")
    expect(page.locator("#confirm")).to_contain_text("Saving…")
    expect(page.locator("#note")).not_to_be_editable()
    waiting[0].continue_()
    reader.wait_for_state("confirmed")


def test_enter_twice_is_one_read(harbour_page):
    reader = harbour_page.reader.open("spring/cook.dcm").stay()
    page = reader.page
    sent = []
    page.on("request", lambda one: sent.append(one.url) if re.search(r"/reads$", one.url) else None)
    for _ in range(3):
        page.keyboard.press("Enter")
    reader.wait_for_state("confirmed")
    page.wait_for_timeout(200)
    assert len(sent) == 1
    assert reader.call("/api/feet/1")["version"] == 1


def test_after_a_question_the_focus_is_where_it_was(harbour_page):
    """WCAG 2.2, 2.4.3: back from a question, the keyboard goes on from the button that asked it."""
    reader = harbour_page.reader.open("spring/cook.dcm").stay()
    page = reader.page
    button = page.get_by_role("button", name="Wrong view…")
    button.focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("dialog")).to_be_visible()
    page.keyboard.press("Escape")
    expect(button).to_be_focused()
    expect(button).to_be_enabled()


def test_the_side_of_a_settled_file_is_not_changed(harbour_page):
    """It stood beside a read that was settled without it, and could be saved by nothing."""
    page = harbour_page.reader.page
    page.get_by_role("button", name="Files without a foot (1)").click()
    page.locator("tbody tr th a").first.click()
    harbour_page.reader.wait_for_film().stay()
    side = page.get_by_label("Side of the foot")
    expect(side).to_be_enabled()
    page.keyboard.press("Enter")
    harbour_page.reader.wait_for_state("confirmed")
    expect(side).to_be_disabled()
