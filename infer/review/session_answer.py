"""What the page is told once: the run, its measures and their words, colours and limits."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from raysplay.configs.grades import schemes
from raysplay.configs.load import landmark_descriptions, landmark_schema
from raysplay.configs.reference_values import reference_values
from raysplay.infer.decide.settings import DecisionLimits
from raysplay.infer.outputs.axis_lines import bone_of
from raysplay.infer.outputs.finished_run import FinishedRun
from raysplay.infer.outputs.overlay_style import ARC, AXIS, DOUBT, TEXT, css_colour
from raysplay.infer.outputs.settings import output_settings
from raysplay.infer.reason import ReasonKind
from raysplay.infer.review import answers
from raysplay.infer.review.cautions import CAUTIONS
from raysplay.infer.review.reading import AS_RUN, FootGauge
from raysplay.infer.review.settings import ReviewSettings
from raysplay.measure.bones import bone_words
from raysplay.measure.grades import Scale


def session_answer(
    run: FinishedRun,
    gauge: FootGauge,
    construction: str,
    limits: DecisionLimits,
    settings: ReviewSettings,
    notices: Iterable[str],
) -> answers.Session:
    """What the page needs once, before anybody has stated initials and outside studies.

    Parameters
    ----------
    run : FinishedRun
    gauge : FootGauge
    construction : str
        Before a reader chooses another.
    limits : DecisionLimits
    settings : ReviewSettings
    notices : iterable of str
        What a reader should know of the run and of the store, in sentences.
    """
    return {
        "run": {
            "name": run.folder.absolute().name,
            "identity": run.identity,
            "films": run.film_count,
            "feet": len(run),
            "notices": list(notices),
        },
        "reader": None,
        "study": None,
        "schema": _landmarks(gauge.needed(construction)),
        "bones": {bone: bone_words(bone) for bone in landmark_schema().bones},
        "axes": {one: gauge.axis_landmarks(one) for one in gauge.constructions},
        "measures": _measures(run, gauge, limits),
        "construction": construction,
        "constructions": [{"name": one, "title": _title(one)} for one in gauge.constructions],
        "grading": _gradings(),
        "grading_default": settings.grading,
        "level": limits.interval.level,
        "reason_kinds": {kind.value: kind.words for kind in ReasonKind},
        "reasons_not_measurable": list(settings.not_measurable),
        "claim_seconds": 60.0 * settings.claim_minutes,
        "cautions": CAUTIONS,
        "colours": {
            "bones": {bone: css_colour(colour) for bone, colour in AXIS.items()},
            "other": css_colour(TEXT),
            "doubtful": css_colour(DOUBT),
            "arc": css_colour(ARC),
        },
        "clinic": False,
    }


def _landmarks(needed: Sequence[str]) -> list[answers.Landmark]:
    schema = landmark_schema()
    return [
        {"code": code, "bone": bone, "axis": bone_of(code), "text": text, "needed": code in needed}
        for code, bone, text in zip(schema.codes, schema.bones, landmark_descriptions(), strict=True)
    ]


def _measures(run: FinishedRun, gauge: FootGauge, limits: DecisionLimits) -> list[answers.Measure]:
    built = {construction: gauge.measures(construction) for construction in gauge.constructions}
    return [
        {
            "name": measure.name,
            "abbreviation": measure.abbreviation,
            "title": measure.title,
            "unit": measure.unit,
            "definition": measure.definition,
            "reference": _published(measure.name),
            "drawn": measure.name in output_settings().overlay.measures,
            "plausible": limits.shape.values.get(measure.name),
            "landmarks": {construction: list(measures[i].landmarks) for construction, measures in built.items()},
        }
        for i, measure in enumerate(run.measures)
    ]


def _title(construction: str) -> str:
    return "as in the run" if construction == AS_RUN else construction.replace("_", " ")


def _published(measure: str) -> answers.Published | None:
    """What published groups show of a measure without a grade: in brief, and every statement with its source."""
    found = reference_values().get(measure)
    return {"brief": found.brief, "says": list(found.sentences)} if found else None


def _gradings() -> list[answers.GradingScheme]:
    return [
        {
            "name": one.name,
            "title": one.title,
            "cited": one.cited,
            "scales": {scale.measure: _bands(scale) for scale in one.scales},
        }
        for one in schemes()
    ]


def _bands(scale: Scale) -> list[answers.GradeBand]:
    """Grades of a scale, lowest first, with the border each begins ``from`` or ``above``, and its ends."""
    rows: list[answers.GradeBand] = [{"grade": scale.grades[0]}]
    if scale.lowest is not None:
        rows[0]["from"] = scale.lowest
    for word, border, inclusive in zip(scale.grades[1:], scale.borders, scale.from_border, strict=True):
        rows.append({"grade": word, "from": border} if inclusive else {"grade": word, "above": border})
    if scale.highest is not None:
        rows[-1]["up_to"] = scale.highest
    return rows
