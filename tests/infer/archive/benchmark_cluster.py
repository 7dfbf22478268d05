"""Two processes of a pool against two workers of a Dask scheduler on this machine, on real networks, in turns:
``.venv/bin/python tests/infer/archive/benchmark_cluster.py FILMS FOLDER [TURNS]``.

Printed for each: films a minute and processor seconds a film of all processes together, from film ``WARM`` on, when all
of them have loaded their networks; and the load of the machine. Where others share it, processor time is what counts.
"""

import os
import statistics
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[3]))
os.environ["OMP_NUM_THREADS"] = "1"
os.environ.setdefault("XDG_STATE_HOME", str(Path(sys.argv[2]) / "state"))

import distributed
import psutil

from raysplay.infer.measuring import measure_into
from tests.infer.archive.test_cluster import Machines

WARM = 8


def spent():
    """Processor seconds of this process and all below it that live: a scheduler and workers that wait spend next to
    none."""
    here = psutil.Process()
    times = [process.cpu_times() for process in (here, *here.children(recursive=True))]
    return sum(one.user + one.system for one in times)


def measured(films, out, **options):
    """Films a minute, processor seconds a film."""
    marks = {}

    def progress(step):
        if step.stage == "measuring" and step.done in (WARM, step.total) and step.done not in marks:
            marks[step.done] = time.perf_counter(), spent()

    measure_into(films, out, progress=progress, **options)
    (first, last) = sorted(marks)
    wall, cpu = (marks[last][index] - marks[first][index] for index in (0, 1))
    return 60.0 * (last - first) / wall, cpu / (last - first)


def main():
    films, folder, turns = Path(sys.argv[1]), Path(sys.argv[2]), int((*sys.argv[3:], 3)[0])
    found = {"pool": [], "cluster": []}
    machines = Machines(2)
    kinds = {"pool": {"workers": 2}, "cluster": {"scheduler": machines.address}}
    try:
        with distributed.Client(machines.address, timeout=300) as client:
            client.wait_for_workers(2, timeout=300)
        for turn in range(turns):
            for name in sorted(kinds, reverse=turn % 2 == 0):
                rate, cpu = measured(films, folder / f"{name}-{turn}", overwrite=True, **kinds[name])
                found[name].append((rate, cpu))
                load = " ".join(f"{one:.1f}" for one in os.getloadavg())
                print(f"{name}: {rate:.1f} films a minute, {cpu:.2f} s CPU a film; load {load}", flush=True)
    finally:
        machines.close()
    for name, of_it in found.items():
        rates, cpus = zip(*of_it, strict=True)
        print(
            f"{name}: median {statistics.median(rates):.1f} films a minute, {statistics.median(cpus):.2f} s CPU a film"
        )


if __name__ == "__main__":
    main()
