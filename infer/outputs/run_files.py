"""Names of the files that a run and its review leave in a folder: the one list."""

from __future__ import annotations

CHECKED = ("feet.csv", "films.csv", "measurements.csv", "crops.csv", "landmarks.parquet")
"""Tables whose digests ``run.json`` holds."""

WORKBOOK, ABOUT = "feet.xlsx", "run.json"

TABLES = (*CHECKED, WORKBOOK, ABOUT)
"""All but the pictures, in the order in which files get their names: ``run.json``, the sign of a whole run, last."""

OVERLAYS = "overlays"

PARTIAL = ".partial"
"""What the names of an unfinished run end in."""

LOCK, WRITER = ".raysplay.lock", ".raysplay.writer"
"""Held by whoever writes; says who that is. The first stays, hidden and empty."""

SCRATCH = ".raysplay-"
"""What folders begin with that a run keeps only while it writes."""

STORES = "review_stores.txt"
"""Where reads are kept that do not lie in the folder: one address a line, without passwords."""

STORE = "review.sqlite"
"""Reads of a review: the embedded store."""

SELECTION = "selection.csv"
"""What a selection says of every file of an archive."""

REPORT = "report.html"
"""The report of the run (``infer/overview/``)."""

LEDGER, LEDGER_ELSEWHERE = "ledger.sqlite", "ledger.json"
"""What was read of every film (``infer/archive/ledger.py``); where it is kept if not here."""

LEDGER_MARK = b"RYLG"
"""By which the file of a ledger is known (sqlite.org, "Database File Format", application ID)."""

LEDGER_FILES = (
    *(f"{LEDGER}{end}" for end in ("", "-wal", "-shm", "-journal")),
    LEDGER_ELSEWHERE,
    f"{LEDGER_ELSEWHERE}.new",
)

BESIDE = (
    SELECTION,
    REPORT,
    f"{REPORT}{PARTIAL}",
    *LEDGER_FILES,
    *(f"{STORE}{end}" for end in ("", "-wal", "-shm", "-journal")),
    STORES,
    LOCK,
    f"{LOCK}.held",
    WRITER,
    f"{WRITER}.new",
)
"""What lies beside a run and is no film."""
