"""What is public says what it does; what takes or gives arrays, or raises, says so in the sections of numpydoc.

The sections are those of the numpydoc style guide (https://numpydoc.readthedocs.io/en/latest/format.html).
"""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
FOLDERS = ("configs", "measure", "infer", "synthetic_data", "train")
FEW = 2
"""A function of arrays with up to so many parameters may say in its sentence what they are."""

ARRAYS = re.compile(r"Tensor|NDArray|ndarray|FloatArray|ArrayLike")
USAGE = ("BadParameter", "Exit")
"""How a subcommand ends for its user; no caller catches them."""


def public(body, owner=""):
    """Public functions, classes and their public methods, by name."""
    for node in body:
        if isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef) and not node.name.startswith("_"):
            if any(ast.unparse(one) in ("overload", "typing.overload") for one in getattr(node, "decorator_list", ())):
                continue
            yield owner + node.name, node
            if isinstance(node, ast.ClassDef):
                yield from public(node.body, f"{node.name}.")


def own_nodes(function):
    """Nodes of a function without those of functions within it."""
    for node in ast.iter_child_nodes(function):
        if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda | ast.ClassDef):
            yield node
            yield from own_nodes(node)


def missing(node):
    """What the docstring of a public function or class lacks."""
    told = ast.get_docstring(node)
    if not told:
        return ["a docstring"]
    if isinstance(node, ast.ClassDef):
        return []
    heads = set(re.findall(r"^(\w+)\n-+$", told, flags=re.MULTILINE))
    arguments = [one for one in (*node.args.args, *node.args.kwonlyargs) if one.arg not in ("self", "cls")]
    returned = ast.unparse(node.returns) if node.returns else "None"
    hints = [ast.unparse(one.annotation) for one in arguments if one.annotation]
    lacks = []
    if len(arguments) > FEW and any(ARRAYS.search(hint) for hint in (*hints, returned)):
        lacks += [] if "Parameters" in heads else ["Parameters"]
        lacks += [] if returned == "None" or heads & {"Returns", "Yields"} else ["Returns"]
    checked_by_pydantic = any("validator" in ast.unparse(one) for one in node.decorator_list)
    raised = {ast.unparse(one.exc).split("(")[0] for one in own_nodes(node) if isinstance(one, ast.Raise) and one.exc}
    if not checked_by_pydantic and {one for one in raised if not one.endswith(USAGE)}:
        lacks += [] if "Raises" in heads else ["Raises"]
    return lacks


FILES = [path for top in FOLDERS for path in sorted((ROOT / top).rglob("*.py"))]


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_public_docstrings_are_complete(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found = {name: missing(node) for name, node in public(tree.body)}
    assert {name: lacks for name, lacks in found.items() if lacks} == {}


def test_both_kinds_of_things_are_looked_at():
    """A pattern that matched nothing would pass, too."""
    seen = [node for path in FILES for _, node in public(ast.parse(path.read_text(encoding="utf-8")).body)]
    assert sum(isinstance(node, ast.ClassDef) for node in seen) > 50
    assert sum("Raises\n" in (ast.get_docstring(node) or "") for node in seen) > 20


@pytest.mark.parametrize(
    ("code", "lacks"),
    [
        ("def f(): pass", ["a docstring"]),
        ("def f(a: FloatArray, b: int) -> FloatArray:\n    'Turn a.'", []),
        ("def f(a: FloatArray, b: int, c: int) -> FloatArray:\n    'Turn a.'", ["Parameters", "Returns"]),
        ("def f(a: str, b: int, c: int) -> str:\n    'Turn a.'", []),
        ("def f(a: int):\n    'Turn a.'\n    raise ValueError('no')", ["Raises"]),
        ("def f(a: int):\n    'Turn a.'\n    raise typer.BadParameter('no')", []),
        (
            "def f(a: int):\n    'Turn a.\\n\\n    Raises\\n    ------\\n    ValueError\\n    '\n    raise ValueError",
            [],
        ),
        ("class A:\n    'One.'", []),
    ],
)
def test_what_is_missing_is_found(code, lacks):
    assert missing(ast.parse(code).body[0]) == lacks
