"""A rig file as written: text with its place in the file, before anything is made of it."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from rig.errors import ConfigFault, shown


class Bad:
    """Stands for a value that was refused; its fault has been added."""


BAD: Final = Bad()


@dataclass(frozen=True, slots=True)
class Node:
    """A value of a rig file as written: text, keys, a list, or nothing (None).

    line: where the value begins, from 1. key_line: where its key stands (0: it has none).
    """

    value: str | dict[str, Node] | list[Node] | None
    line: int
    file: str
    key_line: int = 0

    @property
    def place(self) -> int:
        """The line to name in a fault about the presence of this value: its key's, if it has one."""
        return self.key_line or self.line


def fault(node: Node, path: str, found: str, allowed: str) -> ConfigFault:
    """Return a fault that stands at ``node``."""
    line = node.line if isinstance(node.value, str) else node.place
    return ConfigFault(file=node.file, line=line, path=path, found=found, allowed=allowed)


def described(node: Node) -> str:
    """Return what stands at ``node`` in words, for messages."""
    if node.value is None:
        return "nothing written here"
    if isinstance(node.value, str):
        return f"found {shown(node.value)}"
    return "found a list" if isinstance(node.value, list) else "found a block of keys"


def below(path: str, name: str) -> str:
    """Return the key path of ``name`` below ``path``."""
    name = name or "''"
    return f"{path}.{name}" if path else name


def child(node: Node, *path: str) -> Node:
    """Return the node at a path of keys below ``node``, or the deepest that exists on the way."""
    for name in path:
        deeper = node.value if isinstance(node.value, dict) else {}
        if name not in deeper:
            break
        node = deeper[name]
    return node


def entries(node: Node, *path: str) -> dict[str, Node]:
    """Return the block of keys at a path below ``node``; empty where there is none."""
    for name in path:
        if not isinstance(node.value, dict) or name not in node.value:
            return {}
        node = node.value[name]
    return node.value if isinstance(node.value, dict) else {}


def near(word: str, known: Iterable[str]) -> str:
    """Return a suggestion for a word that is not among ``known``, for messages."""
    names = list(known)
    close = difflib.get_close_matches(word, names, n=1, cutoff=0.5)
    if close:
        return f"did you mean {close[0]!r}?"
    return f"known are {', '.join(names[:12])}{' …' * (len(names) > 12)}" if names else "there are none"


@dataclass(slots=True)
class NodePlace:
    """A block of keys and the list its faults go to. ``path`` is its key path."""

    node: Node
    path: str
    faults: list[ConfigFault]

    def say(self, key: str, found: str, allowed: str) -> None:
        """Add a fault at ``key`` of the block (dots lead deeper), or at the block itself for ''."""
        node = child(self.node, *key.split(".")) if key else self.node
        self.faults.append(fault(node, below(self.path, key) if key else self.path, found, allowed))

    def has(self, key: str) -> bool:
        """Return whether the key is written."""
        return isinstance(self.node.value, dict) and key in self.node.value
