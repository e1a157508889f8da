"""Post-mortem analysis: first-out channel, order, uncertainty and cause, as pure functions over arrays.

``analyse(recording, unit, confidence)`` returns a ``PostMortem``; ``to_json`` turns it into plain data.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rig.forensics.analysis import analyse
    from rig.forensics.answer import PostMortem
    from rig.forensics.postmortem_json import to_json

__all__ = ["PostMortem", "analyse", "to_json"]

_FROM = {"PostMortem": "answer", "analyse": "analysis", "to_json": "postmortem_json"}


def __getattr__(name: str) -> Any:
    """Load on demand: reading a stored result needs none of the arithmetic."""
    if name not in _FROM:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"{__name__}.{_FROM[name]}"), name)
