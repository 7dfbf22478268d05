"""``run.json``: what ran, on what, how long, with which outcome."""

from __future__ import annotations

import importlib.metadata
import json
import platform
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from raysplay.configs.load import CONFIG_DIR, digest
from raysplay.infer.machine_rate import operations_a_second
from raysplay.infer.outputs import run_format
from raysplay.infer.outputs.table_digests import KEY
from raysplay.infer.reason import ReasonKind
from raysplay.infer.records import OUTCOMES, Decision, FilmRecord, Outcome

_COMPONENTS = (
    "raysplay",
    "onnxruntime",
    "numpy",
    "scikit-image",
    "pydicom",
    "pillow",
    "pyarrow",
    "safetensors",
)


@dataclass
class RunReport:
    """Counts a run while it goes on.

    Attributes
    ----------
    decisions : Counter
        Rows of ``feet.csv`` by decision.
    reasons : Counter
        Rows in review and refused by kind of reason; a row may have several, remarks among them.
    withheld : Counter
        Feet from which a measure was withheld, by its name.
    seconds : dict of str to float
        By stage, of all threads and processes together.
    operations : float
        Multiplications and additions of the networks.
    here : bool
        Whether this machine alone read the films.
    """

    films: int = 0
    feet: int = 0
    films_without_foot: int = 0
    decisions: Counter[str] = field(default_factory=Counter)
    reasons: Counter[ReasonKind] = field(default_factory=Counter)
    withheld: Counter[str] = field(default_factory=Counter)
    seconds: dict[str, float] = field(default_factory=dict)
    operations: float = 0.0
    here: bool = True

    def add(self, record: FilmRecord) -> None:
        """Count one film with its feet."""
        self.films += 1
        self.feet += len(record.feet)
        if record.feet:
            self.decisions.update(foot.decision.outcome.value for foot in record.feet)
        else:
            self.films_without_foot += 1
            self.decisions["refused"] += 1
        decisions = [foot.decision for foot in record.feet] or [record.decision or Decision(Outcome.REFUSED)]
        for decision in decisions:
            if decision.outcome is not Outcome.ACCEPTED:
                self.reasons.update({reason.kind for reason in decision.reasons})
        for foot in record.feet:
            if foot.decision.outcome is not Outcome.REFUSED:
                self.withheld.update(one.measure for one in foot.measurements if one.withheld)
        self.add_seconds(record.seconds or {})
        self.operations += record.operations

    def add_seconds(self, seconds: dict[str, float]) -> None:
        """Add time spent in stages; stages that overlap are counted each in full."""
        for stage, spent in seconds.items():
            self.seconds[stage] = self.seconds.get(stage, 0.0) + spent

    @classmethod
    def of_counts(cls, counts: Mapping[str, Any]) -> RunReport:
        """The report of a run by the ``counts`` of its ``run.json``.

        Raises
        ------
        KeyError, ValueError
            If they are none of this version.
        """
        return cls(
            counts["films"],
            counts["feet"],
            counts["films_without_foot"],
            Counter(counts["rows_by_decision"]),
            Counter({ReasonKind(kind): rows for kind, rows in counts["rows_by_reason"].items()}),
            Counter(counts["withheld"]),
        )

    def films_per_minute(self, wall_seconds: float) -> float:
        """Films counted so far over a time in seconds; 0 for no time."""
        return 60.0 * self.films / wall_seconds if wall_seconds > 0 else 0.0

    def share_of_machine(self, wall_seconds: float) -> float:
        """What the networks computed, as a share of what products of matrices would have come to in that time.

        By the rate that this process measures once. 0 for no time, for films that other machines read, and where the
        share would be above 1: then the machine had other work while its rate was measured.
        """
        if not (self.here and self.operations and wall_seconds > 0):
            return 0.0
        share = self.operations / (wall_seconds * operations_a_second())
        return share if share <= 1.0 else 0.0

    def as_json(
        self,
        *,
        command: Iterable[str],
        wall_seconds: float,
        weights: dict[str, str],
        protocol: Path,
        constructions: dict[str, str],
        proven: list[str],
        films: Path | None = None,
        tables: Mapping[str, str] | None = None,
        machine: Mapping[str, str | int] | None = None,
        name_key: str = "",
    ) -> dict[str, Any]:
        """Everything ``run.json`` holds.

        Parameters
        ----------
        command : iterable of str
            The command line as given.
        wall_seconds : float
        weights : dict of str to str
            SHA-256 of every weights file by name.
        protocol : Path
            The protocol file.
        constructions : dict of str to str
            Construction of every reported measure by name, in the protocol's order.
        proven : list of str
            Reported measures whose error is known on bones that no generator drew, with these weights.
        films : Path, optional
            Folder that the names of the films are relative to.
        tables : mapping of str to str, optional
            SHA-256 of every table by name.
        machine : mapping, optional
            What numbers depend on in their last digits: threads of the network, instructions of the processor.
        name_key : str
            Mark of the key under which films have identifiers; empty where their names stand in the tables.
        """
        return {
            run_format.KEY: run_format.FORMAT,
            "command": list(command),
            "ended": _now(),
            "films": None if films is None else str(films.absolute()),
            **({"name_key": name_key} if name_key else {}),
            "versions": {"python": platform.python_version(), **_versions()},
            "machine": dict(machine or {}),
            KEY: dict(tables or {}),
            "digests": {
                "weights": weights,
                "configs": {path.name: digest(path) for path in sorted(CONFIG_DIR.glob("*.yaml"))},
            },
            "protocol": {
                "file": str(protocol),
                "sha256": digest(protocol),
                "constructions": constructions,
                "proven": proven,
            },
            "counts": self._counts(),
            "wall_seconds": round(wall_seconds, 3),
            "films_per_minute": round(self.films_per_minute(wall_seconds), 2),
            "seconds_by_stage": {stage: round(spent, 3) for stage, spent in sorted(self.seconds.items())},
            "arithmetic": self._arithmetic(wall_seconds),
        }

    def of_fewer(self, tables: Mapping[str, str]) -> dict[str, Any]:
        """What ``run.json`` says anew where films were taken out of a run: tables, counts, and when that was."""
        return {"ended": _now(), KEY: dict(tables), "counts": self._counts()}

    def _arithmetic(self, wall_seconds: float) -> dict[str, float | None]:
        # The machine is not measured where no network computed anything on it: nothing is held against it.
        return {
            "networks_gigaflop": round(self.operations / 1e9, 3),
            "machine_gigaflop_per_second": round(operations_a_second() / 1e9, 1)
            if self.operations and self.here
            else None,
            "share_of_machine": round(self.share_of_machine(wall_seconds), 4),
        }

    def _counts(self) -> dict[str, Any]:
        return {
            "films": self.films,
            "films_without_foot": self.films_without_foot,
            "feet": self.feet,
            "rows_by_decision": {name: self.decisions.get(name, 0) for name in OUTCOMES},
            "rows_by_reason": {kind.value: rows for kind, rows in self.reasons.most_common()},
            "withheld": dict(self.withheld.most_common()),
        }


def _now() -> str:
    return datetime.now().astimezone().isoformat(timespec="seconds")


def write_json(path: Path, content: dict[str, Any]) -> None:
    """Write ``content`` as readable JSON; a path that is no text is escaped (RFC 8259, section 7), and read back so."""
    try:
        text = json.dumps(content, indent=2, ensure_ascii=False).encode("utf-8")
    except UnicodeEncodeError:
        text = json.dumps(content, indent=2).encode("ascii")
    path.write_bytes(text + b"\n")


def _versions() -> dict[str, str]:
    found = {}
    for name in _COMPONENTS:
        try:
            found[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            found[name] = "not installed"
    return found
