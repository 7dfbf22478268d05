"""Measures the films of a desk in a process of its own, so that the page goes on answering.

``python -m raysplay.infer.clinic.measuring_process FILMS RUN LOADER`` loads the networks at the first order and keeps
them for the next ones. An order is a line on its standard input, :data:`MEASURE` or :data:`ANEW`; it is answered by one
line of JSON for every step, the last of them ``done`` or an error. Before the last tables are written it waits for the
line :data:`GO`: until then the run in the folder is the one that people see, and read. It stops, and what was read is
kept, when its standard input ends; after an error it ends by itself. Where the program's files are others than when
it began, it measures nothing and says ``stale``: numbers of two versions would be taken for those of one.
"""

from __future__ import annotations

import gc
import hashlib
import json
import os
import sys
import threading
from importlib import import_module
from pathlib import Path
from typing import Any

from raysplay.configs.errors import RaysplayError
from raysplay.infer.pipeline import ReadsFeet
from raysplay.infer.progress import Progress

MEASURE, ANEW, GO = "measure", "anew", "go"
LOADER = "raysplay.infer.command:foot_reader"
"""Function that loads the networks."""

_NICE = 5
_PAGE_TABLE = Path("/proc/self/statm")


class _StoppedError(Exception):
    """Nobody waits for the films any more."""


class _Said:
    """What the desk says on standard input."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._go = self._gone = False
        self._order = ""
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        for line in sys.stdin:
            with self._changed:
                if (word := line.strip()) == GO:
                    self._go = True
                elif word in (MEASURE, ANEW):
                    self._order, self._go = word, False
                self._changed.notify_all()
        with self._changed:
            self._gone = True
            self._changed.notify_all()

    def order(self) -> str:
        """The next order, once it comes; empty where none comes any more."""
        with self._changed:
            self._changed.wait_for(lambda: self._order or self._gone)
            order, self._order = self._order, ""
            return "" if self._gone else order

    def check(self) -> None:
        """Stop where the desk is gone."""
        if self._gone:
            raise _StoppedError

    def wait(self) -> None:
        """Until the tables may be written."""
        with self._changed:
            self._changed.wait_for(lambda: self._go or self._gone)
        self.check()


class _Networks:
    """What loads the networks, once."""

    def __init__(self, loader: str) -> None:
        self._loader = loader
        self._loaded: ReadsFeet | None = None

    def load(self, threads: int | None, landmark_weights: Path | str | None) -> ReadsFeet:
        """The networks; a desk has one kind."""
        if self._loaded is None:
            module, _, name = self._loader.partition(":")
            self._loaded = getattr(import_module(module), name)(threads, landmark_weights)
        return self._loaded


def main(films: str, run: str, loader: str) -> int:
    """Measure as long as somebody orders it; the exit status."""
    if hasattr(os, "nice"):
        os.nice(_NICE)
    # What this process starts must not hold the desk's end of the pipe open, nor write into it.
    steps = os.fdopen(os.dup(sys.stdout.fileno()), "w", encoding="utf-8")
    with open(os.devnull, "w") as nowhere:
        os.dup2(nowhere.fileno(), sys.stdout.fileno())

    def tell(**what: Any) -> None:
        print(json.dumps(what), file=steps, flush=True)

    said, networks, stamp = _Said(), _Networks(loader), program_stamp()
    while order := said.order():
        if program_stamp() != stamp:
            tell(stage="stale")
            return 0
        status = _measure(films, run, networks, said, tell, anew=order == ANEW)
        if status is not None:
            return status
        gc.collect()  # films of the batch
        tell(stage="done", mib=memory_mib())
    return 0


def _measure(films: str, run: str, networks: _Networks, said: _Said, tell: Any, *, anew: bool) -> int | None:
    """One batch; an exit status where it is the last."""
    from raysplay.infer.archive.person_key import KeyGoneError
    from raysplay.infer.measuring import measure_into

    def progress(step: Progress) -> None:
        said.check()
        tell(stage=step.stage, done=step.done, total=step.total)
        if step.stage == "writing":
            said.wait()

    try:
        measure_into(
            Path(films),
            Path(run),
            overwrite=anew,
            keep_reads=anew,
            moved=True,  # the desk may have been, with its films
            progress=progress,
            command=["raysplay", "visit"],
            load=networks.load,
        )
    except _StoppedError:
        return 0
    except KeyGoneError as error:
        tell(
            error="the key by which this desk codes persons did not come with it: copy it from where the desk was to "
            f"{error.place} and try again, or read all films again"
        )
        return error.exit_status
    except RaysplayError as error:
        tell(error=str(error))
        return error.exit_status
    except Exception as error:  # whatever it is, the desk goes on and says so
        tell(error=f"internal error ({type(error).__name__})")
        return 1
    return None


def program_stamp(root: Path = Path(__file__).parents[2]) -> str:
    """Digest of names, times and sizes of the program's own files: another one where it was replaced since."""
    total = hashlib.sha256()
    for path in sorted(root.rglob("*")):
        if path.suffix in (".py", ".yaml", ".onnx", ".safetensors"):
            about = path.stat()
            total.update(f"{path.relative_to(root)}\0{about.st_mtime_ns}\0{about.st_size}\n".encode())
    return total.hexdigest()


def memory_mib() -> float:
    """Memory that this process holds now, MiB; where the system does not tell, the most that it ever held, or nan."""
    try:
        return int(_PAGE_TABLE.read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20
    except (OSError, ValueError, IndexError, AttributeError):
        pass
    try:
        import resource
    except ImportError:
        return float("nan")
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return most / (2**20 if sys.platform == "darwin" else 2**10)


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:4]))
