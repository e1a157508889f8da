"""Words of the statuses of a reading."""

import pytest

from rig.domain.statuses import SHORT_CELLS, UNKNOWN, Status, words_of


@pytest.mark.parametrize("status", list(Status))
def test_every_status_has_words_that_fit_a_table(status: Status) -> None:
    assert status.words
    assert "_" not in status.words
    assert 0 < len(status.short) <= SHORT_CELLS
    assert words_of(int(status)) == status.words
    assert words_of(int(status), short=True) == status.short


def test_no_two_statuses_share_their_words() -> None:
    assert len({status.words for status in Status}) == len(Status)
    assert len({status.short for status in Status}) == len(Status)


def test_the_keys_are_those_of_recordings_and_exports() -> None:
    # as in the columns "status" of exports and in the notebook's frames since the first format
    assert [status.key for status in Status] == [
        "good", "suspect", "over", "under", "no_value", "no_reply", "bad_reply", "refused", "not_computed",
        "lost",
    ]  # fmt: skip


def test_a_code_of_a_newer_version_is_called_unknown() -> None:
    assert words_of(max(Status) + 1) == UNKNOWN
    assert words_of(max(Status), short=True) != UNKNOWN
