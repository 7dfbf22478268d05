"""Starts the process that holds an accelerator, and ends it."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import tempfile
import threading
from pathlib import Path
from typing import Any

from raysplay.infer.accelerator.accelerator_error import AcceleratorError
from raysplay.infer.accelerator.device import need_torch
from raysplay.infer.accelerator.settings import accelerator_settings


class AcceleratorProcess:
    """Networks on a device, in a process of their own, which readers of a pool ask.

    Parameters
    ----------
    device : str
        As :func:`~raysplay.infer.accelerator.device.device_of` takes it.
    locator_weights, landmark_weights : Path

    Attributes
    ----------
    address : str
        Where it listens.
    about : dict of str to str
        The accelerator and what last digits depend on.

    Raises
    ------
    AcceleratorError
        If the device cannot be used; the message says why.
    """

    def __init__(self, device: str, locator_weights: Path, landmark_weights: Path) -> None:
        need_torch()
        self._folder = tempfile.TemporaryDirectory(prefix="raysplay-")  # for its owner alone
        self.address = str(Path(self._folder.name) / "accelerator")
        # -P: a folder of films must not be able to shadow a module.
        command = [sys.executable, "-P", "-m", "raysplay.infer.accelerator.serving"]
        self._child = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        watch = threading.Timer(accelerator_settings().start_seconds, self._child.kill)
        watch.daemon = True
        watch.start()
        try:
            said = self._asked(
                {
                    "device": device,
                    "locator": str(locator_weights.absolute()),
                    "landmarks": str(landmark_weights.absolute()),
                    "socket": self.address,
                }
            )
        except (OSError, ValueError):
            self.close()
            raise AcceleratorError(
                f"{device}: the process with the accelerator could not be started, or ended while it was loading"
            ) from None
        finally:
            watch.cancel()
        if "failed" in said:
            self.close()
            raise AcceleratorError(str(said["failed"]))
        self.about: dict[str, str] = said["about"]

    @property
    def child_pid(self) -> int:
        """Process id, for those who want to watch it."""
        return self._child.pid

    def spent(self) -> dict[str, float]:
        """As :meth:`~raysplay.infer.accelerator.networks.AcceleratedNetworks.spent`; empty if it is gone."""
        try:
            return self._asked({})
        except (OSError, ValueError):
            return {}

    def close(self) -> None:
        """End it."""
        self._child.kill()
        self._child.wait()
        for stream in (self._child.stdin, self._child.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()
        self._folder.cleanup()

    def _asked(self, about: dict[str, Any]) -> dict[str, Any]:
        assert self._child.stdin is not None
        assert self._child.stdout is not None
        self._child.stdin.write(json.dumps(about).encode("ascii") + b"\n")
        self._child.stdin.flush()
        said = json.loads(self._child.stdout.readline())
        if not isinstance(said, dict):
            raise ValueError("no answer")
        return said
