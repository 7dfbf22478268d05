"""Connections that keep the server waiting: bounded in number and time, and the page is answered meanwhile.

Sources: OWASP, denial of service (slow heads, slow bodies, slow readers); RFC 9112, 9.5 (idle connections may be
closed); getrlimit(2): a process may have 1024 files open by default.
"""

import contextlib
import http.client
import socket
import statistics
import subprocess
import sys
import time
from pathlib import Path

import pytest

from raysplay.infer.review.connections import IDLE
from raysplay.infer.review.settings import review_settings

pytestmark = pytest.mark.usefixtures("no_films_ahead")

FLOOD = Path(__file__).with_name("flood.py")
MANY = 1200
"""More than the files a process may open by default; `python tests/infer/review/flood.py` takes any number."""


def connect(server):
    return socket.create_connection(("127.0.0.1", server.server.port), timeout=30)


def head(server, key="", method="GET", path="/api/session", length=0):
    base = f"127.0.0.1:{server.server.port}"
    return (
        f"{method} {path} HTTP/1.1\r\nHost: {base}\r\nOrigin: http://{base}\r\nContent-Length: {length}\r\n"
        f"Content-Type: application/json\r\nAuthorization: {key}\r\n\r\n"
    ).encode()


def status(wire):
    """Status of the next answer, taken whole."""
    answer = http.client.HTTPResponse(wire)
    answer.begin()
    answer.read()
    return answer.status


def is_closed(wire):
    """Whether the server closes the connection; raises TimeoutError where it is kept for good."""
    wire.settimeout(120)
    with contextlib.suppress(ConnectionError):
        while wire.recv(65536):
            pass
    return True


PATIENT = {"head_seconds": 900.0, "body_seconds": 900.0, "idle_seconds": 900.0}
"""Limits of time that no test reaches: what is closed then was closed for another reason."""


@pytest.mark.parametrize("sent", [b"", b"GET / HTTP/1.1\r\nHost: 127", b"\r\n"])
def test_a_head_that_does_not_end_is_not_waited_for(serve, harbour, sent):
    server = serve(harbour, connections={"head_seconds": 0.5})
    with connect(server) as wire:
        wire.sendall(sent)
        assert is_closed(wire)


def test_a_byte_now_and_then_does_not_keep_a_head_going(serve, harbour):
    server = serve(harbour, connections={"head_seconds": 1.0})
    with connect(server) as wire, pytest.raises(ConnectionError):
        trickle(wire, head(server) * 10)


def trickle(wire, data):
    for byte in data:
        wire.sendall(bytes([byte]))
        time.sleep(0.1)


@pytest.mark.parametrize("known", [True, False])
def test_a_body_that_does_not_end_is_not_waited_for(serve, harbour, known, capfd):
    server = serve(harbour, connections={"body_seconds": 0.5})
    key = server.browser("AB").headers["Authorization"] if known else ""
    with connect(server) as wire:
        wire.sendall(head(server, key, "POST", "/api/measure", 100) + b'{"id": 1')
        assert is_closed(wire)
    assert server.browser("AB").get("/api/progress").status_code == 200
    assert capfd.readouterr() == ("", "")


def test_an_idle_connection_is_closed(serve, harbour):
    server = serve(harbour, connections={"idle_seconds": 0.5})
    key = server.browser("AB").headers["Authorization"]
    with connect(server) as wire:
        wire.sendall(head(server, key))
        assert status(wire) == 200
        assert is_closed(wire)


def test_each_request_puts_off_the_end_of_its_connection(serve, harbour, wait_until):
    server = serve(harbour, connections=PATIENT)
    key = server.browser("AB").headers["Authorization"]
    ends = []
    with connect(server) as wire:
        for _ in range(4):
            wire.sendall(head(server, key))
            assert status(wire) == 200
            port = wire.getsockname()[1]
            (one,) = (one for one in server.server.connections._open if one.client[1] == port)
            wait_until(lambda one=one: one.waiting == IDLE and one._timer is not None)
            ends.append(one._timer.when())
    assert ends == sorted(set(ends))


def test_an_answer_that_nobody_takes_is_not_kept(serve, make_run, wait_until):
    """Films of 24 MB, asked for over and over and never read."""
    run = make_run({"spring/cook.dcm": [("R", "accepted", [])]}, rows=4000, columns=3000)
    server = serve(run, connections={"answer_seconds": 0.5, "idle_seconds": 0.5})
    key = server.browser("AB").headers["Authorization"]
    with connect(server) as wire:
        wire.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        wire.sendall(head(server, key, path="/api/films/1/pixels"))
        wait_until(lambda: not len(server.server.connections))


def test_there_are_never_more_connections_than_allowed(serve, harbour, wait_until):
    """One more takes the place of the one that was waited for longest; a request that is whole is answered."""
    server = serve(harbour, connections=PATIENT | {"most": 20})
    browser = server.browser("AB")
    with contextlib.ExitStack() as stack:
        wires = [stack.enter_context(connect(server)) for _ in range(100)]
        wait_until(lambda: 0 < len(server.server.connections) <= 20)
        assert browser.get("/api/feet").status_code == 200
        assert browser.get("/api/feet").status_code == 200
        assert is_closed(wires[0])
        assert len(server.server.connections) <= 20
        wires[-1].sendall(head(server, browser.headers["Authorization"]))
        assert status(wires[-1]) == 200


def test_a_known_browser_between_two_requests_goes_last(serve, harbour):
    server = serve(harbour, connections=PATIENT | {"most": 10})
    key = server.browser("AB").headers["Authorization"]
    with contextlib.ExitStack() as stack:
        kept = stack.enter_context(connect(server))
        kept.sendall(head(server, key))
        assert status(kept) == 200
        strangers = [stack.enter_context(connect(server)) for _ in range(40)]
        assert all(is_closed(wire) for wire in strangers[:30])
        kept.sendall(head(server, key))
        assert status(kept) == 200


@pytest.mark.parametrize("kind", ["idle", "head", "body"])
def test_the_page_is_answered_while_many_keep_the_server_waiting(serve, harbour, capfd, kind):
    """Before there were limits, the server span on "too many open files" and answered nobody. The figures are
    printed, not tested: machines of tests are shared."""
    server = serve(harbour)
    key = server.browser("AB").headers["Authorization"]
    flood = subprocess.Popen(
        [sys.executable, FLOOD, str(server.server.port), kind, str(MANY)], stdout=subprocess.PIPE, text=True
    )
    try:
        assert flood.stdout.readline() == "ready\n"
        times = []
        for _ in range(40):
            started = time.perf_counter()
            page = http.client.HTTPConnection("127.0.0.1", server.server.port, timeout=120)
            page.request("GET", "/api/feet", headers={"Authorization": key})
            assert page.getresponse().status == 200
            page.close()
            times.append(time.perf_counter() - started)
            assert len(server.server.connections) <= review_settings().connections.most
    finally:
        flood.kill()
        flood.communicate()
    out, err = capfd.readouterr()
    assert (out, err) == ("", "")
    with capfd.disabled():
        print(
            f"\n{MANY} connections ({kind}): page in {1000 * statistics.median(times):.0f} ms, "
            f"at worst {1000 * max(times):.0f} ms"
        )
