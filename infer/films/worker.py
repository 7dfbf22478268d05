"""The decoding process: takes paths on its standard input and answers with films or reasons.

Started by :class:`raysplay.infer.films.decode.FilmReader` only. Requests and answers are one line of
JSON each; the grey values of a film follow its line as raw float32. A pipe needs no shared-memory
device, works on every system, leaves nothing behind when a process dies, and was measured to be as fast.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from raysplay.infer.child_process import ChildProcess
from raysplay.infer.films.film import Film, FilmRejected
from raysplay.infer.films.settings import FilmLimits
from raysplay.infer.reason import ReasonKind

_OUT_OF_MEMORY = "decoding needs more memory than allowed"


def main() -> None:
    """Serve until the input ends. Argument: ``module:function`` that reads a film."""
    parent = ChildProcess()
    module, function = sys.argv[1].split(":")
    decode = getattr(importlib.import_module(module), function)
    told = parent.next_request()
    if not told:  # started ahead, and not needed
        return
    limits = FilmLimits.model_validate_json(told)
    _limit_memory(limits.decode_memory_bytes)
    parent.say({"ready": True})
    parent.hush()
    _serve(decode, limits, parent)


def _serve(decode: Callable[[Path, FilmLimits], Film], limits: FilmLimits, parent: ChildProcess) -> None:
    for line in parent.requests:
        _alarm(limits.decode_seconds)
        try:
            film = decode(Path(json.loads(line)), limits)
            header, pixels = _describe(film), np.ascontiguousarray(film.pixels, np.float32).data.cast("B")
        except BaseException as error:  # decoders written in Rust panic past Exception
            header, pixels = _refusal(error), memoryview(b"")
            del error
        _alarm(None)
        parent.say(header, pixels)
        del pixels
        film = None  # type: ignore[assignment]


def _describe(film: Film) -> dict[str, Any]:
    spacing, found = film.spacing, film.found_writing
    return {
        "shape": film.pixels.shape,
        "spacing": [spacing.row_mm, spacing.column_mm, spacing.kind.name, spacing.aspect, spacing.shape_confirmed],
        "laterality": film.laterality,
        "view": film.view,
        "loading": film.loading.name,
        "loading_stated": sorted(one.name for one in film.loading_stated),
        "sha256": film.sha256,
        "polarity_doubtful": film.polarity_doubtful,
        "person": film.person,
        "taken": film.taken,
        "sex": film.sex,
        "age": film.age,
        "terms": film.terms,
        "damage": film.damage.name if film.damage else None,
        "writing": None if found is None or found.pixels is not film.pixels else found.boxes.tolist(),
        "remarks": [(remark.kind.name, remark.text) for remark in film.remarks],
    }


def _refusal(error: BaseException) -> dict[str, Any]:
    if isinstance(error, FilmRejected):
        return {"reason": str(error), "kind": error.kind.name, "numbers": error.numbers}
    if isinstance(error, MemoryError):
        return {"reason": _OUT_OF_MEMORY, "kind": ReasonKind.OUT_OF_MEMORY.name, "numbers": {}}
    if isinstance(error, RecursionError):
        said = "damaged file: data elements nested too deeply"
    else:
        said = f"decoding failed ({type(error).__name__})"
    return {"reason": said, "kind": ReasonKind.UNREADABLE.name, "numbers": {}}


def _limit_memory(size: int) -> None:
    with contextlib.suppress(ImportError, ValueError, OSError):  # not on Windows; macOS may refuse
        import resource

        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        resource.setrlimit(resource.RLIMIT_AS, (size, size))


def _alarm(seconds: float | None) -> None:
    """Die even inside native code if the parent is no longer there to watch the time."""
    if hasattr(signal, "alarm"):
        signal.alarm(0 if seconds is None else int(seconds) + 5)


if __name__ == "__main__":
    main()
