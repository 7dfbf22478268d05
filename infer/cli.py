"""Subcommands of ``raysplay`` that stand on this floor."""

from __future__ import annotations

from raysplay.configs.subcommand import Subcommand

COMMANDS = (
    Subcommand(
        "measure",
        "raysplay.infer.command",
        "measure",
        "Measure every foot on every film and say which readings a person must look at.",
    ),
    Subcommand(
        "measures",
        "raysplay.infer.measures_command",
        "measures",
        "List the measures with unit, construction and definition.",
    ),
    Subcommand(
        "review",
        "raysplay.infer.review.command",
        "review",
        "Look at what a run left open, correct it, and settle it, on a page that only this machine can reach.",
    ),
    Subcommand(
        "export",
        "raysplay.infer.review.export_command",
        "export",
        "Write the reviewed table, corrected landmarks, blind reads and the history of reads.",
    ),
    Subcommand(
        "agreement",
        "raysplay.infer.agreement.command",
        "agreement",
        "Compare a run with manual reads, and readers with each other: figures, plots and a report.",
    ),
)
"""In the order of ``raysplay --help``."""
