"""What keeping an archive costs: ``OMP_NUM_THREADS=1 .venv/bin/python tests/infer/archive/benchmark.py FILMS FOLDER``.

FILMS small files are made in FOLDER and read by a stand-in that opens and hashes each, but decodes the first alone, so
that only listing, hashing, ledger and tables take time. Printed: processor time and wall time of both runs, of what the
ledger keeps of a film, and of ``raysplay status``; resident memory at film 1,000, the largest after it, and at the end.
"""

import os
import sys
import time
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
os.environ.setdefault("XDG_STATE_HOME", str(Path(sys.argv[2]) / "state"))

import known_foot

from raysplay.configs.load import landmark_schema
from raysplay.configs.protocol import protocol
from raysplay.infer import measuring
from raysplay.infer.archive import archive_run
from raysplay.infer.archive.ledger import Ledger
from raysplay.infer.archive.reading import answer
from raysplay.infer.archive.status import status
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.films.collect import Candidate
from raysplay.infer.films.film_identity import content_digest, stamp
from raysplay.infer.films.read import read_film
from raysplay.infer.films.settings import film_settings
from raysplay.infer.machine_rate import operations_a_second
from raysplay.infer.outputs.names import film_name
from raysplay.infer.pipeline import FilmPipeline


class Here:
    def read(self, path):
        return read_film(path, film_settings())


class Standing:
    """Reads one film, and says of every other that it is like it."""

    here = True

    def __init__(self, inner):
        self.digests, self.key, self.machine = inner.digests, inner.key, inner.machine

    def read(self, jobs, person_key):
        limits, first = decision_settings(), None
        pipeline = FilmPipeline(Here(), known_foot.known(), limits, landmark_schema(), protocol())
        for job in jobs:
            before = stamp(job.path)
            if first is None:
                (first,) = pipeline.read([Candidate(job.path, job.name)])
            record = replace(first.record, film=film_name(job.name))
            film = replace(first.film, sha256=content_digest(job.path))
            yield job, answer(replace(first, record=record, film=film), job.path, before, level=None, seconds=0.1)

    def close(self):
        pass


def memory():
    with open("/proc/self/statm") as stream:
        return int(stream.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20


def main():
    count, folder = int(sys.argv[1]), Path(sys.argv[2])
    films, out = folder / "films", folder / "out"
    if not films.exists():
        for number in range(count):
            path = films / f"{number // 1000:03}" / f"{number:06}.png"
            if number == 0:
                known_foot.write_film(path, 0)
                content = path.read_bytes()
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content + number.to_bytes(4, "big"))
    in_process, kept, marks = measuring._engine, [0.0, 0.0, 0], {}

    def engine(*arguments):
        return Standing(in_process(*arguments))

    measuring._engine = engine
    # A run on real networks has multiplied matrices and written its tables so far long before film 1,000.
    operations_a_second()
    settings = archive_run.engine_settings().model_copy(update={"first_tables_seconds": 1.0})
    archive_run.engine_settings = lambda: settings
    keep = Ledger.keep

    def timed(self, *arguments, **options):
        wall, cpu = time.perf_counter(), time.thread_time()
        keep(self, *arguments, **options)
        kept[0] += time.perf_counter() - wall
        kept[1] += time.thread_time() - cpu
        kept[2] += 1

    Ledger.keep = timed

    def progress(step):
        if step.stage == "measuring" and step.done in (1_000, 10_000, count // 2, count):
            marks[f"at {step.done:,}"] = memory()
        if step.stage == "measuring" and step.done > 1_000 and step.done % 500 == 0:
            marks["most"] = max(marks.get("most", 0.0), memory())
        if step.stage == "measuring" and step.done == count:
            marks["read"] = (time.perf_counter(), time.process_time())

    for turn in ("first run", "second run, nothing new"):
        wall, cpu = time.perf_counter(), time.process_time()
        run = measuring.measure_into(films, out, overlays=False, load=known_foot.known, progress=progress, notice=print)
        ended, spent = time.perf_counter(), time.process_time()
        print(f"{turn}: {ended - wall:.1f} s wall, {spent - cpu:.1f} s CPU, {run.report.films} films")
        if turn == "first run":
            print(f"  ledger: {1e3 * kept[0] / kept[2]:.3f} ms wall, {1e3 * kept[1] / kept[2]:.3f} ms CPU a film")
            print(f"  memory (MiB) by film: { {k: round(v) for k, v in marks.items() if k != 'read'} }")
            read_wall, read_cpu = marks["read"]
            print(f"  until the last film was read: {read_wall - wall:.1f} s wall, {read_cpu - cpu:.1f} s CPU")
            print(f"  tables: {ended - read_wall:.1f} s wall, {spent - read_cpu:.1f} s CPU")
            print(f"  memory (MiB) after the tables: {memory():.0f}")
            large = {path.name: path.stat().st_size >> 20 for path in sorted(out.iterdir()) if path.is_file()}
            print(f"  MiB: { {name: size for name, size in large.items() if size} }")
    wall, cpu = time.perf_counter(), time.process_time()
    lines = list(status(out).lines())
    print(f"status: {time.perf_counter() - wall:.2f} s wall, {time.process_time() - cpu:.2f} s CPU, {len(lines)} lines")


if __name__ == "__main__":
    main()
