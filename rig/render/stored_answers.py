"""The post-mortem of a run, kept in it: as long as neither run nor program change, so does not the answer.

``python -m rig.render.stored_answers RUN`` seals a run and works out its post-mortem ahead: what the
logger does when it stops, so that the answer is there when somebody asks.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from rig import __version__
from rig.forensics.answer import PostMortem
from rig.forensics.postmortem_json import restored, whole
from rig.store import result_cache

if TYPE_CHECKING:
    from rig.store.reader import RunReader

_PROGRAM = ("domain", "forensics", "store")
"""Packages that an answer depends on."""
_NAME = re.compile(r"[A-Za-z0-9_.-]{1,64}")
"""Names of units that can be part of a file's name as they are."""


@dataclass(slots=True)
class StoredPostMortem:
    """The question for the post-mortem of a unit (None: the one that fared worst) of the run at ``path``.

    To be asked before the run is opened: an answer counts for what the run was at that moment.
    """

    path: Path
    unit: str | None = None
    _made_of: str = field(init=False)

    def __post_init__(self) -> None:
        self._made_of = self._now()

    def answer(self) -> PostMortem | None:
        """Return the answer kept in the run; None if there is none, or not of this run and this program."""
        data = result_cache.load(self.path, self._name(), self._made_of) if self._keepable() else None
        try:
            return restored(data) if data is not None else None
        except (KeyError, TypeError, ValueError, AttributeError):
            return None

    def keep(self, found: PostMortem, run: RunReader) -> bool:
        """Keep the answer if the whole run went into it and has not changed meanwhile; return whether."""
        if run.skipped or not self._keepable() or self._now() != self._made_of:
            return False
        return result_cache.keep(self.path, self._name(), self._made_of, whole(found))

    def _now(self) -> str:
        package = Path(__file__).parent.parent
        try:
            program = [line for one in _PROGRAM for line in result_cache.listed(package / one, ".py")]
            return result_cache.made_of(self.path, [__version__, *program])
        except OSError:  # a folder that cannot be listed, or just went: nothing can be said of all files
            return ""

    def _keepable(self) -> bool:
        return self._made_of != "" and (self.unit is None or _NAME.fullmatch(self.unit) is not None)

    def _name(self) -> str:
        return "worst" if self.unit is None else f"unit-{self.unit}"


def main(arguments: Sequence[str] | None = None) -> int:
    """Seal a run, then work out its post-mortem; return 0, or the exit code of what went wrong."""
    from rig.errors import SoakrigError
    from rig.forensics.analysis import analyse
    from rig.store import seal
    from rig.store.reader import RunReader

    (path,) = sys.argv[1:] if arguments is None else arguments
    code = seal.main([path])
    try:
        asked = StoredPostMortem(Path(path))
        run = RunReader.open(path)
        if not code and run.span != (0, 0) and asked.answer() is None:
            asked.keep(analyse(run), run)
    except SoakrigError as error:
        sys.stderr.write(f"no post-mortem was worked out ahead: {error}\n")
        return error.exit_code
    return code


if __name__ == "__main__":
    sys.exit(main())
