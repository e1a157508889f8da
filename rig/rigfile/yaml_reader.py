"""Rig files on disk: strict YAML to nodes, and a whole file to a ``RigConfig``.

YAML is used for its shape only: blocks, lists, anchors, merge keys. Every scalar stays the text that was
written, with its line; what it means is decided by the schema. Refused: keys written twice, tags, keys
that are not plain text, merges of anything but blocks, several documents, aliases that contain
themselves or multiply beyond reason.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Final

import yaml

from rig.errors import ConfigError, ConfigFault, UsageError, shown
from rig.rigfile import config
from rig.rigfile.buses_section import Ports
from rig.rigfile.config import DriverSpec, RigConfig
from rig.rigfile.node import Node, below

MAX_BYTES: Final = 2_000_000
MAX_NODES: Final = 200_000
MAX_DEPTH: Final = 40
_STABLE: Final = (Path("/dev/serial/by-id"), Path("/dev/serial/by-path"))
_PLAIN_TAGS: Final = frozenset({"tag:yaml.org,2002:str", "tag:yaml.org,2002:map", "tag:yaml.org,2002:seq"})


def read(path: Path, drivers: Callable[[str], DriverSpec]) -> RigConfig:
    """Return the rig that a file describes; its runs folder is taken from the file's own folder.

    drivers: name -> what the driver says of itself. Raises ConfigError with every fault of the file,
    UsageError if it cannot be opened.
    """
    text = _text(path)
    node, faults = _loaded(text, str(path))
    rig = config.read(node, drivers, ports=system_ports(), text=text, found=faults)
    return dataclasses.replace(rig, runs=str(path.parent / rig.runs))


def load(path: Path) -> Node:
    """Return the nodes of a rig file. Raises ConfigError for bad YAML, UsageError if it cannot be opened."""
    return parse(_text(path), str(path))


def parse(text: str, file: str) -> Node:
    """Return the nodes of a rig file's text; ``file`` is its name in messages. Raises ConfigError."""
    node, faults = _loaded(text, file)
    if faults:
        raise ConfigError(faults)
    return node


def system_ports() -> Ports:
    """Return what this machine knows of its serial ports now."""
    return Ports(resolve=_resolved, stable=_stable_names)


def _resolved(path: str) -> str:
    try:
        return str(Path(path).resolve())
    except (OSError, RuntimeError, ValueError):
        return path


def _stable_names(device: str) -> list[str]:
    names: list[str] = []
    for folder in _STABLE:
        try:
            names.extend(str(link) for link in sorted(folder.iterdir()) if _resolved(str(link)) == device)
        except OSError:
            continue
    return names


def _text(path: Path) -> str:
    try:
        raw = path.read_bytes()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise UsageError(f"cannot read the rig file {path}: {reason}; name an existing file") from error
    if len(raw) > MAX_BYTES:
        raise _refused(str(path), 1, f"the file has {len(raw)} bytes", f"write at most {MAX_BYTES}")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        found = f"byte {raw[error.start]:#04x} is not UTF-8"
        raise _refused(str(path), line, found, "save the file as UTF-8") from error


def _refused(file: str, line: int, found: str, allowed: str) -> ConfigError:
    return ConfigError([ConfigFault(file=file, line=line, path="file", found=found, allowed=allowed)])


def _loaded(text: str, file: str) -> tuple[Node, list[ConfigFault]]:
    try:
        # BaseLoader resolves no scalar to any type: what was written is what arrives.
        root = yaml.compose(text, Loader=yaml.BaseLoader)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = mark.line + 1 if mark else 1
        raise _refused(
            file, line, f"not YAML: {error.problem or error.context}", _advice(text, line)
        ) from error
    except yaml.reader.ReaderError as error:
        line = text[: error.position].count("\n") + 1
        found = f"the character {shown(chr(error.character))} is not allowed"
        raise _refused(file, line, found, "write printable text") from error
    except (yaml.YAMLError, RecursionError, ValueError) as error:
        raise _refused(file, 1, f"not YAML: {shown(str(error))}", "write plain blocks and lists") from error
    if root is None:
        raise _refused(file, 1, "the file is empty", "write a rig; see configs/ for examples")
    reading = _Conversion(file)
    return reading.converted(root, "", 0), reading.faults


def _advice(text: str, line: int) -> str:
    here = text.splitlines()[line - 1 : line]
    if here and "\t" in here[0]:
        return "indent with spaces, not tabs"
    if here and ("{" in here[0] or ": " in here[0].partition(": ")[2]):
        return "put text that holds braces or a colon into quotes"
    return "check indentation, quotes and brackets on this line and the one above"


class _Conversion:
    """Turns composed YAML nodes into ours, each once (aliases share), collecting faults."""

    def __init__(self, file: str) -> None:
        self.faults: list[ConfigFault] = []
        self._file = file
        self._done: dict[int, tuple[Node, int]] = {}
        self._open: set[int] = set()
        self._said_too_much = False

    def converted(self, raw: yaml.Node, path: str, depth: int) -> Node:
        """Return our node for ``raw``."""
        return self._convert(raw, path, depth)[0]

    def _convert(self, raw: yaml.Node, path: str, depth: int) -> tuple[Node, int]:
        """Return our node and how many nodes it stands for once aliases are spelled out."""
        if id(raw) in self._done:
            return self._done[id(raw)]
        line = raw.start_mark.line + 1
        if id(raw) in self._open:
            self._say(line, path, "an alias contains itself", "write the block out")
            return Node(None, line, self._file), 1
        if depth > MAX_DEPTH:
            self._say(line, path, f"nested deeper than {MAX_DEPTH} levels", "write fewer levels")
            return Node(None, line, self._file), 1
        if raw.tag not in _PLAIN_TAGS:
            self._say(line, path, f"found the tag {shown(raw.tag)}", "write the value without a tag")
        self._open.add(id(raw))
        size = 1
        value: str | dict[str, Node] | list[Node] | None
        if isinstance(raw, yaml.MappingNode):
            value, size = self._block(raw, path, depth)
        elif isinstance(raw, yaml.SequenceNode):
            value = []
            for at, one in enumerate(raw.value):
                entry, entry_size = self._convert(one, f"{path}[{at}]", depth + 1)
                value.append(entry)
                size += entry_size
        else:
            assert isinstance(raw, yaml.ScalarNode)
            value = None if raw.value == "" and raw.style is None else raw.value
        self._open.discard(id(raw))
        if size > MAX_NODES and not self._said_too_much:
            self._said_too_much = True
            self._say(line, path, f"aliases multiply to more than {MAX_NODES} values", "write fewer aliases")
            value, size = None, 1
        done = (Node(value, line, self._file), size)
        self._done[id(raw)] = done
        return done

    def _block(self, raw: yaml.MappingNode, path: str, depth: int) -> tuple[dict[str, Node], int]:
        own: dict[str, Node] = {}
        merged: dict[str, Node] = {}
        size = 1
        for key, one in raw.value:
            line = key.start_mark.line + 1
            if not isinstance(key, yaml.ScalarNode) or key.tag not in _PLAIN_TAGS:
                self._say(line, path, "a key that is not plain text", "write a name before the colon")
                continue
            name = str(key.value)
            here = below(path, name)
            node, its_size = self._convert(one, here, depth + 1)
            size += its_size
            if name == "<<" and key.style is None:
                self._merge(merged, node, line, here)
            elif name in own:
                found = f"the key {shown(name)} stands on line {own[name].key_line} already"
                self._say(line, here, found, "write each key once")
            else:
                own[name] = dataclasses.replace(node, key_line=line)
        return merged | own, size

    def _merge(self, merged: dict[str, Node], node: Node, line: int, path: str) -> None:
        """Take over keys of other blocks; what was there before wins, as YAML's merge key says."""
        blocks = node.value if isinstance(node.value, list) else [node]
        for block in blocks:
            if not isinstance(block.value, dict):
                self._say(line, path, "what is merged is not a block of keys", "name the anchor of a block")
                continue
            for name, one in block.value.items():
                merged.setdefault(name, one)

    def _say(self, line: int, path: str, found: str, allowed: str) -> None:
        self.faults.append(
            ConfigFault(file=self._file, line=line, path=path or "file", found=found, allowed=allowed)
        )
