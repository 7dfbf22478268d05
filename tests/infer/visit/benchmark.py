"""What a report takes where films were measured before: ``.venv/bin/python tests/infer/visit/benchmark.py FOLDER``.

A generated film of both feet is put to two days of one person and measured by the shipped networks; then the reports
are written anew three times from the films and three times from their run. Printed: wall and processor time of a call.
"""

import resource
import subprocess
import sys
import time
from pathlib import Path

import pydicom

RAYSPLAY = Path(sys.executable).parent / "raysplay"


def called(*words):
    """One call of the command: seconds of the clock, and of all its processes."""
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    subprocess.run([RAYSPLAY, *map(str, words)], check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return f"{time.monotonic() - began:.1f} s, of the processor {spent:.1f} s"


def main(folder):
    """Print what each call takes."""
    films, out, stated = folder / "films", folder / "visit", folder / "conditions.csv"
    called("demo-archive", folder / "archive")
    films.mkdir(parents=True)
    for day in ("20260302", "20260902"):
        film = pydicom.dcmread(folder / "archive" / "spring" / "cook-both-feet.dcm")
        film.PatientID, film.StudyDate, film.AcquisitionDate = "SKERRY-2", day, day
        film.save_as(films / f"{day}.dcm")
    rows = "".join(f"{day},P-02,nothing,full,12\n" for day in ("20260302", "20260902"))
    stated.write_text(f"film,person,worn,loading,tilt\n{rows}", encoding="utf-8")
    about = ("--conditions", stated, "--overwrite")
    print("films measured for the first time:", called("visit", films, "--out", out, *about))
    for _ in range(3):
        print("films measured before:", called("visit", films, "--out", out, *about))
        print("from their run:", called("visit", out / "run", "--out", folder / "of_run", *about))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
