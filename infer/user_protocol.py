"""The protocol that a user names, or the shipped one."""

from __future__ import annotations

from pathlib import Path

from raysplay.configs.load import ConfigError, locate, shipped
from raysplay.configs.protocol import ReadingProtocol, read_protocol
from raysplay.infer.films.film import SpacingKind


def protocol_file(named: Path | str | None) -> Path:
    """The file: the one named, or that of this name in ``configs/``; ``protocol.yaml`` for None."""
    return shipped("protocol.yaml") if named is None else locate(named)


def user_protocol(named: Path | str | None) -> ReadingProtocol:
    """The protocol of a file, checked to speak of every kind of pixel spacing and of no other.

    Raises
    ------
    ConfigError
        If the file cannot be used.
    """
    path = protocol_file(named)
    read = read_protocol(path)
    kinds = {kind.value for kind in SpacingKind}
    if set(read.spacing) != kinds:
        wrong = ", ".join(sorted(kinds ^ set(read.spacing)))
        raise ConfigError(f"{path}: spacing: missing, or no kind of spacing: {wrong}")
    return read
