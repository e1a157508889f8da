"""The rig-file reference says what the schema says, and the committed copy says what the code says."""

from __future__ import annotations

from pathlib import Path

import pytest

import drivers
from rig.errors import UsageError
from rig.rigfile.schema import keys, reference
from rig.rigfile.sections import RigSection
from rig.setup import reference as pages

ROOT = Path(__file__).parents[2]
MODULES = {name: drivers.load(name) for name in drivers.available()}


def test_the_committed_reference_is_what_the_code_says_now() -> None:
    """If this fails: ``soakrig reference > configs/REFERENCE.md``."""
    assert (ROOT / "configs" / "REFERENCE.md").read_text("utf-8") == pages.text(MODULES) + "\n"


def test_every_key_of_the_rig_file_and_of_every_driver_is_in_it() -> None:
    whole = " ".join(pages.text(MODULES).split())
    rows = [row for cls in (RigSection, *(one.Options for one in MODULES.values())) for row in reference(cls)]
    assert len(rows) > 150
    for row in rows:
        name = row.path.split(".")[-1]
        if not name.isupper():
            assert f"- **{name}**: {' '.join(row.doc.split())}" in whole, row.path


def test_a_section_that_stands_in_several_places_is_explained_once_with_all_of_them() -> None:
    found = [
        line for line in pages.text(MODULES).splitlines() if "`templates.TEMPLATE.channels.CHANNEL`" in line
    ]
    assert found == [
        "## `templates.TEMPLATE.channels.CHANNEL`, `units.UNIT.channels.CHANNEL`, `channels.CHANNEL`"
    ]


@pytest.mark.parametrize("name", drivers.available())
def test_one_driver_can_be_asked_for(name: str) -> None:
    text = pages.text(MODULES, name)
    assert text.startswith(f"## Driver `{name}`")
    for key in keys(MODULES[name].Options):
        assert f"**{key}**" in text
    others = [one for one in MODULES if one != name]
    assert not any(f"driver: {one}" in text for one in others)


@pytest.mark.parametrize("name", keys(RigSection))
def test_one_key_of_the_rig_file_can_be_asked_for(name: str) -> None:
    assert f"**{name}**" in pages.text(MODULES, name)


def test_another_word_is_refused_with_those_there_are() -> None:
    with pytest.raises(UsageError, match=r"called 'chanels'.*channels"):
        pages.text(MODULES, "chanels")
