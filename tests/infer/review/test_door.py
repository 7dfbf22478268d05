"""Who is let in. Sources: OWASP cheat sheets (session management, cross-site request forgery, HTTP headers, input
validation), RFC 6265 (8.5, 8.6: why no cookie), RFC 6750 (the header), RFC 9110 (statuses)."""

import hmac
import json
import os
import re
import socket
import stat
import subprocess
import sys
import tempfile
from pathlib import Path
from urllib.parse import urlsplit
from urllib.request import url2pathname

import httpx
import pytest

from raysplay.infer.review import guard
from raysplay.infer.review.leading_page import leading_page


def answer(server, request):
    """Raw bytes over the wire, so that no client tidies the path; status and everything that came back."""
    with socket.create_connection(("127.0.0.1", server.server.port), timeout=20) as wire:
        wire.sendall(request)
        wire.settimeout(20)
        received = b""
        while chunk := wire.recv(65536):
            received += chunk
    return int(received.split()[1]), received


@pytest.fixture
def server(serve, harbour):
    return serve(harbour)


def test_the_token_lets_in_one_browser_and_is_spent(server):
    """OWASP, session management: identifiers are random, never reused; a token in an address works once."""
    token = server.door.token
    assert len(token) >= 43  # 256 bits in base64
    assert server.browser().get("/api/session").status_code == 200
    late = server.stranger()
    assert late.get("/start", params={"token": token}).status_code == 403
    assert late.get("/api/session").status_code == 401
    assert server.invitations == [server.door.token]
    assert token not in server.invitations
    assert server.browser().get("/api/session").status_code == 200


@pytest.mark.parametrize("token", ["", "a", "é", "x" * 5000])
def test_another_token_does_not(server, token):
    stranger = server.stranger()
    assert stranger.get("/start", params={"token": token}).status_code in (400, 403)
    assert stranger.get("/api/session").status_code == 401


def test_no_cookie_is_set(server):
    """RFC 6265, 8.5: a cookie goes to every port of a machine; one that is set by another port is taken here (8.6)."""
    browser = server.browser()
    answers = [server.stranger().get("/start", params={"token": server.door.token})]
    answers += [browser.get(path) for path in ("/", "/api/session", "/page/styles.css")]
    assert [answer.headers.get_list("set-cookie") for answer in answers] == [[]] * 4


def test_the_key_is_in_the_answer_alone(server):
    """Not in an address, which browsers keep in their history and send on."""
    answer = server.stranger().get("/start", params={"token": server.door.token}, follow_redirects=False)
    assert answer.status_code == 200
    assert "location" not in answer.headers
    assert answer.headers["cache-control"] == "no-store"
    assert 'name="session-key" content="' in answer.text


def test_the_key_of_one_server_opens_no_other(serve, harbour):
    """Two reviews on one machine, each with keys of its own."""
    first, second = serve(harbour), serve(harbour)
    key = first.browser("AB").headers["Authorization"]
    assert second.stranger(Authorization=key).get("/api/feet").status_code == 401
    assert first.stranger(Authorization=key).get("/api/feet").status_code == 200


@pytest.mark.parametrize("given", ["", "Bearer", "Basic {key}", "{key}", "Bearer {key}x", "Bearer {key} x"])
def test_another_form_of_the_key_is_none(server, given):
    """RFC 6750, 2.1: the scheme, one space, the key."""
    key = server.browser().headers["Authorization"].removeprefix("Bearer ")
    assert server.stranger(Authorization=given.format(key=key)).get("/api/session").status_code == 401


def test_a_link_on_another_page_opens_the_review_too(server):
    """Fetch Metadata: the leading page on disk, and a link in a terminal, are of another site."""
    browser = server.stranger()
    answer = browser.get("/start", params={"token": server.door.token}, headers={"Sec-Fetch-Site": "cross-site"})
    assert answer.status_code == 200
    assert 'src="/page/modules/entrance.js"' in answer.text


def test_secrets_are_compared_in_constant_time(server, monkeypatch):
    """Python's documentation of hmac.compare_digest: the comparison for secrets."""
    compared, compare = [], hmac.compare_digest

    def spy(a, b):
        compared.append((a, b))
        return compare(a, b)

    browser = server.browser()
    monkeypatch.setattr(guard.hmac, "compare_digest", spy)
    browser.get("/api/progress")
    assert any(a == b for a, b in compared)
    key = browser.headers["Authorization"].removeprefix("Bearer ").encode()
    assert (key, key) in compared
    compared.clear()
    server.stranger().get("/start", params={"token": "wrong"})
    assert (b"wrong", server.door.token.encode()) in compared


@pytest.mark.parametrize("path", ["/api/session", "/api/films/1/pixels", "/api/feet", "/api/feet/1", "/api/nothing"])
def test_nothing_is_shown_without_a_session(server, path):
    server.browser("AB")
    for stranger in (server.stranger(), server.stranger(Authorization="Bearer forged"), server.stranger(Cookie="a=b")):
        assert stranger.get(path).status_code == 401


def test_the_pages_own_files_hold_nothing_of_the_run(server):
    """They are the same for everybody, so anybody may have them."""
    stranger = server.stranger()
    for path in ("/", "/page/modules/main.js", "/page/styles.css"):
        answer = stranger.get(path)
        assert answer.status_code == 200
        for word in ("cook", "harbour", str(server.server.port), server.door.token):
            assert word not in answer.text


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:80", "127.0.0.1", "[::1]:{port}", "127.0.0.1.nip.io:{port}"]
)
def test_a_name_bent_to_this_address_is_refused(server, host):
    """DNS rebinding: the check of Host, as in OWASP's page on forged requests."""
    browser = server.browser()
    host = host.format(port=server.server.port)
    assert browser.get("/api/session", headers={"Host": host}).status_code == 403
    assert (
        server.stranger().get("/start", params={"token": server.door.token}, headers={"Host": host}).status_code == 403
    )


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://127.0.0.1:{port}", "http://127.0.0.1:1"])
def test_a_foreign_origin_is_refused(server, origin):
    """OWASP, cross-site request forgery: verify Origin; "null" is no origin of ours."""
    browser = server.browser("AB")
    headers = {"Origin": origin.format(port=server.server.port)}
    for method in ("GET", "POST", "DELETE"):
        assert browser.request(method, "/api/feet/1/claim", headers=headers).status_code == 403
    assert {row["claimed_by"] for row in browser.get("/api/feet").json()["feet"]} == {None}


def test_a_change_must_say_where_it_comes_from(server):
    """OWASP: block a state-changing request that carries no Origin."""
    browser = server.browser("AB")
    del browser.headers["Origin"]
    assert browser.post("/api/feet/1/claim").status_code == 403
    assert browser.get("/api/session").status_code == 200


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_fetch_metadata_of_another_site_is_refused(server, site):
    """W3C Fetch Metadata; another port of this machine is same-site, and not ours."""
    assert server.browser().get("/api/feet", headers={"Sec-Fetch-Site": site}).status_code == 403
    assert server.browser().get("/api/feet", headers={"Sec-Fetch-Site": "same-origin"}).status_code == 200


def test_every_answer_forbids_keeping_framing_and_foreign_content(server):
    """OWASP HTTP headers; CSP level 3: default-src 'self' keeps every fetch on this server."""
    browser = server.browser()
    answers = [browser.get(path) for path in ("/", "/api/session", "/api/nothing", "/api/films/1/pixels")]
    answers += [server.stranger().get("/api/session"), browser.post("/api/measure", content="{")]
    for one in answers:
        assert one.headers["cache-control"] == "no-store"
        assert one.headers["x-content-type-options"] == "nosniff"
        assert one.headers["referrer-policy"] == "no-referrer"
        policy = one.headers["content-security-policy"]
        assert policy.startswith("default-src 'self';")
        assert "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy
        assert "http" not in policy


@pytest.mark.parametrize(
    "path",
    [
        "/../run.json",
        "/page/../../run.py",
        "/page/..%2f..%2frun.py",
        "/page/%2e%2e/run.py",
        "/page/....//run.py",
        "/page//etc/passwd",
        "/page/..\\run.py",
        "/page/%5c..%5crun.py",
        "/page/%00",
        "/api/films/../../etc/passwd/pixels",
        "/api/films/..%2f1/pixels",
        "/api/films/-1/pixels",
        "/api/films/1e3/pixels",
        "/api/films/999999999999999999999999/pixels",
        "/api/feet/0",
        "/api/feet/%00",
        "//etc/passwd",
    ],
)
def test_no_path_leads_out(server, path):
    """OWASP, path traversal: dots, encodings, backslashes, null bytes."""
    key = server.browser().headers["Authorization"]
    head = f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{server.server.port}\r\nAuthorization: {key}\r\n"
    status, received = answer(server, head.encode() + b"Connection: close\r\n\r\n")
    assert 400 <= status < 500
    assert b"root:" not in received
    assert b"def " not in received


@pytest.mark.parametrize(
    ("path", "body", "status"),
    [
        ("/api/measure", "{", 400),
        ("/api/measure", "", 422),
        ("/api/measure", "[]", 422),
        ("/api/measure", '{"id": 1, "other": 2}', 422),
        ("/api/measure", '{"id": "1; DROP TABLE history"}', 422),
        ("/api/measure", '{"id": 1, "points": [{"code": "nose", "x": 1, "y": 1}]}', 422),
        ("/api/measure", '{"id": 1, "points": [{"code": "M1_tip", "x": NaN, "y": 1, "moved": true}]}', 422),
        ("/api/measure", '{"id": 1, "points": [{"code": "M1_tip", "x": 1e999, "y": 1, "moved": true}]}', 422),
        ("/api/measure", '{"id": 1, "points": [{"code": "M1_tip", "x": 99999, "y": 1, "moved": true}]}', 422),
        ("/api/measure", '{"id": 1, "points": [{"code": "M1_tip", "x": null, "y": 1, "moved": true}]}', 422),
        ("/api/measure", '{"id": 1, "construction": "tangent"}', 422),
        ("/api/measure", '{"id": 1, "grading": "none"}', 422),
        ("/api/measure", '{"id": 99}', 404),
        ("/api/reader", '{"initials": "=1+1"}', 422),
        ("/api/reader", '{"initials": ""}', 422),
        ("/api/feet/1/reads", '{"version": 0, "verdict": "erase"}', 422),
        ("/api/feet/1/reads", '{"version": -1, "verdict": "confirm"}', 422),
        ("/api/feet/1/reads", "[" * 100_000, 400),
        ("/api/nothing", "{}", 404),
    ],
)
def test_a_malformed_request_is_one_sentence_and_changes_nothing(server, path, body, status):
    """OWASP, input validation: allow-lists, and nothing of the input or the machine in the answer."""
    browser = server.browser("AB")
    answer = browser.post(path, content=body, headers={"Content-Type": "application/json"})
    assert answer.status_code == status
    sentence = answer.json()["error"]
    assert sentence
    assert "Traceback" not in answer.text
    assert "/" not in sentence.replace("/api", "")
    assert "DROP" not in sentence
    # In words for a reader: none of the checking library.
    assert not re.search(r"input should|field required|valid|traceback", sentence.lower()), sentence
    assert browser.get("/api/progress").json()["done"] == 0


@pytest.mark.parametrize(
    ("path", "body", "said"),
    [
        ("/api/reader", {"initials": "a b"}, "Type them again"),
        ("/api/feet/1/reads", {"version": 0, "verdict": "confirm", "note": "x" * 2001}, "Shorten it"),
        ("/api/feet/1/reads", {"version": 0, "verdict": "erase"}, "load the page again"),
        ("/api/nothing/at/all", {}, ""),
    ],
)
def test_a_refusal_says_what_to_do(server, path, body, said):
    answer = server.browser("AB").post(path, json=body)
    assert answer.status_code in (404, 422)
    assert said in answer.json()["error"]


def test_a_fault_of_the_server_tells_nothing_of_what_was_raised(server, monkeypatch):
    def fail(*_):
        raise KeyError("secret_name")

    browser = server.browser("AB")
    monkeypatch.setattr("raysplay.infer.review.desk.Desk.session", fail)
    answer = browser.get("/api/session")
    assert answer.status_code == 500
    assert "see in another tab what was saved" in answer.json()["error"]
    assert "secret" not in answer.text


def test_a_body_beyond_the_limit_is_refused(server):
    """RFC 9110, 15.5.14; announced or not."""
    browser = server.browser("AB")
    big = json.dumps({"version": 0, "verdict": "confirm", "note": "x" * 300_000}).encode()
    assert browser.post("/api/feet/1/reads", content=big).status_code == 413

    def pieces():
        for start in range(0, len(big), 5000):
            yield big[start : start + 5000]

    assert browser.post("/api/feet/1/reads", content=pieces()).status_code == 413
    assert browser.get("/api/progress").json()["done"] == 0


def test_the_server_listens_on_this_machine_alone(server):
    assert server.server._socket.getsockname()[0] == "127.0.0.1"


def test_nothing_of_films_or_people_reaches_the_log(server, capfd):
    """The project's own rule: no patient text in addresses or logs."""
    browser = server.browser("AB")
    browser.get("/api/feet", params={"text": "cook"})
    browser.get("/api/films/1/pixels")
    browser.get("/api/films/99/pixels")
    browser.post("/api/measure", content="{")
    browser.post("/api/feet/1/reads", json={"version": 0, "verdict": "confirm", "note": "Invented"})
    assert capfd.readouterr() == ("", "")


def test_the_one_time_address_is_on_no_command_line(harbour, tmp_path, let_in, wait_until):
    """proc(5): everybody may read the arguments of everybody's processes. The browser is given a file instead."""
    given, started = tmp_path / "given", tmp_path / "browser"
    started.write_text(f'#!/bin/sh\nprintf "%s\\n" "$@" > {given}.part\nmv {given}.part {given}\n')
    started.chmod(0o755)
    command = [sys.executable, "-c", "from raysplay.train.cli import main; main()", "review", str(harbour)]
    environment = {**os.environ, "COLUMNS": "300", "BROWSER": f"{started} %s"}
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment)
    try:
        address = next(line for line in process.stdout if "/start?token=" in line).split()[-1]
        token = address.split("token=")[1]
        wait_until(given.exists)
        (link,) = given.read_text().splitlines()
        leading = Path(url2pathname(urlsplit(link).path))
        assert stat.S_IMODE(leading.stat().st_mode) == 0o600
        assert address in leading.read_text()
        lines = [read_or_nothing(one / "cmdline") for one in Path("/proc").glob("[0-9]*")]
        assert any(str(harbour).encode() in line for line in lines), "the search finds what is there"
        assert not any(token.encode() in line for line in lines)
        base = address.split("/start")[0]
        browser = httpx.Client(base_url=base, headers={"Origin": base}, timeout=60)
        let_in(browser, browser.get(address))
        assert browser.get("/api/session").status_code == 200
        wait_until(lambda: not leading.exists())
    finally:
        process.kill()
        process.communicate()


def read_or_nothing(path):
    try:
        return path.read_bytes()
    except OSError:  # it ended meanwhile
        return b""


def test_the_leading_page_is_its_owners_and_goes_with_the_review(tmp_path):
    before = os.umask(0)
    try:
        with leading_page("http://127.0.0.1:1/start?token=a&b", tmp_path) as page:
            assert page.parent == tmp_path
            assert stat.S_IMODE(page.stat().st_mode) == 0o600
            assert 'url=http://127.0.0.1:1/start?token=a&amp;b"' in page.read_text()
        assert not page.exists()
        with leading_page("http://127.0.0.1:1/start", tmp_path / "missing") as page:
            assert page.parent == Path(tempfile.gettempdir())
    finally:
        os.umask(before)


def test_help_does_not_wait_for_the_server():
    """Common practice, no source: a command that only prints its help loads no server."""
    code = (
        "import sys; import raysplay.train.cli; sys.exit(bool({'fastapi', 'sqlalchemy', 'torch'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_files_of_the_page_are_served_however_they_are_installed(server):
    """Editable installations link file by file (setuptools documentation, strict editable installs)."""
    browser = server.browser()
    assert browser.get("/page/modules/main.js").status_code == 200
    assert browser.get("/page/styles.css").status_code == 200
