"""Units from templates: keys laid over each other, and words in braces filled in."""

from __future__ import annotations

import re
from collections.abc import Mapping

from rig.errors import ConfigFault, shown
from rig.rigfile.node import Node, below, fault, near

_BRACES = re.compile(r"\{\{|\}\}|\{([^{}]*)\}|[{}]")


def overlaid(base: Node, over: Node) -> Node:
    """Return the channel ``base`` with the keys of ``over`` in place of its own of the same name.

    Whatever is not a block of keys replaces the whole.
    """
    if not isinstance(base.value, dict) or not isinstance(over.value, dict):
        return over
    return Node({**base.value, **over.value}, over.line, over.file, over.key_line)


def channels_of(template: Mapping[str, Node], own: Mapping[str, Node]) -> dict[str, Node]:
    """Return a unit's channels by name: the template's, overlaid with and followed by its own."""
    merged = {name: overlaid(node, own[name]) if name in own else node for name, node in template.items()}
    return merged | {name: node for name, node in own.items() if name not in template}


class Substitutions:
    """What stands for ``{word}`` in the texts of one unit; ``used`` collects the words that occurred."""

    def __init__(self, words: Mapping[str, str]) -> None:
        self.words = dict(words)
        self.used: set[str] = set()

    def filled(self, node: Node, faults: list[ConfigFault], path: str) -> Node:
        """Return ``node`` with every ``{word}`` in its texts filled in; adds unknown words to ``faults``.

        ``{{`` and ``}}`` stand for single braces.
        """
        value: str | dict[str, Node] | list[Node] | None = node.value
        if isinstance(value, str):
            value = self._text(node, value, faults, path)
        elif isinstance(value, list):
            value = [self.filled(one, faults, f"{path}[{i}]") for i, one in enumerate(value)]
        elif isinstance(value, dict):
            value = {name: self.filled(one, faults, below(path, name)) for name, one in value.items()}
        return Node(value, node.line, node.file, node.key_line)

    def _text(self, node: Node, text: str, faults: list[ConfigFault], path: str) -> str:
        def fill(match: re.Match[str]) -> str:
            piece, word = match[0], match[1]
            if piece in {"{{", "}}"}:
                return piece[0]
            if word is None:
                found = f"found a single {piece} in {shown(text)}"
                faults.append(fault(node, path, found, f"write {piece * 2} for it"))
                return piece
            if word not in self.words:
                found = f"nothing is known to stand for {shown(piece)}"
                faults.append(fault(node, path, found, f"{near(word, self.words)} (words come from 'with')"))
                self.used.update(self.words)  # so that nobody hears of the same mistake twice
                return piece
            self.used.add(word)
            return self.words[word]

        return _BRACES.sub(fill, text)
