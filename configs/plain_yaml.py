"""Reads YAML of the kind that people write: no aliases, no deep nesting, no key twice."""

from __future__ import annotations

from typing import Any

import yaml
from yaml.composer import ComposerError
from yaml.constructor import ConstructorError

_DEEPEST = 40
"""Levels; a hand-written file has some six, and each costs the parser a call."""


class _PlainLoader(yaml.SafeLoader):
    """PyYAML's safe loader, refusing what makes a small file large or deep."""

    aliases = False

    def __init__(self, text: str) -> None:
        super().__init__(text)
        self._level = 0

    def compose_node(self, parent: yaml.Node | None, index: Any) -> yaml.Node | None:
        event: Any = self.peek_event()  # type: ignore[no-untyped-call]
        mark = event.start_mark
        if isinstance(event, yaml.AliasEvent) and not self.aliases:
            raise ComposerError(None, None, "an alias (*name) is not taken here: write it out", mark)
        if self._level >= _DEEPEST:
            raise ComposerError(None, None, f"nested deeper than {_DEEPEST} levels", mark)
        self._level += 1
        try:
            node: yaml.Node | None = super().compose_node(parent, index)
            return node
        finally:
            self._level -= 1

    def construct_mapping(self, node: yaml.MappingNode, deep: bool = False) -> dict[Any, Any]:
        seen = set()
        for key, _ in node.value:
            if isinstance(key, yaml.ScalarNode) and key.tag != "tag:yaml.org,2002:merge":
                if key.value in seen:
                    raise ConstructorError(None, None, f"the key {key.value[:40]} stands twice", key.start_mark)
                seen.add(key.value)
        return super().construct_mapping(node, deep)


class _PlainLoaderWithAliases(_PlainLoader):
    aliases = True


_OWN_WORDS = ("an alias", "nested deeper", "the key")


def parse(text: str, *, aliases: bool = False) -> object:
    """Content of a YAML text.

    Parameters
    ----------
    aliases : bool
        Whether an alias may stand for what was written before; only for files of the package.

    Raises
    ------
    ValueError
        If it is not YAML, or not of this kind; the message gives line and column, and nothing of the text.
    """
    try:
        loader = _PlainLoaderWithAliases(text) if aliases else _PlainLoader(text)
        return loader.get_single_data()
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        place = f" (line {mark.line + 1}, column {mark.column + 1})" if mark is not None else ""
        own = error.problem if error.problem and error.problem.startswith(_OWN_WORDS) else "not valid YAML"
        raise ValueError(f"{own}{place}") from error
    except (yaml.YAMLError, ValueError, OverflowError, RecursionError, TypeError, AttributeError) as error:
        # Numbers, dates and the like that the library finds impossible while it builds them.
        raise ValueError("not valid YAML, or a value in it is impossible") from error
