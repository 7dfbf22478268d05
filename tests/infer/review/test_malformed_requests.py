"""3,600 malformed requests, drawn from a seed: none is a failure of the program, none changes anything.

Sources: RFC 9110 and 9112 (methods, fields, framing, chunks), RFC 8259 (JSON; lone surrogates, 8.2; numbers, 6), RFC
3986 (percent-encoding), RFC 3629 (UTF-8); OWASP on request smuggling. The rule is the project's: an error is one of its
sentences, the server goes on, and the store holds what it held.
"""

import contextlib
import http.client
import json
import random
import socket
import sqlite3
import string
from concurrent.futures import ThreadPoolExecutor

import pytest

from raysplay.infer.outputs.run_files import STORE

pytestmark = pytest.mark.usefixtures("no_films_ahead")

SEED, REQUESTS = 20261125, 3600
LIBRARIES = (
    "Traceback",
    "Input should",
    "Field required",
    "Extra inputs",
    "Not Found",
    "Method Not Allowed",
    "pydantic",
)
LIBRARIES += (
    "starlette",
    "fastapi",
    "uvicorn",
    "h11",
    "Internal Server Error",
    "Invalid HTTP",
    "Value error",
    'File "',
)

PATHS = (
    "/",
    "/start",
    "/api/session",
    "/api/feet",
    "/api/feet/1",
    "/api/feet/1/next",
    "/api/feet/1/history",
    "/api/feet/1/others",
    "/api/films/1/pixels",
    "/api/progress",
    "/page/modules/main.js",
    "/api/nothing",
)
BODIES = ("/api/reader", "/api/measure", "/api/feet/1/reads", "/api/feet/6/reads")
READ = {
    "version": 0,
    "verdict": "confirm",
    "reason": "",
    "note": "",
    "side": "R",
    "construction": "shaft",
    "points": [],
}
POINT = {"code": "M1_tip", "x": 100.0, "y": 100.0, "visible": True, "moved": True}
SENT = {"/api/reader": {"initials": "AB"}, "/api/measure": {"id": 1, "points": [POINT], "grading": "viladot"}}


class Draw:
    """Requests as bytes, as they go over the wire."""

    def __init__(self, seed, port, key):
        self.r = random.Random(seed)
        self.port, self.key = port, key

    def request(self):
        kind = self.r.choice((self.method, self.path, self.query, self.field, self.framing, self.not_json, self.shape))
        return kind.__name__, kind()

    def head(self, method, path, *fields, key=None, host=True, origin=True):
        base = f"127.0.0.1:{self.port}"
        lines = [f"{method} {path} HTTP/1.1"]
        lines += [f"Host: {base}"] if host else []
        lines += [f"Origin: http://{base}"] if origin else []
        lines += [f"Authorization: {self.key if key is None else key}", *fields]
        return "\r\n".join(lines).encode("utf-8", "surrogatepass") + b"\r\n"

    def sent(self, path, body, *fields, method="POST"):
        fields = fields or ("Content-Type: application/json",)
        return self.head(method, path, *fields, f"Content-Length: {len(body)}") + b"\r\n" + body

    def noise(self, longest):
        return self.r.randbytes(self.r.randrange(longest))

    def word(self, longest=30):
        alphabet = string.printable + "éß漢\u202e\ud800\x00"
        return "".join(self.r.choices(alphabet, k=self.r.randrange(longest)))

    def method(self):
        words = (
            "PUT",
            "PATCH",
            "TRACE",
            "OPTIONS",
            "CONNECT",
            "get",
            "G T",
            "",
            "PROPFIND",
            "X" * 400,
            "G\0T",
            "DELETE",
        )
        path = self.r.choice(("*", "http://evil.example/", *PATHS, *BODIES))
        return self.head(self.r.choice(words), path) + b"\r\n"

    def path(self):
        base = self.r.choice(PATHS + BODIES)
        parts = (
            "%00",
            "%ff",
            "%",
            "%2",
            "%zz",
            "..",
            "%2e%2e",
            "\\",
            "//",
            ";",
            "-1",
            "0",
            "9" * 400,
            "1e9",
            "٣",
            "\t",
            "#",
        )
        place = self.r.randrange(1, len(base) + 1)
        method = self.r.choice(("GET", "HEAD", "GET", "OPTIONS"))
        return self.head(method, base[:place] + self.r.choice(parts) + base[place:]) + b"\r\n"

    def query(self):
        names = (
            "sort",
            "descending",
            "state",
            "decision",
            "side",
            "reason",
            "text",
            "offset",
            "limit",
            "direction",
            "token",
        )
        values = (
            "",
            "-1",
            "9" * 60,
            "1e999",
            "NaN",
            "true",
            "[]",
            "{}",
            "%00",
            "%ff%fe",
            "%",
            "a" * 3000,
            "''--",
            "%F0%9F%92",
            "∞",
        )
        pairs = [f"{self.r.choice(names)}={self.r.choice(values)}" for _ in range(self.r.randint(1, 6))]
        return self.head("GET", f"{self.r.choice(PATHS)}?{'&'.join(pairs)}") + b"\r\n"

    def field(self):
        path = self.r.choice(PATHS[2:10])
        fields = (
            f"Host: {self.word()}",
            "Host: 127.0.0.1:1",
            f"Origin: {self.word()}",
            "Origin: null",
            f"Sec-Fetch-Site: {self.word(10)}",
            "Content-Length: -5",
            "Content-Length: 5\r\nContent-Length: 6",
            f"Content-Length: {'9' * self.r.randint(5, 60)}",
            "Content-Length: ²",
            "Transfer-Encoding: gzip",
            "Transfer-Encoding: chunked\r\nContent-Length: 3",
            "Expect: 200-maybe",
            "Upgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Key: x",
            "Upgrade: h2c\r\nConnection: Upgrade, HTTP2-Settings",
            f"X-Long: {'x' * self.r.choice((100, 8000, 20000, 70000))}",
            " folded: 1",
            "no colon",
            ": no name",
            "X-Bare: a\rb",
            "X-Null: a\0b",
            f"X-{'n' * 300}: 1",
            "\r\n".join(f"X-{i}: {i}" for i in range(400)),
            "Range: bytes=9-1,5-,-",
            f"Cookie: {self.word(200)}",
            "Accept-Encoding: " + "gzip, " * 500,
            "If-None-Match: *\r\nIf-Modified-Since: never",
        )
        wrong = ("", "Bearer", "Basic AAAA", "Bearer é", f"Bearer {'A' * 9000}", self.key + "A")
        key = self.r.choice(wrong) if self.r.random() < 0.3 else None
        host, origin = self.r.random() < 0.8, self.r.random() < 0.8
        return self.head("GET", path, self.r.choice(fields), key=key, host=host, origin=origin) + b"\r\n"

    def framing(self):
        whole = self.sent("/api/measure", b'{"id": 99}')
        chunked = (
            self.head("POST", "/api/measure", "Content-Type: application/json", "Transfer-Encoding: chunked") + b"\r\n"
        )
        return self.r.choice(
            (
                self.noise(3000),
                b"\r\n" * self.r.randrange(50) + self.noise(20),
                whole[: self.r.randrange(1, len(whole))],
                b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
                b"GET /\r\n\r\n",
                b"\x16\x03\x01\x02\x00\x01\x00" + self.noise(200),
                whole.replace(b"HTTP/1.1", self.r.choice((b"HTTP/9.9", b"HTTP/1.0", b"HTTP/x", b"http/1.1", b""))),
                whole.replace(b"\r\n", b"\n"),
                whole.replace(b": ", b" : "),
                chunked
                + self.r.choice(
                    (
                        b"zz\r\n",
                        b"-1\r\n\r\n",
                        b"fffffffffffffffff\r\nx",
                        b"5\r\nab",
                        b"2\r\n{}\r\n0\r\nX:",
                        b"0;" + b"a" * 9000,
                    )
                ),
                chunked + b"2\r\n[1\r\n1\r\n]\r\n0\r\n\r\n",
                whole + whole[:20] + self.noise(60),
            )
        )

    def not_json(self):
        deep = self.r.choice((50, 900, 5000, 60000))
        body = self.r.choice(
            (
                b"",
                self.noise(400),
                b"[" * deep,
                b'{"a":' * deep + b"1" + b"}" * deep,
                b'"\\ud800"',
                b'{"id": 1, "\\ud800": 2}',
                b'{"id": ' + b"9" * self.r.choice((30, 400, 5000, 90000)) + b"}",
                b'{"id": 1e999}',
                b'{"id": -Infinity}',
                b"\xef\xbb\xbf{}",
                '{"id": "x"}'.encode("utf-16"),
                b"\x1f\x8b\x08\x00" + self.noise(50),
                b'{"id": 1, "id": []}',
                b'{"note": "' + b"\xff" * 50 + b'"}',
                b"x" * self.r.choice((1000, 262144, 262145, 400000)),
                b"--x\r\nContent-Disposition: form-data; name=a\r\n\r\n1\r\n--x--",
                b"id=1&points=2",
                b"<!DOCTYPE a [<!ENTITY b SYSTEM 'file:///etc/passwd'>]><a>&b;</a>",
            )
        )
        kinds = (
            "application/json",
            "text/plain",
            "multipart/form-data; boundary=x",
            "application/x-www-form-urlencoded",
        )
        kinds += ("application/json; charset=utf-7", "", "image/png", "application/json;" + "a" * 500)
        return self.sent(
            self.r.choice(BODIES),
            body,
            f"Content-Type: {self.r.choice(kinds)}",
            method=self.r.choice(("POST", "PUT", "POST")),
        )

    def value(self, depth=0):
        plain = (
            None,
            True,
            -1,
            0,
            7,
            2**63,
            -(2**70),
            0.5,
            1e300,
            -1e-300,
            "",
            "confirm",
            "R",
            "\ud800",
            "=1+1",
            "x" * 5000,
            "\0",
        )
        if depth > 2 or self.r.random() < 0.7:
            return self.r.choice((*plain, self.word()))
        if self.r.random() < 0.5:
            return [self.value(depth + 1) for _ in range(self.r.randrange(4))]
        return {self.word(8): self.value(depth + 1) for _ in range(self.r.randrange(4))}

    def shape(self):
        """What a page sends, with one thing wrong at the least."""
        path = self.r.choice(BODIES)
        content = json.loads(json.dumps(SENT.get(path, READ)))
        for _ in range(self.r.randint(0, 2)):
            content[self.r.choice(list(content))] = self.value()
        wrong = self.r.randrange(5)
        if wrong == 0:
            content[self.word(12) + "?"] = self.value()
        elif wrong == 1:
            content = self.r.choice(([content], json.dumps(content), None, 3))
        elif wrong == 2:
            content["points"] = [
                {**POINT, self.r.choice(list(POINT)): self.r.choice(([], {}, "é", 1e300))}
            ] * self.r.randint(1, 3)
        elif wrong == 3:
            content["points"] = [POINT] * self.r.choice((2, 201))
        else:
            content["version" if "version" in content else "id" if "id" in content else "initials"] = self.r.choice(
                ([], "x y", -5, 10**9)
            )
        return self.sent(path, json.dumps(content).encode())


def asked(port, raw):
    """Status and body; None where nothing came back."""
    with socket.create_connection(("127.0.0.1", port), timeout=60) as wire:
        with contextlib.suppress(OSError):  # refused before it was whole
            wire.sendall(raw)
        answer = http.client.HTTPResponse(wire, method=raw.split(b" ", 1)[0].decode("latin-1"))
        try:
            answer.begin()
            return answer.status, dict(answer.getheaders()), answer.read()
        except (OSError, http.client.HTTPException):
            return None


def content(path):
    with sqlite3.connect(path) as raw:
        tables = [name for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")]
        return {name: raw.execute(f"SELECT * FROM {name}").fetchall() for name in tables}


def test_no_request_is_a_failure_of_the_program(serve, harbour, capfd, caplog):
    server = serve(harbour, connections={"head_seconds": 0.3, "body_seconds": 0.3})
    browser = server.browser("AB")
    assert browser.post("/api/feet/2/reads", json={"version": 0, "verdict": "confirm"}).status_code == 200
    before = content(harbour / STORE)
    draw = Draw(SEED, server.server.port, browser.headers["Authorization"])
    requests = [draw.request() for _ in range(REQUESTS)]
    with ThreadPoolExecutor(12) as pool:
        answers = list(pool.map(lambda one: asked(server.server.port, one[1]), requests))
    for (kind, raw), answer in zip(requests, answers, strict=True):
        if answer is None:
            continue
        status, headers, body = answer
        about = (kind, raw[:300], status, body[:300])
        assert status < 500, about
        text = body.decode("utf-8", "replace")
        assert not any(words in text for words in LIBRARIES), about
        if status >= 400 and body:
            assert headers["content-type"].startswith(("application/json", "text/plain")), about
            if headers["content-type"] == "application/json":
                assert json.loads(body)["error"][:1].isupper(), about
        if kind in ("method", "not_json", "shape"):
            assert status >= 400 or raw.startswith((b"OPTIONS", b"get")), about
    told = [answer for answer in answers if answer is not None]
    assert len(told) > 0.8 * REQUESTS
    assert {400, 401, 403, 404, 405, 413, 422} <= {status for status, _, _ in told}
    assert content(harbour / STORE) == before
    assert browser.get("/api/feet/2").json()["state"] == "confirmed"
    assert caplog.records == []
    assert capfd.readouterr() == ("", "")
