"""Has the films of a desk measured in the background, again and again as films come, and says how far that is."""

from __future__ import annotations

import contextlib
import json
import logging
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

from raysplay.infer.clinic.desk_folder import DeskFolder
from raysplay.infer.clinic.measuring_process import ANEW, GO, LOADER, MEASURE
from raysplay.infer.clinic.settings import ClinicSettings
from raysplay.infer.review.guard import place_of

Stage = Literal["idle", "waiting", "loading", "measuring", "held", "writing", "failed"]

log = logging.getLogger(__name__)

PROGRAM = (sys.executable, "-m", "raysplay.infer.clinic.measuring_process")
"""What measures, but for its arguments."""

_LOOK_SECONDS = 0.2
_END_SECONDS = 10.0


@dataclass(frozen=True)
class HowFar:
    """How far measuring has come.

    Attributes
    ----------
    stage : str
        ``held``: films are read, but somebody has a foot in hand, and what they see must not change meanwhile.
    done, total : int
        Films, those that were known before among them.
    error : str
        Why it failed; else empty.
    """

    stage: Stage = "idle"
    done: int = 0
    total: int = 0
    error: str = ""


class BusyError(Exception):
    """Films are being measured."""


class Measuring:
    """Measures in the background what is wanted.

    The process that measures keeps its networks for the films that come next, for some minutes, as long as it does not
    hold too much memory; it ends with the desk. One that ended while it waited is started anew.

    Parameters
    ----------
    folder : DeskFolder
    settings : ClinicSettings
    in_hand : callable
        Whether a reader has a foot in hand.
    finished : callable
        Called when a run is whole.
    loader : str
        Function that loads the networks, ``module:name``.
    """

    def __init__(
        self,
        folder: DeskFolder,
        settings: ClinicSettings,
        in_hand: Callable[[], bool],
        finished: Callable[[], None],
        loader: str = LOADER,
    ) -> None:
        self._folder, self._settings, self._loader = folder, settings, loader
        self._in_hand, self._finished = in_hand, finished
        self._changed = threading.Condition()
        self._wanted_at: float | None = None
        self._arriving = 0
        self._anew = self._ending = self._paused = False
        self._process: subprocess.Popen[str] | None = None
        self._resting_since = 0.0
        self.how_far = HowFar()
        self._thread = threading.Thread(target=self._work, name="measuring", daemon=True)
        self._thread.start()

    @contextlib.contextmanager
    def arriving(self) -> Iterator[None]:
        """While a film comes in, none is measured yet: those that come together are measured together."""
        with self._changed:
            self._arriving += 1
        try:
            yield
        finally:
            with self._changed:
                self._arriving -= 1
                if self._wanted_at is not None:
                    self._wanted_at = time.monotonic()
                self._changed.notify_all()

    @contextlib.contextmanager
    def paused(self) -> Iterator[None]:
        """Nothing is measured meanwhile.

        Raises
        ------
        BusyError
            If films are being measured, or come in.
        """
        with self._changed:
            if self.how_far.stage not in ("idle", "failed") or self._arriving or self._wanted_at is not None:
                raise BusyError
            self._paused = True
        try:
            yield
        finally:
            with self._changed:
                self._paused = False
                self._changed.notify_all()

    def want(self, *, anew: bool = False) -> None:
        """Measure what has come; ``anew``: everything, as another version of the program reads it."""
        with self._changed:
            self._wanted_at = time.monotonic()
            self._anew = self._anew or anew
            if self.how_far.stage in ("idle", "failed"):
                self.how_far = HowFar("waiting")
            self._changed.notify_all()

    def close(self) -> None:
        """Stop; what was read is kept, and the next start goes on."""
        with self._changed:
            self._ending = True
            self._changed.notify_all()
        self._end_process()
        self._thread.join(_END_SECONDS)

    def _work(self) -> None:
        while True:
            with self._changed:
                while not self._ready() and not self._ending and self._rest() != 0.0:
                    self._changed.wait(_LOOK_SECONDS if self._wanted_at is not None else self._rest())
                if self._ending:
                    return
                wanted = self._ready()
                if wanted:
                    self._wanted_at, anew, self._anew = None, self._anew, False
            if not wanted:
                self._end_process()
                continue
            try:
                self._measure(anew)
            except OSError as error:
                self.how_far = HowFar("failed", error=f"measuring could not be started ({error.strerror})")
            except Exception as error:  # the desk goes on, and says so
                log.error("Measuring failed: %s", place_of(error))
                self.how_far = HowFar("failed", error=f"internal error ({type(error).__name__})")

    def _ready(self) -> bool:
        quiet = self._wanted_at is not None and time.monotonic() - self._wanted_at >= self._settings.quiet_seconds
        return quiet and not self._arriving and not self._paused

    def _rest(self) -> float | None:
        """Seconds for which the process is still kept; None where there is none, or something is to be done."""
        if self._process is None or self._wanted_at is not None:
            return None
        return max(0.0, self._resting_since + 60.0 * self._settings.warm_minutes - time.monotonic())

    def _measure(self, anew: bool) -> None:
        self.how_far = HowFar("loading")
        whole, error = False, ""
        for _ in range(2):
            waited = self._process is not None and self._process.poll() is None
            process = self._process if waited else self._start()
            assert process is not None
            if self._ending:  # closed meanwhile: whoever closed may not have seen it yet
                self._end_process()
                return
            told_any, whole, error, mib = self._ordered(process, ANEW if anew else MEASURE)
            if not whole or self._ending or mib > self._settings.warm_mib or not self._settings.warm_minutes:
                self._end_process()
            # One that ended while it waited, or is of an earlier version of the program, had nothing begun.
            if whole or told_any or not waited or self._ending:
                break
        self._resting_since = time.monotonic()
        if self._ending:
            return
        if not whole:
            why = error or "what measures the films ended; it may have been out of memory"
            self.how_far = HowFar("failed", error=why)
            return
        self._finished()
        with self._changed:
            self.how_far = HowFar("waiting" if self._wanted_at is not None else "idle")

    def _start(self) -> subprocess.Popen[str]:
        if self._process is not None:
            self._end_process()
        self._process = subprocess.Popen(
            [*PROGRAM, str(self._folder.films), str(self._folder.run), self._loader],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,  # a warning of a library may name a film
            text=True,
            encoding="utf-8",
        )
        return self._process

    def _ordered(self, process: subprocess.Popen[str], order: str) -> tuple[bool, bool, str, float]:
        """Have a process measure: whether it told anything, whether all was done, what went wrong, and its memory."""
        told_any, error = False, ""
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            process.stdin.write(f"{order}\n")
            process.stdin.flush()
            for line in process.stdout:
                if not line.startswith("{"):
                    continue  # a library talks
                told = json.loads(line)
                if told.get("stage") == "stale":
                    break
                told_any = True
                if "error" in told:
                    error = told["error"]
                elif told["stage"] == "writing":
                    self._wait_for_readers()
                    self.how_far = replace(self.how_far, stage="writing")
                    if not self._ending:
                        process.stdin.write(f"{GO}\n")
                        process.stdin.flush()
                elif told["stage"] == "done":
                    return told_any, True, "", float(told["mib"])
                else:
                    self.how_far = HowFar(told["stage"], told["done"], told["total"])
        except (OSError, ValueError):
            error = error or "what measures the films ended"
        return told_any, False, error, 0.0

    def _end_process(self) -> None:
        """End the process, if there is one: it ends with its standard input."""
        process, self._process = self._process, None
        if process is None:
            return
        with contextlib.suppress(OSError, ValueError):
            process.stdin.close() if process.stdin else None
        try:
            process.wait(_END_SECONDS)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()

    def _wait_for_readers(self) -> None:
        """Until nobody has a foot in hand; a foot that is left lying open does not hold the others up for ever."""
        until = time.monotonic() + 60.0 * self._settings.wait_minutes
        while not self._ending and self._in_hand() and time.monotonic() < until:
            self.how_far = replace(self.how_far, stage="held")
            time.sleep(_LOOK_SECONDS)
