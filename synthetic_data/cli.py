"""Subcommands of ``raysplay`` that stand on this floor."""

from __future__ import annotations

from raysplay.configs.subcommand import Subcommand

COMMANDS = (
    Subcommand(
        "synthesize",
        "raysplay.synthetic_data.command",
        "synthesize",
        "Write generated DICOM films and the true angles and landmarks of every foot on them.",
    ),
    Subcommand(
        "demo-archive",
        "raysplay.synthetic_data.command",
        "demo_archive",
        "Write the small archive of an invented clinic that the demonstration measures.",
        hidden=True,
    ),
    Subcommand(
        "distributions",
        "raysplay.synthetic_data.command",
        "distributions",
        "Hold generated feet against published figures of people's feet: a table and a picture.",
    ),
    Subcommand(
        "skeleton-films",
        "raysplay.synthetic_data.skeleton.command",
        "skeleton_films",
        "Write films of a digitised skeleton, whose bones the generator never made, with their truth.",
    ),
)
"""In the order of ``raysplay --help``."""
