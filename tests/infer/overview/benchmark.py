"""What a report costs: ``.venv/bin/python tests/infer/overview/benchmark.py FILMS FOLDER``.

Two runs of FILMS films are written in FOLDER, the second with half of the films of the first (numbers changed a little)
and as many others; printed are the seconds, of the clock and of the processor, and the memory at its most of the report
of the second, and of the same against the first, each as a command of its own.
"""

import os
import resource
import subprocess
import sys
import time
from itertools import chain
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[3]))

from tests.infer.overview.conftest import archive, write_run

PART = 1000


def films(first, last, noise):
    return chain.from_iterable(archive(PART, first=i, noise=noise) for i in range(first, last, PART))


def told(what, *arguments):
    began, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    process = subprocess.Popen([str(Path(sys.executable).with_name("raysplay")), "report", *arguments, "--overwrite"])
    most = 0
    while process.poll() is None:
        status = Path(f"/proc/{process.pid}/status").read_text()
        most = max([most, *(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmHWM"))])
        time.sleep(0.05)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    assert process.returncode == 0
    wall, load = time.perf_counter() - began, os.getloadavg()[0]
    print(f"{what}: {wall:.1f} s, {cpu:.1f} s CPU, {most >> 10} MiB; load {load:.1f}", flush=True)


def main():
    count, folder = int(sys.argv[1]), Path(sys.argv[2])
    earlier, later = folder / "earlier", folder / "later"
    if not earlier.exists():
        write_run(earlier, films(0, count, 0.0))
        write_run(later, films(count // 2, count + count // 2, 0.5))
    told("report", str(later), "--out", str(folder / "report.html"))
    told("against an earlier run", str(later), "--against", str(earlier), "--out", str(folder / "drift.html"))


if __name__ == "__main__":
    main()
