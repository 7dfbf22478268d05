"""Every key of every configuration file is known to a model and read by code.

A key that nothing reads is a promise to whoever turns it: nothing happens. The house rule is the project's own.
"""

import ast
import importlib
import typing
from pathlib import Path

import pytest

from raysplay.configs.load import CONFIG_DIR, Config

ROOT = Path(__file__).parents[1]
FOLDERS = ("configs", "measure", "infer", "synthetic_data", "train")

ANATOMY = ROOT / "synthetic_data" / "anatomy"
WORDS = ROOT / "infer" / "visit" / "words"
SKELETON = ROOT / "synthetic_data" / "skeleton"

MODELS = {
    CONFIG_DIR / "agreement.yaml": "infer.agreement.config.AgreementSettings",
    CONFIG_DIR / "archive.yaml": "synthetic_data.film.settings.ArchiveSettings",
    CONFIG_DIR / "clinic.yaml": "infer.clinic.settings.ClinicSettings",
    CONFIG_DIR / "conversation_facts.yaml": "configs.conversation_facts._FactFile",
    CONFIG_DIR / "decision.yaml": "infer.decide.settings.DecisionLimits",
    CONFIG_DIR / "degrade.yaml": "train.degrade.BatchSettings",
    CONFIG_DIR / "demo.yaml": "synthetic_data.demo.DemoSettings",
    CONFIG_DIR / "accelerator.yaml": "infer.accelerator.settings.AcceleratorSettings",
    CONFIG_DIR / "engine.yaml": "infer.archive.settings.EngineSettings",
    CONFIG_DIR / "evaluate.yaml": "infer.compare.settings.EvaluationSettings",
    CONFIG_DIR / "films.yaml": "infer.films.settings.FilmLimits",
    CONFIG_DIR / "finetune_shifts.yaml": "synthetic_data.settings.GeneratorSettings",
    CONFIG_DIR / "generator.yaml": "synthetic_data.settings.GeneratorSettings",
    CONFIG_DIR / "grades.yaml": "configs.grades._GradeFile",
    CONFIG_DIR / "landmarks.yaml": "configs.load._LandmarkFile",
    CONFIG_DIR / "new_film_error.yaml": "configs.new_film_error._ErrorFile",
    CONFIG_DIR / "normal_ranges.yaml": "configs.normal_ranges._RangeFile",
    CONFIG_DIR / "outputs.yaml": "infer.outputs.settings.OutputSettings",
    CONFIG_DIR / "proof.yaml": "configs.proof.Proofs",
    CONFIG_DIR / "protocol.yaml": "configs.protocol.ReadingProtocol",
    CONFIG_DIR / "protocol_full.yaml": "configs.protocol.ReadingProtocol",
    CONFIG_DIR / "reader_error.yaml": "configs.reader_error._ErrorFile",
    CONFIG_DIR / "reading.yaml": "infer.settings.ReadingSettings",
    CONFIG_DIR / "reference_values.yaml": "configs.reference_values._ReferenceFile",
    CONFIG_DIR / "repositioning.yaml": "synthetic_data.repositioning.RepositioningSettings",
    CONFIG_DIR / "reporting_checklist.yaml": "infer.agreement.checklist._Checklist",
    CONFIG_DIR / "review.yaml": "infer.review.settings.ReviewSettings",
    CONFIG_DIR / "selection.yaml": "infer.selection.settings.SelectionSettings",
    CONFIG_DIR / "stated_terms.yaml": "infer.films.stated_terms.StatedTerms",
    CONFIG_DIR / "suite.yaml": "train.suite.settings.SuiteSettings",
    CONFIG_DIR / "train_finetune.yaml": "train.settings.TrainSettings",
    CONFIG_DIR / "train_landmarks.yaml": "train.settings.TrainSettings",
    CONFIG_DIR / "train_lean_landmarks.yaml": "train.settings.TrainSettings",
    CONFIG_DIR / "train_lean_locator.yaml": "train.settings.TrainSettings",
    CONFIG_DIR / "train_locator.yaml": "train.settings.TrainSettings",
    CONFIG_DIR / "character_fit.yaml": "train.character_settings.CharacterTraining",
    CONFIG_DIR / "side_letter_fit.yaml": "train.side_letter_settings.SideLetterTraining",
    CONFIG_DIR / "beam_angle_fit.yaml": "train.beam_angle_settings.BeamAngleTraining",
    CONFIG_DIR / "unloading.yaml": "synthetic_data.unloaded.UnloadingSettings",
    WORDS / "de.yaml": "infer.visit.language.Language",
    WORDS / "en.yaml": "infer.visit.language.Language",
    ANATOMY / "bones.yaml": "synthetic_data.anatomy.rest._BoneFile",
    ANATOMY / "other_parts.yaml": "synthetic_data.anatomy.other_parts._PartsFile",
    ANATOMY / "published.yaml": "synthetic_data.distributions._PublishedFile",
    SKELETON / "skeleton.yaml": "synthetic_data.skeleton.settings.SkeletonSettings",
    SKELETON / "bodyparts3d.yaml": "synthetic_data.skeleton.settings.SkeletonSettings",
    SKELETON / "osim_rl.yaml": "synthetic_data.skeleton.settings.SkeletonSettings",
}
"""The model that each file is read by."""


def model_of(path):
    module, _, name = MODELS[path].rpartition(".")
    return getattr(importlib.import_module(f"raysplay.{module}"), name)


def nested(annotation):
    """Models of the project that a type speaks of."""
    if isinstance(annotation, type) and issubclass(annotation, Config):
        yield annotation
    for part in typing.get_args(annotation):
        yield from nested(part)


def all_models():
    """Every model that a file reaches."""
    found, waiting = set(), [model_of(path) for path in MODELS]
    while waiting:
        model = waiting.pop()
        if model not in found:
            found.add(model)
            for field in model.model_fields.values():
                waiting += [*nested(field.annotation), *(one for part in field.metadata for one in nested(part))]
    return sorted(found, key=lambda model: (model.__module__, model.__qualname__))


def _takes_by_name(call):
    if isinstance(call.func, ast.Name):
        return call.func.id == "getattr" and not isinstance(call.args[1], ast.Constant)
    return isinstance(call.func, ast.Attribute) and call.func.attr == "model_dump"


class Reads(ast.NodeVisitor):
    """Names of attributes that code takes; what a model looks at only to check itself does not count."""

    def __init__(self, constants):
        self.names, self._constants = set(), constants

    def visit_FunctionDef(self, node):
        checks = {ast.unparse(one).split("(")[0] for one in node.decorator_list}
        if not checks & {"model_validator", "field_validator"}:
            self.generic_visit(node)

    def visit_Module(self, node):
        # Where fields are taken by names that stand in variables, they are among the module's own words, or those of
        # constants that it imports.
        taken = [one for one in ast.walk(node) if isinstance(one, ast.Call) and _takes_by_name(one)]
        if taken:
            self.names |= {one.value for one in ast.walk(node) if isinstance(one, ast.Constant)}
            for one in ast.walk(node):
                if isinstance(one, ast.ImportFrom):
                    self.names |= {w for name in one.names for w in self._constants.get((one.module, name.name), ())}
        self.generic_visit(node)

    def visit_Attribute(self, node):
        if isinstance(node.ctx, ast.Load):
            self.names.add(node.attr)
        self.generic_visit(node)


@pytest.fixture(scope="module")
def reads():
    modules = {}
    for folder in FOLDERS:
        for path in (ROOT / folder).rglob("*.py"):
            name = ".".join(["raysplay", *path.relative_to(ROOT).with_suffix("").parts])
            modules[name] = ast.parse(path.read_text(encoding="utf-8"))
    found = Reads(constants_of(modules))
    for module in modules.values():
        found.visit(module)
    return found.names


def constants_of(modules):
    """Words in what modules assign to a name of their own, by module and name."""
    return {
        (module, target.id): {one.value for one in ast.walk(node.value) if isinstance(one, ast.Constant)}
        for module, tree in modules.items()
        for node in tree.body
        if isinstance(node, ast.Assign)
        for target in node.targets
        if isinstance(target, ast.Name)
    }


def test_every_file_has_its_model():
    shipped = {path for folder in FOLDERS for path in (ROOT / folder).rglob("*.yaml")}
    assert {path.relative_to(path.parents[1]) for path in MODELS} == {p.relative_to(p.parents[1]) for p in shipped}


@pytest.mark.parametrize("model", all_models(), ids=lambda model: f"{model.__module__}.{model.__qualname__}")
def test_every_key_is_read_and_no_other_is_taken(model, reads):
    assert model.model_config["extra"] == "forbid"
    assert model.model_config["frozen"]
    unread = [name for name in model.model_fields if name not in reads]
    assert unread == [], f"no code reads {', '.join(unread)} of {model.__name__}"
