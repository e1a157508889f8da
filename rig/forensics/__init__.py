"""Which channel went first, and how sure: pure functions over arrays.

``analyse(recording, unit, confidence)`` returns a ``PostMortem``; ``to_json`` turns it into plain data.
"""

from rig.forensics.answer import PostMortem
from rig.forensics.evidence import Recording
from rig.forensics.postmortem import analyse
from rig.forensics.record import to_json

__all__ = ["PostMortem", "Recording", "analyse", "to_json"]
