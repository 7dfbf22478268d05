"""A run that is ended at any moment goes on with nothing lost and nothing twice."""

import os
import random
import signal
import time

import pytest

from raysplay.infer.archive.status import status
from raysplay.infer.outputs.run_files import LEDGER

from .conftest import started, tables

ROUNDS = int(os.environ.get("RAYSPLAY_KILL_ROUNDS", "3"))
FILMS, PICTURES = (60, True) if ROUNDS < 20 else (2000, False)
"""Pictures of thousands of films would take the time of the test."""


def kept(folder):
    """Films in the ledger of a run, whatever state it is in."""
    return sum(status(folder).counts.values()) if (folder / LEDGER).exists() else 0


def wait_for(process, out, films, seconds=120.0):
    """Wait until so many films are kept; whether the process is still there."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        try:
            if kept(out) >= films:
                return process.poll() is None
        except Exception:  # the ledger is being made
            pass
        if process.poll() is not None:
            return False
        time.sleep(0.02)
    raise AssertionError("the run does not come on")


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL")
@pytest.mark.parametrize("workers", [None, 2])
def test_killed_at_random_moments_it_ends_with_the_same_bytes(run, films, known_foot, tmp_path, workers):
    known_foot.write_films(films, [f"more/{i:04}.png" for i in range(FILMS)], start=1000)
    run("at_once", overlays=PICTURES)
    chance = random.Random(7)
    out, before = tmp_path / "out", 0
    options = {"overlays": PICTURES, "workers": workers, "person_key": str(tmp_path / "persons.key")}
    for _ in range(ROUNDS):
        process = started(films, out, **options)
        if wait_for(process, out, min(before + chance.randint(1, FILMS // 6), FILMS + 10)):
            time.sleep(chance.random() * 0.1)
        process.send_signal(signal.SIGKILL)
        process.wait()
        now = kept(out)
        assert now >= before  # nothing that was kept is lost
        before = now
        if not status(out).finished:
            assert "killed" in next(status(out).lines())
    run("out", **options)
    assert tables(out) == tables(tmp_path / "at_once")
    one, other = (
        {p.name: p.read_bytes() for p in folder.glob("overlays/*.png")} for folder in (out, tmp_path / "at_once")
    )
    assert one == other
    assert len(one) == (FILMS + 12 if PICTURES else 0)
    assert not list(out.glob("*.partial"))
    assert not list(out.glob(".raysplay-*"))
    assert status(out).finished


@pytest.mark.skipif(os.name != "posix", reason="signals")
@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGTERM])
def test_a_run_that_is_asked_to_end_says_what_is_kept(films, known_foot, tmp_path, sign):
    known_foot.write_films(films, [f"more/{i:03}.png" for i in range(200)], start=1000)
    out = tmp_path / "out"
    from .conftest import commanded

    process = commanded(films, out, "--workers", "1", "--no-overlays", "--person-key", str(tmp_path / "persons.key"))
    assert wait_for(process, out, 5)
    process.send_signal(sign)
    said, _ = process.communicate(timeout=60)
    assert process.returncode not in (0, 2)
    words = " ".join(said.split())
    assert "Traceback" not in said
    assert "the same command goes on from there" in words
    lines = list(status(out).lines())
    assert lines[0].startswith("Stopped at ")
    assert len((out / "feet.csv.partial").read_text().splitlines()) > 5
