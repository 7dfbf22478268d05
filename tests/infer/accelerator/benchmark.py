"""What an accelerator reaches, and what bounds it.

``python tests/infer/accelerator/benchmark.py PART... --films DIR --work DIR``. Parts:

``films``      makes six films in --films, one foot each at 0.15 to 0.2 mm, as JPEG-LS; once, on any machine
``networks``   milliseconds of a batch by network, precision, layout of features, pictures in a batch
``precision``  how far landmarks lie from those of the processor, and whether company in a batch changes a bit
``memory``     films a second for networks and resampling, films decoded: threads, then processes by the socket
``host``       milliseconds of a core for what is left to the host: decoding, finding, refining, measuring, pictures
``command``    films a second of the whole command from disk with pictures, on copies with other identifiers

Printed, not tested.
"""

import argparse
import json
import os
import shutil
import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np

from raysplay.configs.load import landmark_schema
from raysplay.configs.protocol import protocol
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.films.collect import Candidate
from raysplay.infer.films.film_identity import stamp
from raysplay.infer.films.read import read_film
from raysplay.infer.films.settings import film_settings
from raysplay.infer.foot_reader import FootReader, usable_cores
from raysplay.infer.pipeline import FilmPipeline
from raysplay.infer.settings import reading_settings
from raysplay.infer.shipped_weights import weights_meant


def make_films(folder, count=6):
    from pydicom.uid import JPEGLSLossless

    from raysplay.synthetic_data.dicom_file import draw_writing, film_dataset
    from raysplay.synthetic_data.film.compose import FilmRequest, compose_film
    from raysplay.synthetic_data.film.settings import archive_settings

    shipped = archive_settings()
    settings = shipped.model_copy(update={"film": shipped.film.model_copy(update={"pixel_mm": (0.15, 0.2)})})
    folder.mkdir(parents=True, exist_ok=True)
    for number in range(count):
        film = compose_film([4711, number], settings, FilmRequest(layout="single", views=("dp",), whole=True))
        writing = draw_writing(np.random.default_rng([4711, number]), settings.dicom, film)
        data = film_dataset(film, writing, 4711, number)
        data.compress(JPEGLSLossless)
        data.save_as(folder / f"{number}.dcm", enforce_file_format=True)
        print(f"{number}: {film.pixels.shape}")


def decoded(folder):
    return [read_film(path, film_settings()) for path in sorted(folder.glob("*.dcm"))]


def loaded(arguments, **options):
    from raysplay.infer.accelerator.device import device_of
    from raysplay.infer.accelerator.networks import AcceleratedNetworks

    return AcceleratedNetworks(device_of(arguments.device), *weights(arguments), **options)


def weights(arguments):
    return FootReader.weights_by_landmarks(weights_meant(arguments.reader))


def networks(arguments):
    import torch

    from raysplay.infer.accelerator.settings import accelerator_settings

    for precision in kinds(arguments):
        for layout in (False, True):
            for batch in arguments.batches:
                limits = accelerator_settings().model_copy(update={"batch": batch})
                held = loaded(arguments, limits=limits, precision=precision, channels_last=layout)
                said = []
                for reads, network in held._networks.items():
                    pictures = torch.rand(held._resamplers[reads]._pictures.shape, device=held.device)
                    with torch.inference_mode(), held._as_precise():
                        for turn in range(13):
                            if turn == 3:
                                wait(held.device)
                                began = time.perf_counter()
                            with torch.autocast(held.device.type, torch.float16, enabled=precision == "float16"):
                                network(pictures)
                        launched = time.perf_counter()
                        wait(held.device)
                    each = (time.perf_counter() - began) / 10
                    host = (launched - began) / 10
                    rate = batch * held._flops[reads] / each / 1e12
                    said.append(f"{reads} {1e3 * each:6.2f} ms ({1e3 * host:5.2f} to launch, {rate:5.1f} TFLOP/s)")
                print(f"  {precision:8} {'channels last' if layout else 'planes':13} {batch:3}: {', '.join(said)}")
                held.close()


def kinds(arguments):
    """A processor has no other sums, and takes minutes for those in half precision."""
    return ("float32",) if arguments.device == "cpu" else ("float32", "tf32", "float16")


def wait(device):
    import torch

    if device.type == "cuda":
        torch.cuda.synchronize(device)


def precision(arguments):
    from raysplay.infer.accelerator.in_this_process import InThisProcess

    films, here = decoded(arguments.films), FootReader(*weights(arguments), threads=1)
    plain = reading_settings().model_copy(update={"shaft_edges": None})
    here = FootReader(*weights(arguments), plain, threads=1)
    known = [(film, foot, here.landmarks(film, foot)) for film in films for foot in here.find(film)]
    for kind in kinds(arguments):
        for layout in (False, True):
            held = loaded(arguments, precision=kind, channels_last=layout)
            there = FootReader(*weights(arguments), plain, accelerator=InThisProcess(held, 1))
            off, strange = [], []
            for film, _, read in known:
                (found,) = there.find(film)[:1]
                other = there.landmarks(film, found)
                scale = np.sqrt(abs(np.linalg.det(read.foot.film_from_crop[:2, :2])))
                seen = read.confidence > 0.5
                off += list((np.linalg.norm(other.points - read.points, axis=1) / scale)[seen])
                strange.append(abs(other.strangeness / read.strangeness - 1))
            print(
                f"  {kind:8} {'channels last' if layout else 'planes':13}: {len(off)} landmarks, crop pixels off: "
                f"median {np.median(off):.5f}, 99 % {np.percentile(off, 99):.5f}, most {max(off):.5f}; "
                f"strangeness by at most {max(strange):.2%}; company changes a bit: {company(held, known)}"
            )
            held.close()


def company(held, known):
    """Whether what a network says of a crop differs with what shares the batch, or with its place in it."""
    from raysplay.infer.network.graphs import LANDMARKS, LOCATOR

    films = [held.device_film(film.pixels) for film, _, _ in known]
    matrices = [foot.film_from_crop for _, foot, _ in known]
    changed = False
    for reads in (LANDMARKS, LOCATOR):
        alone = held.ask(reads, films[0], matrices[0]).result()
        for turn in range(12):
            order = [(turn + k) % len(films) for k in range(3 * len(films))]
            for k, one in zip(order, [held.ask(reads, films[k], matrices[k]) for k in order], strict=True):
                said = one.result()
                changed |= k == 0 and any(not np.array_equal(said[name], alone[name]) for name in alone)
    return "yes" if changed else "no"


class Looks:
    """Three questions for a film: its square, and its crop twice."""

    def __init__(self, known):
        self.known = known

    def at(self, look, number):
        film, square, crops = self.known[number % len(self.known)]
        pixels = film.view()  # another film, as far as whoever holds it can tell
        look.locate(pixels, square)
        for crop in crops:
            look.landmarks(pixels, crop)


def known_matrices(arguments):
    from raysplay.infer.foot_reader import _film_from_square

    reader = FootReader(*weights(arguments), threads=1)
    side = reader.settings.film_side
    known = []
    for film in decoded(arguments.films):
        foot = reader.find(film)[0]
        known.append((film.pixels, _film_from_square(film, side, 0.0), [foot.film_from_crop] * 2))
    return known


def memory(arguments):
    from raysplay.infer.accelerator.accelerator_process import AcceleratorProcess
    from raysplay.infer.accelerator.in_this_process import InThisProcess

    looks = Looks(known_matrices(arguments))
    held = loaded(arguments)
    for threads in arguments.askers:
        look, count = InThisProcess(held, threads), threads * arguments.turns
        with ThreadPoolExecutor(threads) as pool:
            list(pool.map(looks.at, [look] * 2 * threads, range(2 * threads)))
            held.forget_spent()
            began = time.perf_counter()
            list(pool.map(looks.at, [look] * count, range(count)))
        told(f"{threads} threads of one process", count, time.perf_counter() - began, held.spent())
    held.close()
    process = AcceleratorProcess(arguments.device, *weights(arguments))
    try:
        for workers in arguments.askers:
            before = process.spent()
            with ProcessPoolExecutor(
                workers, get_context("spawn"), initializer=begin, initargs=(process.address, Looks(looks.known[:3]))
            ) as pool:
                list(pool.map(many, [4] * workers))
                before, began = process.spent(), time.perf_counter()
                list(pool.map(many, [arguments.turns] * workers))
                wall = time.perf_counter() - began
            after = process.spent()
            spent = {name: after[name] - before[name] for name in after}
            told(f"{workers} processes by the socket", workers * arguments.turns, wall, spent)
    finally:
        process.close()


def begin(address, looks):
    global LOOK, LOOKS
    from raysplay.infer.accelerator.from_afar import FromAfar

    LOOK, LOOKS = FromAfar(address), looks


def many(count):
    for number in range(count):
        LOOKS.at(LOOK, number)


def told(what, films, wall, spent):
    batches = sum(spent[f"batches_{name}"] for name in ("locator", "landmarks"))
    pictures = sum(spent[f"pictures_{name}"] for name in ("locator", "landmarks"))
    print(
        f"  {what}: {films} films in {wall:.2f} s, {films / wall:.1f} films/s; device busy "
        f"{spent['busy_seconds'] / wall:.0%}, {pictures / batches:.1f} pictures a batch, "
        f"{spent['operations'] / wall / 1e12:.1f} TFLOP/s"
    )


class Told:
    """A reader that says what it said before: what is left is the host's work."""

    def __init__(self, reader):
        self.digests, self._reader, self._known = reader.digests, reader, {}

    def find(self, film):
        return self._said(("find", film.path), lambda: self._reader.find(film))

    def landmarks(self, film, foot):
        return self._said(("landmarks", film.path), lambda: self._reader.landmarks(film, foot))

    def _said(self, key, ask):
        if key not in self._known:
            self._known[key] = ask()
        return self._known[key]


def host(arguments):
    from raysplay.infer.archive.reading import answer
    from raysplay.infer.shafts.refine import refine_shafts

    # Time of the processor, so that whatever else the machine does counts less.
    settings, limits, schema = reading_settings(), decision_settings(), landmark_schema()
    reader = Told(FootReader(*weights(arguments), threads=1))
    paths = sorted(arguments.films.glob("*.dcm"))
    opened = {}

    class Films:
        def read(self, path):
            return opened[path]

    spent = dict.fromkeys(("decode", "refine", "measure, decide, letters", "pictures, packing"), 0.0)
    rounds = 3
    for turn in range(rounds + 1):
        for path in paths:
            at = [time.process_time()]
            opened[path] = read_film(path, film_settings())
            at.append(time.process_time())
            for foot in reader.find(opened[path]):
                refine_shafts(opened[path], reader.landmarks(opened[path], foot), schema, settings.shaft_edges)
            at.append(time.process_time())
            pipeline = FilmPipeline(Films(), reader, limits, schema, protocol())
            (reading,) = pipeline.read([Candidate(path, path.name)])
            at.append(time.process_time())
            answer(reading, path, stamp(path), level=limits.interval.level).to_bytes()
            at.append(time.process_time())
            if turn:
                for name, one, other in zip(spent, at, at[1:], strict=False):
                    spent[name] += other - one
    each = {name: 1e3 * seconds / rounds / len(paths) for name, seconds in spent.items()}
    whole = sum(each.values())
    print(f"  one core: {', '.join(f'{name} {ms:.1f} ms' for name, ms in each.items())}; {whole:.1f} ms a film")
    print(f"  {usable_cores()} cores, nothing else to do: {1e3 * usable_cores() / whole:.1f} films/s at most")


def copies(films, folder, count):
    """Films with other identifiers and all else the same, so that none is another's copy."""
    import pydicom

    if folder.exists():
        shutil.rmtree(folder)
    folder.mkdir(parents=True)
    kept = []
    for path in sorted(films.glob("*.dcm")):
        content = path.read_bytes()
        kept.append((content, str(pydicom.dcmread(path, stop_before_pixels=True).SOPInstanceUID).encode("ascii")))
    for number in range(count):
        content, uid = kept[number % len(kept)]
        (folder / f"{number:05}.dcm").write_bytes(content.replace(uid, uid[:-6] + f"{100000 + number}".encode("ascii")))


def command(arguments):
    from raysplay.infer import measure_into

    films, out = arguments.work / "films", arguments.work / "out"
    copies(arguments.films, films, arguments.count)
    for workers in arguments.workers:
        marks = []

        def progress(step, marks=marks):
            if step.stage == "measuring":
                marks.append((time.perf_counter(), step.done))

        began = time.perf_counter()
        run = measure_into(
            films,
            out,
            overwrite=True,
            accelerator=arguments.device,
            landmark_weights=arguments.reader,
            workers=workers or None,
            progress=progress,
            notice=lambda text: print(f"    {text}"),
        )
        wall = time.perf_counter() - began
        about = json.loads((out / "run.json").read_text())
        # From a tenth of the films on, when all processes are there, to the last.
        first = next(mark for mark in marks if mark[1] >= arguments.count // 10)
        steady = (marks[-1][1] - first[1]) / max(marks[-1][0] - first[0], 1e-9)
        start = next(mark[0] for mark in marks if mark[1]) - began
        count, tables = run.report.films, began + wall - marks[-1][0]
        print(
            f"  {workers or 'default'} workers: {count} films in {wall:.1f} s, {count / wall:.1f} films/s; first film "
            f"after {start:.1f} s, then {steady:.1f} films/s, tables {tables:.1f} s; {dict(run.report.decisions)}"
        )
        each = {stage: f"{1e3 * spent / run.report.films:.1f}" for stage, spent in run.report.seconds.items()}
        print(f"    ms a film by stage: {each}")
        print(f"    {about['machine']}")


PARTS = {"films": lambda a: make_films(a.films)} | {
    part.__name__: part for part in (networks, precision, memory, host, command)
}


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("parts", nargs="+", choices=PARTS)
    parser.add_argument("--films", type=Path, required=True)
    parser.add_argument("--work", type=Path, default=Path("work"))
    parser.add_argument("--device", default="auto")
    parser.add_argument("--reader", default="careful")
    parser.add_argument("--turns", type=int, default=40, help="films for each thread or process of part memory")
    parser.add_argument("--askers", type=int, nargs="+", default=[8, 16, 32], help="threads, processes of part memory")
    parser.add_argument("--batches", type=int, nargs="+", default=[1, 4, 8, 16, 32], help="of part networks")
    parser.add_argument("--count", type=int, default=1200, help="films of part command")
    parser.add_argument("--workers", type=int, nargs="+", default=[0], help="of part command; 0: the default")
    arguments = parser.parse_args()
    os.environ.setdefault("XDG_STATE_HOME", str(arguments.work / "state"))
    print(f"{usable_cores()} cores, reader {arguments.reader}", flush=True)
    for part in arguments.parts:
        print(part, flush=True)
        began = time.perf_counter()
        PARTS[part](arguments)
        print(f"  ({time.perf_counter() - began:.1f} s)", flush=True)


if __name__ == "__main__":
    main()
