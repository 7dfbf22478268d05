"""A device of torch by its name, checked, with what last digits depend on."""

from __future__ import annotations

import importlib.util
from typing import TYPE_CHECKING

from raysplay.infer.accelerator.accelerator_error import AcceleratorError

if TYPE_CHECKING:
    import torch

AUTO = "auto"
"""The first graphics card that there is."""

_LONGEST_REASON = 120


def device_of(name: str) -> torch.device:
    """The device of that name.

    Parameters
    ----------
    name : str
        As torch names it (``cuda``, ``cuda:1``, ``cpu``), or ``auto``.

    Raises
    ------
    AcceleratorError
        If there is no torch or no such device, or it cannot compute as is needed.
    """
    need_torch()
    import torch

    if name == AUTO:
        if not torch.cuda.is_available():
            raise AcceleratorError("torch finds no graphics card on this machine; leave the accelerator out")
        name = "cuda"
    try:
        device = torch.device(name)
        if device.type == "cuda" and device.index is None:
            device = torch.device("cuda", torch.cuda.current_device())
        torch.zeros(1, dtype=torch.float64, device=device).add_(1.0).cpu()
    except (RuntimeError, AssertionError, TypeError, NotImplementedError) as error:
        reason = (str(error).splitlines() or [type(error).__name__])[0].rstrip(".")
        reason = f" ({reason})" if len(reason) <= _LONGEST_REASON else ""  # some list all that there could be
        raise AcceleratorError(f"{name}: no accelerator that torch can use here{reason}") from error
    return device


def need_torch() -> None:
    """See whether torch is installed, without the seconds that importing it takes.

    Raises
    ------
    AcceleratorError
        If not.
    """
    try:
        found = importlib.util.find_spec("torch")
    except (ModuleNotFoundError, ValueError):
        found = None
    if found is None:
        raise AcceleratorError("an accelerator needs torch, which is not installed: pip install 'raysplay[torch]'")


def called(device: torch.device) -> str:
    """What its maker calls it."""
    import torch

    return torch.cuda.get_device_name(device) if device.type == "cuda" else device.type


def libraries(device: torch.device) -> str:
    """Versions of what computes on it, in words."""
    import torch

    if device.type != "cuda":
        return f"torch {torch.__version__}"
    return f"torch {torch.__version__}, CUDA {torch.version.cuda}, cuDNN {torch.backends.cudnn.version()}"  # type: ignore[no-untyped-call]
