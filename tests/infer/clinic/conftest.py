"""A desk with a known foot in place of the networks, its server, and browsers that were let in."""

import contextlib
import shutil
import threading
import time
from pathlib import Path

import httpx
import pytest

from raysplay.infer.clinic.clinic import Clinic
from raysplay.infer.clinic.desk_folder import DeskFolder
from raysplay.infer.clinic.serving import clinic_server
from raysplay.infer.clinic.settings import clinic_settings
from raysplay.infer.review.guard import Door

HERE = Path(__file__).parent


@pytest.fixture
def standin(monkeypatch):
    """The stand-in for the networks, also in processes that are started here."""
    monkeypatch.syspath_prepend(str(HERE))
    monkeypatch.setenv("PYTHONPATH", str(HERE))
    import standin

    return standin


def wait_for(true, seconds=120):
    """Look again until something holds; the limit only ends a test that would hang."""
    deadline = time.monotonic() + seconds
    while not (found := true()):
        assert time.monotonic() < deadline, "it did not come about"
        time.sleep(0.05)
    return found


@pytest.fixture
def until():
    return wait_for


class Served:
    """A desk and its server in a thread."""

    def __init__(self, path, **options):
        changed = options.pop("settings", {})
        settings = clinic_settings().model_copy(update={"quiet_seconds": 0.1, "free_bytes": 0, **changed})
        self.clinic = Clinic(DeskFolder(path), settings, **options)
        self.door = Door(None)
        self.server = clinic_server(self.clinic, self.door)
        self.base = f"http://127.0.0.1:{self.server.port}"
        self.thread = threading.Thread(target=self.server.run, daemon=True)
        self.thread.start()
        self.clients = []
        wait_for(self._answers, 20)

    def _answers(self):
        with contextlib.suppress(httpx.TransportError):
            return httpx.get(f"{self.base}/desk", timeout=5).status_code == 200

    def stranger(self, **headers):
        """A client that was not let in."""
        client = httpx.Client(base_url=self.base, headers={"Origin": self.base, **headers}, timeout=60)
        self.clients.append(client)
        return client

    def client(self, reader="AB"):
        """A client that was let in, its initials stated."""
        import re

        client = self.stranger()
        (key,) = re.findall(
            'name="session-key" content="([^"]+)"', client.get("/start", params={"token": self.door.token}).text
        )
        client.headers["Authorization"] = f"Bearer {key}"
        if reader:
            assert client.post("/api/reader", json={"initials": reader}).status_code == 200
        return client

    def stop(self):
        for client in self.clients:
            client.close()
        self.server.stop()
        self.thread.join(20)
        self.clinic.close()


@pytest.fixture
def serve(standin, tmp_path, monkeypatch):
    """``serve(...)`` opens a desk in this test's folder; the same folder again is a later start."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    running = []

    def served(name="desk", loader="standin:known", **options):
        running.append(Served(tmp_path / name, loader=loader, **options))
        return running[-1]

    yield served
    for one in running:
        with contextlib.suppress(Exception):
            one.stop()


def drop(client, name, content):
    """Send a file as the page does."""
    from urllib.parse import quote

    return client.post("/api/clinic/films", content=content, headers={"X-Film-Name": quote(name)})


def drop_and_wait(client, files):
    """Drop files and wait until they are measured; what became of each."""
    answers = [drop(client, name, content) for name, content in files.items()]
    assert all(one.status_code == 201 for one in answers), [one.text for one in answers]

    def done():
        state = client.get("/api/clinic").json()
        assert state["measuring"]["stage"] != "failed", state
        return state["measuring"]["stage"] == "idle" and not state["waiting"]

    wait_for(done)
    return [one for answer in answers for one in answer.json()]


@pytest.fixture(scope="session")
def dropped():
    """``dropped(client, {name: bytes})`` as above."""
    return drop_and_wait


@pytest.fixture(scope="module")
def made_once(tmp_path_factory):
    """``made_once(fill)`` gives a folder with a desk at which ``fill(served, standin)`` worked, and its user's state.

    Measuring is most of what a test of a desk takes, so tests of what comes after it open copies (``serve_copy``).
    """

    def made(fill):
        home = tmp_path_factory.mktemp("made_once")
        with pytest.MonkeyPatch.context() as patched:
            patched.syspath_prepend(str(HERE))
            patched.setenv("PYTHONPATH", str(HERE))
            patched.setenv("XDG_STATE_HOME", str(home / "state"))
            import standin

            served = Served(home / "desk", loader="standin:known")
            try:
                fill(served, standin)
            finally:
                served.stop()
        return home

    return made


@pytest.fixture
def serve_copy(serve, tmp_path):
    """``serve_copy(home)`` is a later start of a copy of such a desk, in this test's folder."""

    def served(home):
        shutil.copytree(home, tmp_path, dirs_exist_ok=True)
        return serve()

    return served
