"""Stored post-mortem of a run: valid while neither the run nor the program changes.

``python -m rig.render.stored_answers RUN`` seals a run and stores its post-mortem, as the logger does when
it stops.
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
from rig.forensics.postmortem_json import from_storage, to_storage
from rig.store import result_cache

if TYPE_CHECKING:
    from rig.store.reader import RunReader

_PROGRAM = ("domain", "forensics", "store")
"""Packages that a post-mortem depends on."""
_NAME = re.compile(r"[A-Za-z0-9_.-]{1,64}")
"""Names of units that can be part of a file's name as they are."""


@dataclass(slots=True)
class StoredPostMortem:
    """Stored post-mortem of a unit (None: the worst one) of the run at ``path``.

    Make it before the run is opened: a result is valid for the state of the run at that moment.
    """

    path: Path
    unit: str | None = None
    _made_of: str = field(init=False)

    def __post_init__(self) -> None:
        self._made_of = self._now()

    def answer(self) -> PostMortem | None:
        """Return the stored post-mortem; None if there is none of this state of the run and this program."""
        data = result_cache.load(self.path, self._name(), self._made_of) if self._storable() else None
        try:
            return from_storage(data) if data is not None else None
        except (KeyError, TypeError, ValueError, AttributeError):
            return None

    def keep(self, found: PostMortem, run: RunReader) -> bool:
        """Store a post-mortem if all of the run was read and has not changed since; return whether."""
        if run.skipped or not self._storable() or self._now() != self._made_of:
            return False
        return result_cache.keep(self.path, self._name(), self._made_of, to_storage(found))

    def _now(self) -> str:
        package = Path(__file__).parent.parent
        try:
            folders = [folder for one in _PROGRAM for folder in _with_subfolders(package / one)]
            program = [line for folder in folders for line in result_cache.listed(folder, ".py")]
            return result_cache.made_of(self.path, [__version__, *program])
        except OSError:  # a folder that cannot be listed, or has just gone
            return ""

    def _storable(self) -> bool:
        return self._made_of != "" and (self.unit is None or _NAME.fullmatch(self.unit) is not None)

    def _name(self) -> str:
        return "worst" if self.unit is None else f"unit-{self.unit}"


def _with_subfolders(folder: Path) -> list[Path]:
    return [folder, *sorted(one for one in folder.rglob("*") if one.is_dir())]


def main(arguments: Sequence[str] | None = None) -> int:
    """Seal a run, then store its post-mortem; return 0, or the exit code of the error."""
    from rig.errors import SoakrigError
    from rig.forensics.analysis import analyse
    from rig.store import seal
    from rig.store.reader import RunReader

    (path,) = sys.argv[1:] if arguments is None else arguments
    code = seal.main([path])
    try:
        stored = StoredPostMortem(Path(path))
        run = RunReader.open(path)
        if not code and run.span != (0, 0) and stored.answer() is None:
            stored.keep(analyse(run), run)
    except SoakrigError as error:
        sys.stderr.write(f"no post-mortem stored: {error}\n")
        return error.exit_code
    return code


if __name__ == "__main__":
    sys.exit(main())
