"""``raysplay evaluate``: compares what is measured with truth."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from raysplay.infer.command_options import (
    LandmarkWeights,
    Threads,
    out_option,
    overwrite_option,
    protocol_option,
    study_option,
)
from raysplay.infer.reading_options import ReadingOptions

if TYPE_CHECKING:
    from raysplay.infer.compare.comparison import CompareOptions
    from raysplay.train.suite.run import SuiteOptions

_SUITE, _TRUTH = "Of --suite", "Of FILMS and TRUTH"

_Films = Annotated[
    Path | None, typer.Argument(metavar="FILMS", help="Folder of films; not with --suite.", show_default=False)
]
_Truth = Annotated[
    Path | None,
    typer.Argument(
        metavar="TRUTH",
        help="CSV with one row a foot: film (path below FILMS), foot (L, R or empty for none), measures by name "
        "(hva, ima, ...); may hold construction, view (dp, oblique, lateral, other), x, y, width, height of the "
        "foot in pixels, condition (what makes the foot unfit, or empty), study, reader, repeat. Or reads.csv of "
        "export. Commas, semicolons or tabs; decimal points or commas; no number: empty, - or n/a.",
        show_default=False,
    ),
]
_Out = Annotated[Path | None, out_option("tables, plots and run/; needed by --suite")]
_Overwrite = Annotated[bool, overwrite_option("evaluation")]
_Measured = Annotated[
    Path | None,
    typer.Option(
        "--measured",
        metavar="RUN_DIR",
        help="Use this finished run instead of measuring again.",
        rich_help_panel=_TRUTH,
    ),
]
_Protocol = Annotated[
    Path | None,
    protocol_option("Measures to compare and how TRUTH builds them; see measure.", rich_help_panel=_TRUTH),
]
_Study = Annotated[str | None, study_option(rich_help_panel=_TRUTH)]
_Reader = Annotated[
    str | None,
    typer.Option(
        "--reader",
        metavar="INITIALS",
        help="Whose reads, if TRUTH holds several readers', below each other or side by side (hva_AB, hva_CD).",
        rich_help_panel=_TRUTH,
    ),
]
_Repeat = Annotated[
    str | None,
    typer.Option("--repeat", metavar="N", help="Which repeat, if TRUTH holds several.", rich_help_panel=_TRUTH),
]
_Ignore = Annotated[
    str | None,
    typer.Option(
        "--ignore",
        metavar="A,B",
        help="Leave these columns of TRUTH out. Columns of numbers that nobody knows must be named here.",
        rich_help_panel=_TRUTH,
    ),
]
_SkipMissing = Annotated[
    bool,
    typer.Option(
        "--skip-missing",
        help="Leave out rows of TRUTH whose film is not there, and say how many.",
        rich_help_panel=_TRUTH,
    ),
]
_Calibrate = Annotated[
    bool,
    typer.Option(
        "--calibrate",
        help="Also write DIR/calibration.yaml: factors for decision.yaml under which intervals hold their level.",
        rich_help_panel=_TRUTH,
    ),
]
_Level = Annotated[
    float | None,
    typer.Option(
        "--level",
        min=0.5,
        max=0.999,
        help="Share of true values that --calibrate shall hold; that of decision.yaml if left out.",
        rich_help_panel=_TRUTH,
    ),
]
_NameKey = Annotated[
    Path | None,
    typer.Option(
        "--name-key",
        metavar="FILE",
        help="Measure under this key, which gives films identifiers; or the key of --measured.",
        rich_help_panel=_TRUTH,
    ),
]
_Suite = Annotated[
    bool,
    typer.Option(
        "--suite", help="Generate and measure a fixed list of conditions (suite.yaml).", rich_help_panel=_SUITE
    ),
]
_Count = Annotated[
    int | None,
    typer.Option("--n", min=1, help="Films a condition; that of suite.yaml if left out.", rich_help_panel=_SUITE),
]
_Seed = Annotated[
    int | None,
    typer.Option("--seed", min=0, help="Same seed, same films; that of suite.yaml.", rich_help_panel=_SUITE),
]
_Conditions = Annotated[
    str | None,
    typer.Option("--conditions", metavar="A,B", help="Only these conditions.", rich_help_panel=_SUITE),
]
_Archive = Annotated[
    list[str] | None,
    typer.Option(
        "--archive",
        metavar="NAME=DIR",
        help="Also this archive (films/, truth.csv), as a condition of suite.yaml that is not generated.",
        rich_help_panel=_SUITE,
    ),
]
_Real = Annotated[
    Path | None,
    typer.Option("--real", metavar="FOLDER", help="Also real films, without truth.", rich_help_panel=_SUITE),
]
_Listed = Annotated[
    Path | None,
    typer.Option(
        "--list",
        metavar="CSV",
        help="What the real films show: film (path below FOLDER), view, and conditions if known.",
        rich_help_panel=_SUITE,
    ),
]


def evaluate(
    films: _Films = None,
    truth: _Truth = None,
    out: _Out = None,
    overwrite: _Overwrite = False,
    threads: Threads = None,
    landmark_weights: LandmarkWeights = None,
    measured: _Measured = None,
    protocol: _Protocol = None,
    study: _Study = None,
    reader: _Reader = None,
    repeat: _Repeat = None,
    ignore: _Ignore = None,
    skip_missing: _SkipMissing = False,
    calibrate: _Calibrate = False,
    level: _Level = None,
    name_key: _NameKey = None,
    suite: _Suite = False,
    n: _Count = None,
    seed: _Seed = None,
    conditions: _Conditions = None,
    archive: _Archive = None,
    real: _Real = None,
    listed: _Listed = None,
) -> None:
    """Compare what is measured on FILMS with TRUTH and print the errors, or run the whole suite of conditions."""
    reading = ReadingOptions(protocol, threads, landmark_weights)
    if suite:
        _only(films=films, truth=truth, measured=measured, protocol=protocol, calibrate=calibrate, level=level)
        _only(study=study, reader=reader, repeat=repeat, ignore=ignore, skip_missing=skip_missing, name_key=name_key)
        from raysplay.train.suite.run import SuiteOptions

        asked = SuiteOptions(
            films=n,
            seed=seed,
            names=conditions,
            archives=tuple(archive or ()),
            real=real,
            listed=listed,
            overwrite=overwrite,
            reading=reading,
        )
        _run_suite(out, asked)
        return
    _only(n=n, seed=seed, conditions=conditions, archive=archive, real=real, list=listed)
    from raysplay.infer.compare.comparison import CompareOptions
    from raysplay.infer.compare.truth_choice import Choice

    options = CompareOptions(
        choice=Choice(study, reader, repeat, ignore or ""),
        skip_missing=skip_missing,
        out=out,
        overwrite=overwrite,
        reading=reading,
        measured=measured,
        calibrate=calibrate,
        level=level,
        name_key=name_key,
    )
    _compare(films, truth, options)


def _run_suite(out: Path | None, asked: SuiteOptions) -> None:
    """Run the suite as asked, or say which option is missing."""
    from raysplay.train.suite.run import run_suite

    if out is None:
        raise typer.BadParameter("is needed", param_hint="--out")
    if (asked.real is None) != (asked.listed is None):
        raise typer.BadParameter("--real and --list go together", param_hint="--real")
    with _held(out):
        run_suite(out, asked)


def _compare(films: Path | None, truth: Path | None, options: CompareOptions) -> None:
    """Compare films with their truth as asked, or say which options do not fit each other."""
    from raysplay.infer.compare.comparison import compare
    from raysplay.infer.user_table import UserTableError

    if films is None or truth is None:
        raise typer.BadParameter("FILMS and TRUTH are needed, or --suite", param_hint="FILMS TRUTH")
    if options.measured is not None and options.reading.protocol is not None:
        raise typer.BadParameter("a finished run keeps the protocol it was read by", param_hint="--protocol")
    if options.measured is not None and options.reading.landmark_weights is not None:
        raise typer.BadParameter("a finished run keeps the weights it was read with", param_hint="--landmark-weights")
    if options.calibrate and options.out is None:
        raise typer.BadParameter("is needed by --calibrate", param_hint="--out")
    if options.level is not None and not options.calibrate:
        raise typer.BadParameter("only with --calibrate", param_hint="--level")
    try:
        with _held(options.out):
            compare(films, truth, options)
    except UserTableError as error:
        raise typer.BadParameter(str(error), param_hint="TRUTH") from error


@contextlib.contextmanager
def _held(out: Path | None) -> Iterator[None]:
    """Keep other programs, and the eyes of other users, out of the folder of an evaluation."""
    from raysplay.infer.outputs.folder_lock import FolderInUseError, taken
    from raysplay.infer.outputs.owner_only import owner_only

    with owner_only(), contextlib.ExitStack() as stack:
        if out is not None:
            try:
                stack.enter_context(taken(out))
            except FolderInUseError as error:
                raise typer.BadParameter(str(error), param_hint="--out") from None
            except OSError as error:
                raise typer.BadParameter(f"{out}: cannot be written ({error.strerror})", param_hint="--out") from error
        yield


def _only(**others: object) -> None:
    """Refuse what belongs to the other way of evaluating."""
    for name, value in others.items():
        if value not in (None, False, []):
            hint = name.upper() if name in ("films", "truth") else f"--{name.replace('_', '-')}"
            raise typer.BadParameter("does not go with this way of evaluating; see --suite", param_hint=hint)
