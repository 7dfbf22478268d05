"""Several reviews in one browser, and another program's server on the machine (RFC 6265, 8.5; HTML, web storage)."""

import http.server
import shutil
import threading

import pytest


@pytest.fixture
def other_port():
    """A server of another program on 127.0.0.1, and the heads of all requests it was sent."""
    heads = []

    class Recorder(http.server.BaseHTTPRequestHandler):
        def do_GET(self):
            heads.append(f"{self.path}\n{self.headers}")
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.send_header("Set-Cookie", "raysplay_review=stolen; Path=/")
            self.end_headers()
            self.wfile.write(b"<script>document.title = JSON.stringify({...localStorage}) + document.cookie</script>")

        def log_message(self, *_):
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Recorder)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}/", heads
    server.shutdown()
    server.server_close()


def test_two_reviews_in_one_browser_and_a_stranger_between_them(serve, harbour, chromium, other_port, tmp_path):
    """Each stays signed in, a further tab too; the stranger is given nothing that opens either."""
    second_run = tmp_path / "second"
    shutil.copytree(harbour, second_run)
    servers = serve(harbour), serve(second_run)
    address, heads = other_port
    context = chromium.new_context()
    context.set_default_timeout(15_000)
    try:
        pages = []
        for server, initials in zip(servers, ("AB", "CD"), strict=True):
            page = context.new_page()
            page.goto(f"{server.base}/start?token={server.door.token}")
            page.fill("#initials", initials)
            page.keyboard.press("Enter")
            page.wait_for_selector("tr.current")
            pages.append(page)
        stranger = context.new_page()
        stranger.goto(address)
        assert stranger.title().startswith("{}"), "web storage of another port is not its"
        keys = [page.evaluate("Object.values(localStorage)")[0] for page in pages]
        assert len(set(keys)) == 2
        assert heads
        for key in keys:
            assert not any(key in head for head in heads)
            assert key not in stranger.title()
        for page, initials in zip(pages, ("AB", "CD"), strict=True):
            page.reload()
            page.wait_for_selector("tr.current")
            assert initials in page.locator("#reader").inner_text()
        further = context.new_page()
        further.goto(servers[0].base)
        further.wait_for_selector("tr.current")
        assert "AB" in further.locator("#reader").inner_text()
    finally:
        context.close()


def test_without_a_key_the_page_says_how_to_get_in(serve, harbour, chromium):
    server = serve(harbour)
    context = chromium.new_context()
    try:
        page = context.new_page()
        page.goto(server.base)
        page.get_by_text("Open the address that the command printed").wait_for(timeout=15_000)
    finally:
        context.close()


def test_the_leading_page_on_disk_lets_in(serve, harbour, chromium, tmp_path):
    """As the command opens it: from a file, which is another site for the server."""
    from raysplay.infer.review.leading_page import leading_page

    server = serve(harbour)
    context = chromium.new_context()
    try:
        page = context.new_page()
        with leading_page(server.server.address(server.door.token), tmp_path) as file:
            page.goto(file.as_uri())
            page.wait_for_url(f"{server.base}/", timeout=15_000)
            page.wait_for_selector("#initials", timeout=15_000)
    finally:
        context.close()


def test_a_page_of_one_reader_saves_nothing_for_another_who_came_since(harbour_page):
    """Both are pages of one browser, whose key is the later reader's: whose read was it?"""
    first = harbour_page.reader.open("spring/cook.dcm").stay()
    page, served = first.page, harbour_page.served
    second = page.context.new_page()
    second.goto(f"{served.base}/start?token={served.door.token}")
    second.fill("#initials", "CD")
    second.keyboard.press("Enter")
    second.wait_for_selector("tr.current")
    page.keyboard.press("Enter")
    dialog = page.get_by_role("dialog")
    dialog.get_by_text("This page was opened for another reader: CD reads in this browser now").wait_for(timeout=15_000)
    second.goto(f"{served.base}/#/foot/1")
    second.wait_for_selector(".film-page[data-film=visible]")
    assert second.locator(".film-page").get_attribute("data-state") == "open"
    assert second.locator(".history li").count() == 0
