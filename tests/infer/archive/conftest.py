"""Small films, and a call of the command in this process or in one that can be killed."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from raysplay.infer import measure_into
from raysplay.infer.outputs.run_files import CHECKED, WORKBOOK

HERE = Path(__file__).parent
RUN = """
import sys
from pathlib import Path
sys.path.insert(0, {here!r})
import known_foot
from raysplay.infer.measuring import measure_into
if __name__ == "__main__":
    measure_into({films!r}, {out!r}, load=known_foot.known, notice=print, **{options!r})
"""


@pytest.fixture
def known_foot(monkeypatch):
    """The stand-in for the networks, also in processes that are started here."""
    monkeypatch.syspath_prepend(str(HERE))
    monkeypatch.setenv("PYTHONPATH", str(HERE))
    import known_foot

    return known_foot


@pytest.fixture
def films(known_foot, tmp_path):
    """A folder with twelve films, in two folders, and a file that is none."""
    folder = tmp_path / "films"
    known_foot.write_films(folder, [f"{i % 2}/{i:02}.png" for i in range(12)])
    (folder / "broken.dcm").write_bytes(b"\0" * 128 + b"DICM")
    return folder


@pytest.fixture
def run(known_foot, films, tmp_path):
    """Measure, as the command does; ``notices`` of what comes back are what was said."""

    def made(out="out", paths=None, **options):
        options = {"overlays": False, "person_key": tmp_path / "persons.key"} | options
        return measure_into(paths or films, tmp_path / out, load=known_foot.known, **options)

    return made


def tables(folder):
    """Bytes of every table that a run leaves."""
    return {name: (folder / name).read_bytes() for name in (*CHECKED, WORKBOOK)}


def started(films, out, **options):
    """A process that measures, and that may be killed."""
    code = RUN.format(here=str(HERE), films=str(films), out=str(out), options=options)
    env = {**os.environ, "PYTHONPATH": str(HERE), "OMP_NUM_THREADS": "1"}
    return subprocess.Popen(
        [sys.executable, "-c", code], env=env, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )


COMMAND = """
import signal, sys
# As in a terminal: whoever starts the tests in the background starts them with interrupts ignored.
signal.signal(signal.SIGINT, signal.default_int_handler)
sys.path.insert(0, {here!r})
import known_foot
from raysplay.infer import command
from raysplay.train.cli import main
command.foot_reader = known_foot.known
main()
"""


def commanded(films, out, *arguments):
    """The command itself in a process of its own, with the known foot in place of the networks."""
    code = [sys.executable, "-c", COMMAND.format(here=str(HERE)), "measure", str(films), "--out", str(out), *arguments]
    env = {**os.environ, "PYTHONPATH": str(HERE), "OMP_NUM_THREADS": "1"}
    return subprocess.Popen(code, env=env, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
