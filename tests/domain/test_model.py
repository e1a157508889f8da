"""Kinds of events: what recordings hold stays, what people read has words."""

import pytest

from rig.domain.model import EventKind

RECORDED = {
    "session-start", "session-stop", "session-broken", "limit-out", "limit-in", "early-out", "early-in",
    "no-valid-reading", "valid-again", "instrument-lost", "instrument-back", "instrument-report", "bus-stuck",
    "gap", "clock-step", "note", "config-change", "store-fault", "store-back", "store-low", "logger-fault",
    "damage", "fast-poll", "health", "switch", "phase", "unit", "check",
}  # fmt: skip
"""Spellings in recordings of format 1; a reader must know all of them."""


def test_the_kinds_of_recordings_keep_their_spelling() -> None:
    assert {kind.value for kind in EventKind} >= RECORDED


@pytest.mark.parametrize("kind", list(EventKind))
def test_every_kind_has_words_that_fit_the_column_of_the_live_view(kind: EventKind) -> None:
    assert 0 < len(kind.words) <= 18
    assert "-" not in kind.words


def test_no_two_kinds_share_their_words() -> None:
    assert len({kind.words for kind in EventKind}) == len(EventKind)


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        (EventKind.EARLY_OUT, "warning on"), (EventKind.EARLY_IN, "warning off"),
        (EventKind.LIMIT_IN, "returned to normal"), (EventKind.INSTRUMENT_LOST, "instrument offline"),
        (EventKind.NO_VALID, "no valid reading"), (EventKind.SESSION_START, "session start"),
    ],
)  # fmt: skip
def test_kinds_are_called_by_the_words_of_alarm_management(kind: EventKind, words: str) -> None:
    # return to normal: IEC 62682, from memory; the others are common practice, no source
    assert kind.words == words
