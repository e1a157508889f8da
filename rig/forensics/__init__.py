"""Which channel went first, and how sure: pure functions over arrays.

``analyse(recording, unit, confidence)`` returns a ``PostMortem``; ``to_json`` turns it into plain data.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rig.forensics.answer import PostMortem
    from rig.forensics.evidence import Recording
    from rig.forensics.postmortem import analyse
    from rig.forensics.record import to_json

__all__ = ["PostMortem", "Recording", "analyse", "to_json"]

_FROM = {"PostMortem": "answer", "Recording": "evidence", "analyse": "postmortem", "to_json": "record"}


def __getattr__(name: str) -> Any:
    """Load what is asked for: an answer that is only read needs none of the arithmetic."""
    if name not in _FROM:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"{__name__}.{_FROM[name]}"), name)
