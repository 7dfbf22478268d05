"""What the numbers of a film depend on besides the film: weights, configuration, protocol, code, libraries.

Films that were read under one key belong into one table; under another key they must be read again.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
from collections.abc import Iterable, Iterator, Mapping
from functools import lru_cache
from pathlib import Path

from raysplay.configs.load import CONFIG_DIR, digest
from raysplay.infer.beam import angle_model
from raysplay.infer.films import character_network, letter_network
from raysplay.infer.shipped_weights import of_network

COMMON_WEIGHTS = tuple(of_network(one.NETWORK) for one in (letter_network, character_network, angle_model))
"""Of what reads side letters, words on films and the beam's angle, the same for every reader."""

_WEIGHTS = "the weights "

ReaderKey = Mapping[str, str]
"""Digests and versions by what they are of, in words."""

_CONFIGS = (
    "decision.yaml",
    "films.yaml",
    "landmarks.yaml",
    "outputs.yaml",
    "proof.yaml",
    "reading.yaml",
    "stated_terms.yaml",
)
_SELECTION_CONFIGS = ("selection.yaml",)
_CODE = (
    "configs/proof.py",
    "configs/protocol.py",
    "measure",
    "infer/beam",
    "infer/decide",
    "infer/films",
    "infer/network",
    "infer/shafts",
    "infer/foot_reader.py",
    "infer/outputs/overlay.py",
    "infer/pipeline.py",
    "infer/reason.py",
    "infer/records.py",
    "infer/settings.py",
    "infer/warp.py",
)
"""What has part in a number; the rest of the program may change without a film being read again."""
_SELECTION_CODE = ("infer/selection/choice.py", "infer/selection/select.py", "infer/selection/settings.py")
_ACCELERATOR_CODE = ("infer/accelerator",)
_LIBRARIES = (
    "onnxruntime",
    "numpy",
    "scipy",
    "scikit-image",
    "pillow",
    "pydicom",
    "pylibjpeg-openjpeg",
    "pyjpegls",
    "simplejpeg",
    "imagecodecs",
)


def reader_key(
    weights: Mapping[str, str],
    protocol: Path,
    *,
    select: bool = False,
    accelerator: Mapping[str, str] | None = None,
) -> dict[str, str]:
    """The key of this program with these weights (SHA-256 by name) and this protocol file.

    ``select``: whether films are left out that the selection does not keep; then by what it keeps them, too.
    ``accelerator``: what it says of itself (:attr:`~raysplay.infer.accelerator.looking.LooksAtFilms.about`).
    """
    by_accelerator = (
        {}
        if accelerator is None
        else {
            **{f"--accelerator ({name})": said for name, said in accelerator.items()},
            "the code of the accelerator": code_digest(_ACCELERATOR_CODE),
        }
    )
    by_selection = (
        {}
        if not select
        else {
            "--select": "on",
            **{f"the configuration {name}": digest(CONFIG_DIR / name) for name in _SELECTION_CONFIGS},
            "the code of the selection": code_digest(_SELECTION_CODE),
        }
    )
    return {
        **{f"{_WEIGHTS}{name}": known for name, known in sorted(weights.items())},
        **{f"{_WEIGHTS}{path.name}": digest(path) for path in COMMON_WEIGHTS},
        **{f"the configuration {name}": digest(CONFIG_DIR / name) for name in _CONFIGS},
        "the protocol": digest(protocol),
        "the code of Raysplay": code_digest(),
        **by_selection,
        **by_accelerator,
        **dict(_versions(_LIBRARIES if any(name.endswith(".onnx") for name in weights) else (*_LIBRARIES, "torch"))),
    }


def weights_of(key: ReaderKey) -> dict[str, str]:
    """SHA-256 of every weights file that a key names, those that are the same for every reader among them."""
    return {name.removeprefix(_WEIGHTS): known for name, known in key.items() if name.startswith(_WEIGHTS)}


def differences(before: ReaderKey, now: ReaderKey) -> list[str]:
    """What is not the same under two keys, in words."""
    return [
        f"{name} ({before[name]} before, {now[name]} now)" if _is_version(name, before, now) else name
        for name in sorted({*before, *now})
        if before.get(name) != now.get(name)
    ]


@lru_cache(maxsize=3)
def code_digest(parts: tuple[str, ...] = _CODE) -> str:
    """SHA-256 over sources; by default over those that have part in a number."""
    root = Path(__file__).parents[2]
    total = hashlib.sha256()
    for part in parts:
        top = root / part
        for path in sorted(top.rglob("*.py")) if top.is_dir() else [top]:
            name = f"{part}/{path.relative_to(top).as_posix()}"
            total.update(f"{name}\0{digest(path)}\n".encode())
    return total.hexdigest()


def _versions(libraries: Iterable[str]) -> Iterator[tuple[str, str]]:
    for name in libraries:
        try:
            yield name, importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            yield name, "not installed"


def _is_version(name: str, before: ReaderKey, now: ReaderKey) -> bool:
    return name in (*_LIBRARIES, "torch") and name in before and name in now
