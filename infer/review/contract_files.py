"""The contract as files: the types of the page, and the part of ``API.md`` that lists calls and shapes.

``python -m raysplay.infer.review.contract_files`` writes both anew, beside this module. A test holds them against it.
"""

from __future__ import annotations

import types
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal, Union, get_args, get_origin

from raysplay.infer.review.contract import Key, Shape, bare, calls, members, name_of, shapes, words

COMMAND = "python -m raysplay.infer.review.contract_files"

_HERE = Path(__file__).resolve().parent
PAGE_TYPES = _HERE / "page" / "modules" / "types.js"
API = _HERE / "API.md"
BEGIN = f"<!-- made from the models by {COMMAND}: do not edit by hand -->"
END = "<!-- end of what is made from the models -->"

_PAGE, _READER = 0, 1
"""A type written for the page (JSDoc), or for a reader of ``API.md``."""

_SIMPLE = {
    str: ("string", "text"),
    bool: ("boolean", "true or false"),
    int: ("number", "integer"),
    float: ("number", "number"),
    type(None): ("null", "null"),
}
_LINE, _WIDEST_KEY = 120, 56


def page_types() -> str:
    """``types.js`` as the models have it."""
    head = f"""/**
 * Made from the models by `{COMMAND}`; do not edit by hand.
 *
 * Shapes of what the server sends and takes; API.md beside the server says more. Film pixels: x = column, y = row,
 * pixel centres at integers. Angles in degrees. Optional: what not every review has, or what need not be sent.
 */"""
    lists = "\n".join(f"/** @typedef {{{_spelled(of, _PAGE)}}} {name} */" for name, of in words().items())
    return "\n\n".join([head, lists, *map(_typedef, shapes()), "export {};"]) + "\n"


def api_document() -> str:
    """``API.md`` with its part made anew, the rest as it is.

    Raises
    ------
    ValueError
        If the marks of the part are not there.
    """
    before, begin, rest = API.read_text(encoding="utf-8").partition(BEGIN)
    _, end, after = rest.partition(END)
    if not begin or not end:
        raise ValueError(f"{API.name}: has no lines {BEGIN!r} and {END!r}")
    lists = "\n".join(f"* {name}: {_spelled(of, _READER)}" for name, of in words().items())
    part = "\n\n".join([_table_of_calls(), lists, *map(_section, shapes())])
    return f"{before}{BEGIN}\n\n{part}\n\n{END}{after}"


def main() -> None:
    """Write both anew."""
    PAGE_TYPES.write_text(page_types(), encoding="utf-8")
    API.write_text(api_document(), encoding="utf-8")


def _typedef(shape: Shape) -> str:
    lines = [f"/**\n * {shape.says}\n *\n * @typedef {{object}} {shape.name}"]
    for key in shape.keys:
        name = f"[{key.name}]" if key.optional else key.name
        lines.append(" ".join(filter(None, (f" * @property {{{_written(key.of, _PAGE)}}} {name}", _says(key)))))
    return "\n".join([*lines, " */"])


def _table_of_calls() -> str:
    rows = ["| call | takes | gives | |", "|---|---|---|---|"]
    for call in calls():
        takes = _linked(call.takes) if call.takes else ""
        gives = "bytes" if call.gives is None else _linked(call.gives)
        path = call.path.replace("{number}", "{id}")
        rows.append(f"| `{call.method} {path}` | {takes} | {gives} | {' '.join(call.says.split())} |")
    return "\n".join(rows)


def _section(shape: Shape) -> str:
    keys = [(f"{key.name}{'?' if key.optional else ''}: {_written(key.of, _READER)}", _says(key)) for key in shape.keys]
    width = min(max(len(key) for key, _ in keys), _WIDEST_KEY)
    lines = [line for key, says in keys for line in _wrapped(key, says, width)]
    return "\n".join([f"### {shape.name}", "", shape.says, "", "```", *lines, "```"])


def _says(key: Key) -> str:
    return "; ".join(filter(None, (key.says, key.only)))


def _wrapped(key: str, says: str, width: int) -> Iterator[str]:
    """A key and what it means, in lines that fit."""
    line = f"{key:<{width}}   "
    for word in says.split():
        if len(line) + len(word) > _LINE:
            yield line.rstrip()
            line = " " * (width + 3)
        line += f"{word} "
    yield line.rstrip()


def _linked(of: Any) -> str:
    """A type of an answer, with links to its shapes."""
    if get_origin(of) is list:
        return f"list of {_linked(get_args(of)[0])}"
    names = dict.fromkeys(name for one in members(of) if (name := name_of(one)))
    return " or ".join(f"[{name}](#{name.lower()})" for name in names)


def _written(of: Any, language: int) -> str:
    of = bare(of)[0]
    return name_of(of) or _spelled(of, language)


def _spelled(of: Any, language: int) -> str:
    """A type that has no name of its own."""
    origin, args = get_origin(of), get_args(of)
    either = ("|", " | ")[language]
    if origin in (types.UnionType, Union):
        return either.join(dict.fromkeys(_written(one, language) for one in args))
    if origin is Literal:
        return either.join(f'"{one}"' for one in args)
    if origin is dict:
        inner = _written(args[1], language)
        return f"{{{_written(args[0], language)}: {inner}}}" if language == _READER else f"Record<string, {inner}>"
    if origin is tuple and args[-1] is not Ellipsis:
        return f"[{', '.join(_written(one, language) for one in args)}]"
    if origin in (list, tuple):
        inner = _written(args[0], language)
        if language == _READER:
            return f"[{inner}]"
        return f"({inner})[]" if "|" in inner else f"{inner}[]"
    return _SIMPLE[of][language]


if __name__ == "__main__":
    main()
