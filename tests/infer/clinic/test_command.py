"""``raysplay visit`` without a run: the page opens on this machine alone, one desk once, and ends as it should."""

import contextlib
import os
import re
import signal
import subprocess
import sys
import time

import httpx
import pytest
from typer.testing import CliRunner

from raysplay.infer.clinic.desk_folder import usual_desk
from raysplay.train.cli import app


@contextlib.contextmanager
def started(folder, *options):
    """The command in a process of its own, and the address that it prints."""
    run = "from raysplay.train.cli import app; app()"
    call = [sys.executable, "-c", run, "visit", "--desk", str(folder), "--no-browser", *options]
    with subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) as process:
        try:
            said = ""
            while not (found := re.search(r"http://127\.0\.0\.1:\d+/start\?token=\S+", said)):
                line = process.stdout.readline()
                assert line, said
                said += line
            yield process, found[0]
        finally:
            if process.poll() is None:
                process.kill()


def words_of(result):
    """What was said, without the box round it."""
    return " ".join(re.sub("[│╭╮╰╯─]", " ", result.output).split())


def test_the_desk_opens_on_an_empty_folder_and_is_open_once(tmp_path):
    folder = tmp_path / "desk"
    with started(folder) as (process, address):
        deadline = time.monotonic() + 60
        while True:
            with contextlib.suppress(httpx.TransportError):
                page = httpx.get(address, timeout=10)
                break
            assert time.monotonic() < deadline
            time.sleep(0.1)
        assert page.status_code == 200
        assert 'href="/desk"' in page.text
        assert httpx.get(address, timeout=10).status_code == 403, "it works once"
        arriving = folder / "arriving" / "half"
        arriving.write_bytes(b"half of a film")
        second = CliRunner().invoke(app, ["visit", "--desk", str(folder), "--no-browser"])
        assert second.exit_code == 2
        assert "open already" in words_of(second)
        assert arriving.exists(), "what comes in there is left alone"
        process.send_signal(signal.SIGINT)
        process.wait(30)
    assert folder.stat().st_mode & 0o077 == 0
    assert os.listdir(folder / "films") == []


def test_where_the_desk_lies_by_default(monkeypatch, tmp_path):
    """XDG Base Directory Specification 0.8: XDG_DATA_HOME, else ~/.local/share; relative paths are ignored."""
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.delenv("XDG_DATA_HOME", raising=False)
    assert usual_desk() == tmp_path / ".local" / "share" / "raysplay" / "desk"
    monkeypatch.setenv("XDG_DATA_HOME", "elsewhere")
    assert usual_desk() == tmp_path / ".local" / "share" / "raysplay" / "desk"
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    assert usual_desk() == tmp_path / "data" / "raysplay" / "desk"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["visit", "--out", "x"], "run"),
        (["visit", ".", "--desk", "x", "--out", "y"], "without a run"),
        (["visit", "."], "--out"),
        (["visit", "--reader", "too long for it", "--no-browser", "--desk", "x"], "--reader"),
    ],
)
def test_what_does_not_go_together_is_bad_usage(words, said, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 2
    assert said in result.output


def test_a_folder_that_cannot_be_a_desk_is_bad_usage(tmp_path):
    (tmp_path / "desk").write_text("a file")
    result = CliRunner().invoke(app, ["visit", "--desk", str(tmp_path / "desk"), "--no-browser"])
    assert result.exit_code == 2
    assert "cannot be a desk" in words_of(result)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_card_is_written_by_the_command(tmp_path, paper):
    call = ["technique-card", "--out", str(tmp_path / "card"), "--language", "de", "--paper", paper]
    assert CliRunner().invoke(app, call).exit_code == 0
    assert "Röhrenkippung" in (tmp_path / "card" / "technique-card-de.html").read_text(encoding="utf-8")
    assert (tmp_path / "card" / "technique-card-de.pdf").read_bytes().startswith(b"%PDF-")
    assert CliRunner().invoke(app, call).exit_code == 2, "nothing is replaced unasked"
    assert CliRunner().invoke(app, [*call, "--overwrite"]).exit_code == 0
