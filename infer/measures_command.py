"""``raysplay measures``: what can be measured, how, and from which source."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from raysplay.measure.evidence import cite

if TYPE_CHECKING:
    from rich.console import Console

    from raysplay.configs.proof import Trial
    from raysplay.configs.protocol import ReadingProtocol
    from raysplay.measure import Measure
    from raysplay.measure.grades import Scale


def measures(
    name: Annotated[
        str | None, typer.Argument(metavar="NAME", help="Tell everything about one measure.", show_default=False)
    ] = None,
    reported: Annotated[
        bool, typer.Option("--reported", help="Only those that the protocol puts in the tables of a run.")
    ] = False,
) -> None:
    """List the measures with unit, construction and definition."""
    from rich.console import Console

    from raysplay.configs.protocol import protocol

    console = Console()
    try:
        shipped = protocol()
        if name is None:
            _list(shipped.reported_measures() if reported else shipped.measures(), shipped, console)
        else:
            _tell(named(name, shipped.measures()), console)
    except KeyError as error:
        raise typer.BadParameter(str(error.args[0]), param_hint="NAME") from error


def named(text: str, measures: Sequence[Measure]) -> Measure:
    """The measure that a person means, by name, abbreviation or title, in any capitals: ``ima45``, ``IMA 4-5``.

    ``IMA 1-2`` is IMA: the abbreviation with the rays of the title.

    Raises
    ------
    KeyError
        If there is none; the message lists names that look alike.
    """
    known: dict[str, Measure] = {}
    spoken = [
        *((one.name, one) for one in measures),
        *((one.abbreviation, one) for one in measures),
        *((one.title, one) for one in measures),
        *((one.abbreviation + "".join(filter(str.isdigit, one.title)), one) for one in measures),
    ]
    for words, measure in spoken:
        known.setdefault(_letters(words), measure)
    if found := known.get(_letters(text)):
        return found
    near = dict.fromkeys(known[key].name for key in difflib.get_close_matches(_letters(text), known, n=5, cutoff=0.6))
    alike = f"; names like it: {', '.join(near)}" if near else ""
    raise KeyError(f"no measure {text!r}{alike}. raysplay measures lists all")


def _letters(text: str) -> str:
    return "".join(filter(str.isalnum, text.casefold()))


def _list(chosen: tuple[Measure, ...], shipped: ReadingProtocol, console: Console) -> None:
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    from raysplay.configs.proof import proofs

    table = Table(title=f"{len(chosen)} measures", title_justify="left", box=SIMPLE_HEAD, padding=(0, 1, 0, 0))
    for heading in ("Name", "Measure", "Unit", "Construction", "Note"):
        table.add_column(heading, no_wrap=heading in ("Name", "Unit", "Construction"))
    for measure in chosen:
        notes = ["reported"] if measure.name in shipped.reported else []
        notes += ["low confidence"] if measure.low_confidence else []
        notes += [] if proofs().stands(measure) else ["unproven"]
        table.add_row(measure.name, measure.title, measure.unit, measure.construction, ", ".join(notes))
    console.print(table)
    console.print("raysplay measures NAME tells definition, sign, landmarks, source, error and grades of one.")


def _tell(measure: Measure, console: Console) -> None:
    from raysplay.configs.grades import schemes
    from raysplay.configs.load import landmark_descriptions, landmark_schema
    from raysplay.configs.reader_error import reader_errors
    from raysplay.configs.reference_values import reference_values

    schema, found = landmark_schema(), landmark_descriptions()

    def line(words: str, text: str) -> None:
        console.print(f"[bold]{words}[/bold]  ", end="")
        console.print(text, markup=False, highlight=False, soft_wrap=True)

    console.print(f"{measure.title} ({measure.abbreviation})", style="bold", highlight=False)
    line("Name", measure.name)
    line("Unit", measure.unit)
    line("Construction", f"{measure.construction} (has: {', '.join(measure.constructions)})")
    line("Definition", measure.definition)
    line("Source", measure.cited)
    if measure.caution:
        line("Caution", measure.caution)
    for words in proof_in_words(measure):
        line("Proof", words)
    line("Interval", interval_in_words(measure))
    for code in measure.landmarks:
        line(f"  {code}", found[schema.index(code)])
    for error in reader_errors().get(measure.name, ()):
        line("Reader error", f"{error.sem:g} {measure.unit} for one reading: {error.basis}; {error.cited}")
    reference = reference_values().get(measure.name)
    for sentence in reference.sentences if reference else ():
        line("Reference", sentence)
    for scheme in schemes():
        scale = scheme.scale(measure.name)
        if scale is not None:
            line("Grades", f"{scheme.title}: {borders_in_words(scale)}; {scheme.cited}")


def proof_in_words(measure: Measure) -> list[str]:
    """What is known of the measure's error on bones that no generator drew: the verdict, then a line a trial."""
    from raysplay.configs.proof import proofs

    stands, trials = proofs().stands(measure), proofs().of(measure)
    if not trials:
        return ["unproven: no trial on bones that the generator did not draw"]
    verdict = "proven" if stands else "unproven: the trials do not keep to the bounds"
    return [verdict, *(trial_in_words(one, measure.unit) for one in trials)]


def interval_in_words(measure: Measure) -> str:
    """Level of the measure's intervals, and what the factor on them was made from."""
    from raysplay.infer.decide.settings import decision_settings
    from raysplay.infer.decide.wording import level_words

    limits = decision_settings().interval
    level, made = level_words(limits.level), limits.calibrated
    if made is None or measure.name not in made.feet:
        return f"{level}, not calibrated"
    factor = limits.inflation.get(measure.name, 1.0)
    basis = f"{made.feet[measure.name]} feet ({made.source}, {made.films} films, {made.date.isoformat()})"
    return f"{level}, as propagated times {factor:g}; calibrated for {level_words(made.level)} on {basis}"


def trial_in_words(trial: Trial, unit: str) -> str:
    """Figures of a trial in a sentence."""
    bias = "not recorded" if trial.bias is None else f"{trial.bias:+.2f}"
    figures = f"mean absolute error {trial.mae:.2f} {unit}, bias {bias}, interval holds {100 * trial.coverage:.0f} %"
    people = "1 person" if trial.people == 1 else f"{trial.people} people"
    return cite(f"{figures} ({trial.films} films of {people}: {trial.bones})", trial.tag)


def borders_in_words(scale: Scale) -> str:
    """Grades of a scale with the border that each begins at, and where they end."""
    words = [scale.grades[0] if scale.lowest is None else f"{scale.grades[0]} from {scale.lowest:.4g}"]
    for grade, border, inclusive in zip(scale.grades[1:], scale.borders, scale.from_border, strict=True):
        words.append(f"{grade} {'from' if inclusive else 'above'} {border:.4g}")
    ends = [f"below {scale.lowest:.4g}"] if scale.lowest is not None else []
    ends += [f"above {scale.highest:.4g}"] if scale.highest is not None else []
    return ", ".join(words) + (f" ({' and '.join(ends)}: no grade)" if ends else "")
