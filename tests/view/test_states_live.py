"""States of units, first-out and blindness in the live view of the ordinary logger, on true transports."""

from __future__ import annotations

import re
from datetime import UTC
from pathlib import Path

import pytest

from rig.domain.model import EventKind
from rig.simulator import running_room
from rig.view.live_view import LiveSource
from rig.view.screen import everything
from rig.view.snapshot import ChannelCondition, RunState, UnitView
from rig.view.state_words import StateWord
from tests.daemon.live import Logger, no_logger_left, soakrig

__all__ = ["no_logger_left"]
pytestmark = [pytest.mark.slow, pytest.mark.timeout(240)]


def unit(source: LiveSource, name: str) -> UnitView:
    return next(one for one in source.look().units if one.name == name)


def test_a_failed_a_switched_off_and_a_half_blind_unit_look_like_what_they_are(tmp_path: Path) -> None:
    with running_room.running(tmp_path / "room", scenario="quiet", seed=5, units=4, poll_s=0.25) as room:
        logger = Logger(room.rig_file)
        for name in ("A1", "A2", "A3", "A4"):
            logger.until_event(EventKind.STATE, name, state="driven")
        source = LiveSource(logger.run)
        assert {one.word for one in source.look().units if one.serial} == {StateWord.DRIVEN}

        room.say("short A2")
        room.say("switch A3 off")
        assert soakrig("note", logger.runs, "off to fit a fan", "--unit", "A3").returncode == 0
        logger.until_event(EventKind.STATE, "A2", state="failed")
        logger.until_event(EventKind.STATE, "A3", state="unpowered", cause="note")
        room.say("pull heat_line")
        logger.until_event(EventKind.INSTRUMENT_LOST)

        snapshot = source.look()
        assert snapshot.units[0].name == "A2"
        assert (unit(source, "A2").word, unit(source, "A3").word) == (StateWord.SUSPECTED, StateWord.OFF)
        for name in ("A1", "A4"):
            seen = unit(source, name)
            assert (seen.word, seen.condition) == (StateWord.DRIVEN, ChannelCondition.OK)
            assert [one.quantity for one in seen.blind] == ["heatsink"]
            assert seen.worst is not None
            assert seen.worst.margin is not None
        # a shorted output stage draws a large current before anything is warm
        first = unit(source, "A2").first_out
        assert first
        assert all(one.ended_ns is not None for one in first)
        text = [one.plain for one in everything(snapshot, 100, UTC)]
        assert re.match(r"A2 FAILED\? \d\d:\d\d:\d\d, 2 units driven", text[1]), text[1]

        assert logger.stop() == 0
        ended = source.look()
        assert (ended.state, ended.live) == (RunState.STOPPED, False)
        assert unit(source, "A2").word is StateWord.SUSPECTED
