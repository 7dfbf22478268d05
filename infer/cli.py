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
        "status",
        "raysplay.infer.archive.status_command",
        "status",
        "Tell how far a run has come: films by decision, rate, time left, the slowest and those that gave no film.",
    ),
    Subcommand(
        "report",
        "raysplay.infer.overview.command",
        "report",
        "Write one page on a run: counts, flow of files, distributions, drift against an earlier run, time.",
    ),
    Subcommand(
        "names",
        "raysplay.infer.names_command",
        "names",
        "Give the names of the films back to whoever holds the key of a run and the films.",
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
        "visit",
        "raysplay.infer.visit.command",
        "visit",
        "Write one report a person from films or a run; without either, open the page that films are dropped on.",
    ),
    Subcommand(
        "technique-card",
        "raysplay.infer.clinic.command",
        "technique_card",
        "Write the card on taking films: one page to print, what to do and what to note down.",
    ),
    Subcommand(
        "agreement",
        "raysplay.infer.agreement.command",
        "agreement",
        "Compare a run with manual reads, and readers with each other: figures, plots and a report.",
    ),
    Subcommand(
        "agreement-plan",
        "raysplay.infer.agreement.plan_command",
        "agreement_plan",
        "How many films and readers a study of agreement needs, by formula and by simulation.",
    ),
    Subcommand(
        "repeatability",
        "raysplay.infer.robustness.command",
        "repeatability",
        "Print how far readings of one film lie apart when it is turned, made coarser and shown darker.",
    ),
    Subcommand(
        "damage",
        "raysplay.infer.robustness.command",
        "damage",
        "Change single bytes of every film and count what is accepted with another angle than the sound film's.",
    ),
    Subcommand(
        "mutants",
        "raysplay.infer.robustness.command",
        "mutants",
        "Read broken files of every format and count what becomes of them; the slowest ten are named.",
    ),
)
"""In the order of ``raysplay --help``."""
