"""Pages written to disk: one file for HTML; Markdown with a folder of pictures beside it."""

from __future__ import annotations

import re
from pathlib import Path

from rig.errors import StoreError, UsageError
from rig.render.pages import html, markdown
from rig.render.pages.blocks import ReportPage
from rig.store.files import OS_DISK, make_dirs, publish

SUFFIXES = (".html", ".htm", ".md")


def save(page: ReportPage, path: Path) -> list[Path]:
    """Write a page and return the files written; an earlier page of that name is replaced.

    The ending says the form: ``.html``, or ``.md`` with pictures in the folder ``NAME-pictures``. Raises
    UsageError for another ending, StoreError if the disk refuses.
    """
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise UsageError(f"a page cannot be written as {path.name!r}; name a file that ends in .html or .md")
    if suffix != ".md":
        put(path, html.write(page).encode())
        return [path]
    folder = f"{re.sub(r'[^A-Za-z0-9._-]', '-', path.stem)}-pictures"
    written = markdown.write(page, folder)
    files = [path.parent / folder / name for name in written.pictures]
    for file, drawn in zip(files, written.pictures.values(), strict=True):
        put(file, drawn.encode())
    put(path, written.text.encode())
    return [path, *files]


def save_both(page: ReportPage, place: Path) -> list[Path]:
    """Write a page as a file (by its ending), or into a folder as ``report.html`` and ``report.md``.

    Raises UsageError, StoreError; see ``save``.
    """
    if place.suffix.lower() in SUFFIXES:
        return save(page, place)
    if place.suffix and not place.is_dir():
        raise UsageError(
            f"a report cannot be written as {place.name!r}; name a folder, or end in .html or .md"
        )
    return [*save(page, place / "report.html"), *save(page, place / "report.md")]


def put(path: Path, data: bytes) -> None:
    """Write a file completely or not at all; its folder is made. Raises StoreError."""
    try:
        make_dirs(OS_DISK, path.parent)
    except OSError as error:
        raise StoreError(
            f"could not make the folder {path.parent}: {error.strerror or error}; name another place"
        ) from error
    publish(OS_DISK, path, data)
