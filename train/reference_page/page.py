"""Writes ``measure/REFERENCE.md``: every measure with definition, source and a drawing of its construction.

Run ``python -m raysplay.train.reference_page`` after a change of a measure, scheme or reader error. The drawings come
from the vectors and values of the measures themselves, on an invented foot.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from raysplay.configs.grades import schemes
from raysplay.configs.load import landmark_descriptions, landmark_schema
from raysplay.configs.protocol import protocol
from raysplay.configs.reader_error import reader_errors
from raysplay.configs.reference_values import reference_values
from raysplay.infer.measures_command import borders_in_words, proof_in_words
from raysplay.measure import MEASURES, Measure, by_name
from raysplay.measure.axes import CONSTRUCTIONS
from raysplay.train.reference_page.drawing import drawing

PAGE = "REFERENCE.md"
FOLDER = "reference"

_INTRODUCTION = """\
# Measures

Written by `python -m raysplay.train.reference_page`; do not edit by hand.

Every measure that `raysplay` knows, with the construction it is read by. The drawings are made by the code that
measures, on an invented right foot: big toe on the left, toes up. Left feet are mirrored first, so one rule serves
both. An angle is positive where the second direction points more laterally (toward the little toe) than the first.

* **Construction** names how the axes are drawn. Constructions do not give the same number, so it goes with every value;
  never compare numbers of different constructions.
* **Source** says how well a definition is known. "From memory" was not verified against the source; "proposed here" is
  this project's own rule and waits for a clinician reader.
* **Lengths** come in mm only where the film's pixel spacing gives millimetres, and always as a ratio to the second
  metatarsal's length beside that.
* A measure whose landmarks are missing is withheld, with the reason.
* **Proof** says what is known of the error on films of bones that the generator did not draw. A measure without such a
  trial, or failing it, is marked `unproven` wherever its number stands.
* **Grades** end where a scheme was not made for a value. None was made for feet that lean the other way, so below 0
  (this project's reading) there is no grade. A great toe with HVA below 0 is in "varus", by the sign of the definition
  (common practice, no source); normal feet reach a few degrees of it.

Interpretation and any decision belong to the treating licensed practitioner.
"""

_CONSTRUCTION_WORDS = {
    "shaft": "Two mid-shaft points, each midway between the outer cortices, at 30 % and 70 % of the bone's length. "
    "The default.",
    "head_base": "Centre of the proximal surface to the centre of a circle fitted to the head. First metatarsal only; "
    "other bones keep their shaft axis.",
    "articular_midpoint": "Midpoint of the proximal to midpoint of the distal articular surface. First metatarsal "
    "only; other bones keep their shaft axis.",
    "medial_edge": "The medial outer cortex, from the proximal to the distal level.",
}


def pages() -> dict[str, str]:
    """Text of every file of the page, by its path below ``measure/``."""
    files = {PAGE: "\n".join(_page()).rstrip() + "\n"}
    for construction in CONSTRUCTIONS:
        files[f"{FOLDER}/construction_{construction}.svg"] = drawing(by_name("ima", construction))
    for measure in MEASURES:
        if _drawn(measure) is measure:
            files[f"{FOLDER}/{measure.name}.svg"] = drawing(measure)
    return files


def write(folder: Path) -> None:
    """Write the page below ``folder`` and remove drawings that no measure has any more."""
    (folder / FOLDER).mkdir(exist_ok=True)
    files = pages()
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
    for old in (folder / FOLDER).glob("*.svg"):
        if f"{FOLDER}/{old.name}" not in files:
            old.unlink()


def _drawn(measure: Measure) -> Measure:
    """The measure whose drawing shows this one: a ratio is drawn as its length."""
    name = measure.name.removesuffix("_ratio")
    return by_name(name) if any(one.name == name for one in MEASURES) else measure


def _page() -> Iterator[str]:
    yield _INTRODUCTION
    yield "## Constructions\n"
    yield "| | construction | axis |"
    yield "|---|---|---|"
    for construction in CONSTRUCTIONS:
        picture = f"![{construction}]({FOLDER}/construction_{construction}.svg)"
        yield f"| {picture} | `{construction}` | {_CONSTRUCTION_WORDS[construction]} |"
    yield "\nThe drawings show IMA 1-2 of the same foot by each of them.\n"
    yield "## Millimetres\n"
    for kind, rule in protocol().spacing.items():
        yield f"* {kind}: {rule.statement}."
    yield "\n## List\n"
    yield "| name | measure | unit | construction |"
    yield "|---|---|---|---|"
    for measure in MEASURES:
        yield (
            f"| [`{measure.name}`](#{_drawn(measure).name}) | {measure.title} | {measure.unit} "
            f"| {', '.join(measure.constructions)} |"
        )
    for measure in MEASURES:
        if _drawn(measure) is measure:
            yield from _section(measure)
    yield "\n## Landmarks\n"
    yield "| code | how it is found |"
    yield "|---|---|"
    for code, found in zip(landmark_schema().codes, landmark_descriptions(), strict=True):
        yield f"| `{code}` | {found} |"


def _section(measure: Measure) -> Iterator[str]:
    yield f'\n<a id="{measure.name}"></a>\n'
    yield f"### {measure.title}\n"
    yield f"![{measure.title}]({FOLDER}/{measure.name}.svg)\n"
    yield f"{measure.definition}\n"
    yield f"* **Name**: `{measure.name}`, {measure.abbreviation}, {measure.unit}"
    ratio = f"{measure.name}_ratio"
    if any(one.name == ratio for one in MEASURES):
        yield f"* **As a ratio**: `{ratio}`, divided by the second metatarsal's length"
    yield f"* **Construction**: {', '.join(measure.constructions)}"
    yield f"* **Landmarks**: {', '.join(f'`{code}`' for code in measure.landmarks)}"
    yield f"* **Source**: {measure.cited}"
    if measure.caution:
        yield f"* **Caution**: {measure.caution}"
    yield f"* **Proof**: {'; '.join(proof_in_words(measure))}"
    for error in reader_errors().get(measure.name, ()):
        yield (
            f"* **Error of one human reading**: {error.sem:g} {measure.unit} (standard error of measurement): "
            f"{error.basis}; {error.cited}"
        )
    reference = reference_values().get(measure.name)
    for sentence in reference.sentences if reference else ():
        yield f"* **Reference**: {sentence}"
    for scheme in schemes():
        scale = scheme.scale(measure.name)
        if scale is not None:
            yield f"* **Grades, {scheme.title}**: {borders_in_words(scale)}; {scheme.cited}"
