"""A foot whose film was measured again: what the page shows of the read before (the project's own order of work)."""

import shutil

from raysplay.infer.review.carry_over import CarriedOver, take_over


def test_an_earlier_read_is_seen_and_said_not_to_stand(serve, harbour, enter, open_desk, measure_again, tmp_path):
    folder = tmp_path / "measured"
    shutil.copytree(harbour, folder)
    first = serve(folder)
    page = first.browser("AB")
    for number in (1, 4):
        assert page.post(f"/api/feet/{number}/reads", json={"version": 0, "verdict": "confirm"}).status_code == 200
    first.stop()
    again = tmp_path / "again"
    shutil.copytree(folder, again)
    measure_again(again, shift={"spring/cook.dcm": 3.0})
    assert take_over(open_desk(again)) == CarriedOver(stand=1, open_again=1)
    reader = enter(serve(again), "CD")
    for film, side, said in (
        ("spring/cook.dcm", "Right", "Does not stand: read on an earlier run"),
        ("spring/pilot.dcm", "Left", "whose points were the same"),
    ):
        reader.open(film, side)
        panel = reader.page.locator(".history-panel")
        panel.locator("summary").click()
        text = panel.inner_text()
        assert "by AB" in text
        assert said in text
        assert reader.state() == ("open" if side == "Right" else "confirmed")
        reader.page.goto(reader.page.url.split("#")[0] + "#/feet")
        reader.page.wait_for_selector("tr.current")
