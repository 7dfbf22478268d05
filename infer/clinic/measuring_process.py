"""Measures the films of a desk in a process of its own, so that the page goes on answering.

``python -m raysplay.infer.clinic.measuring_process FILMS RUN LOADER [anew]`` writes one line of JSON for every step.
Before the last tables are written it waits for a line on its standard input: until then the run in the folder is the
one that people see, and read. It stops, and what was read is kept, when its standard input ends.
"""

from __future__ import annotations

import json
import os
import sys
import threading
from importlib import import_module
from pathlib import Path
from typing import Any

from raysplay.configs.errors import RaysplayError
from raysplay.infer.progress import Progress

GO = "go"
LOADER = "raysplay.infer.command:foot_reader"
"""Function that loads the networks."""

_NICE = 5


class _StoppedError(Exception):
    """Nobody waits for the films any more."""


class _Said:
    """What the desk says on standard input."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._go = self._gone = False
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        for line in sys.stdin:
            if line.strip() == GO:
                with self._changed:
                    self._go = True
                    self._changed.notify_all()
        with self._changed:
            self._gone = True
            self._changed.notify_all()

    def check(self) -> None:
        """Stop where the desk is gone."""
        if self._gone:
            raise _StoppedError

    def wait(self) -> None:
        """Until the tables may be written."""
        with self._changed:
            self._changed.wait_for(lambda: self._go or self._gone)
        self.check()


def main(films: str, run: str, loader: str, anew: bool = False) -> int:
    """Measure; the exit status."""
    from raysplay.infer.measuring import measure_into

    if hasattr(os, "nice"):
        os.nice(_NICE)
    # What this process starts must not hold the desk's end of the pipe open, nor write into it.
    steps = os.fdopen(os.dup(sys.stdout.fileno()), "w", encoding="utf-8")
    with open(os.devnull, "w") as nowhere:
        os.dup2(nowhere.fileno(), sys.stdout.fileno())

    def tell(**what: Any) -> None:
        print(json.dumps(what), file=steps, flush=True)

    said = _Said()

    def progress(step: Progress) -> None:
        said.check()
        tell(stage=step.stage, done=step.done, total=step.total)
        if step.stage == "writing":
            said.wait()

    module, _, name = loader.partition(":")
    try:
        load = getattr(import_module(module), name)
        measure_into(
            Path(films),
            Path(run),
            overwrite=anew,
            keep_reads=anew,
            progress=progress,
            command=["raysplay", "visit"],
            load=load,
        )
    except _StoppedError:
        return 0
    except RaysplayError as error:
        tell(error=str(error))
        return error.exit_status
    except Exception as error:  # whatever it is, the desk goes on and says so
        tell(error=f"internal error ({type(error).__name__})")
        return 1
    tell(stage="done")
    return 0


if __name__ == "__main__":
    films_folder, run_folder, networks = sys.argv[1:4]
    sys.exit(main(films_folder, run_folder, networks, "anew" in sys.argv[4:]))
