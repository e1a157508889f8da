"""The kinds of channels in the simulated room: their limits and what their probes are like."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedQuantity:
    """One kind of channel: where its limits lie and what its probe is like.

    high, low, early_high, deadband, on_delay_s: the limit. lag_s: seconds of heat. noise: standard
    deviation, in the channel's unit of measure like ``resolution``. word: the rig file's unit of
    measure; step: its unit for differences.
    """

    name: str
    word: str
    step: str
    instrument: str
    high: float | None = None
    low: float | None = None
    early_high: float | None = None
    deadband: float = 0.0
    on_delay_s: float = 0.0
    lag_s: float = 0.0
    averaging_s: float = 0.0
    resolution: float = 0.0
    noise: float = 0.0
    plausible: tuple[float, float] = (-1e6, 1e6)
    stimulus: bool = False
    follows: tuple[str, ...] = ()


OF_UNIT = (
    SimulatedQuantity(
        name="heatsink",
        word="degC",
        step="K",
        instrument="heat",
        high=95.0,
        early_high=88.0,
        deadband=2.0,
        on_delay_s=1.0,
        lag_s=20.0,
        resolution=0.1,
        noise=0.05,
        plausible=(-10.0, 250.0),
        follows=("ambient", "level", "{unit}.fan"),
    ),
    SimulatedQuantity(
        name="device",
        word="degC",
        step="K",
        instrument="box",
        high=110.0,
        early_high=103.0,
        deadband=2.0,
        on_delay_s=1.0,
        lag_s=12.0,
        resolution=0.1,
        noise=0.05,
        plausible=(-10.0, 300.0),
        follows=("{unit}.heatsink", "level"),
    ),
    SimulatedQuantity(
        name="transformer",
        word="degC",
        step="K",
        instrument="iron",
        high=105.0,
        early_high=98.0,
        deadband=2.0,
        on_delay_s=1.0,
        lag_s=45.0,
        resolution=0.01,
        noise=0.02,
        plausible=(-10.0, 250.0),
        follows=("ambient", "mains", "level"),
    ),
    SimulatedQuantity(
        name="volts",
        word="V",
        step="V",
        instrument="out",
        high=30.0,
        low=18.0,
        deadband=0.5,
        on_delay_s=0.5,
        averaging_s=0.1,
        resolution=0.001,
        noise=0.01,
        plausible=(-1.0, 60.0),
        follows=("level",),
    ),
    SimulatedQuantity(
        name="offset",
        word="V",
        step="V",
        instrument="out",
        high=0.5,
        low=-0.5,
        deadband=0.1,
        resolution=0.001,
        noise=0.002,
        plausible=(-60.0, 60.0),
    ),
    SimulatedQuantity(
        name="supply",
        word="A",
        step="A",
        instrument="intake",
        high=1.6,
        early_high=1.4,
        low=0.1,
        deadband=0.05,
        resolution=0.001,
        noise=0.002,
        plausible=(-0.1, 20.0),
        follows=("mains", "level"),
    ),
    SimulatedQuantity(
        name="bias",
        word="mA",
        step="mA",
        instrument="stage",
        high=120.0,
        early_high=90.0,
        low=10.0,
        deadband=5.0,
        resolution=0.01,
        noise=0.2,
        plausible=(-10.0, 5000.0),
        follows=("{unit}.heatsink",),
    ),
    SimulatedQuantity(
        name="ripple",
        word="V",
        step="V",
        instrument="stage",
        high=2.8,
        early_high=2.2,
        deadband=0.1,
        resolution=0.001,
        noise=0.01,
        plausible=(-1.0, 100.0),
        follows=("{unit}.supply",),
    ),
    SimulatedQuantity(
        name="fan",
        word="rpm",
        step="rpm",
        instrument="fans",
        low=900.0,
        deadband=50.0,
        resolution=10.0,
        noise=4.0,
        plausible=(-50.0, 6000.0),
    ),
)
OF_ROOM = (
    SimulatedQuantity(
        name="ambient",
        word="degC",
        step="K",
        instrument="heat",
        high=55.0,
        early_high=52.0,
        low=35.0,
        deadband=1.0,
        on_delay_s=1.0,
        lag_s=20.0,
        resolution=0.1,
        noise=0.05,
        plausible=(-40.0, 100.0),
        stimulus=True,
    ),
    SimulatedQuantity(
        name="intake_air",
        word="degC",
        step="K",
        instrument="iron",
        lag_s=45.0,
        resolution=0.01,
        noise=0.02,
        plausible=(-40.0, 100.0),
        stimulus=True,
        follows=("ambient",),
    ),
    SimulatedQuantity(
        name="mains",
        word="V",
        step="V",
        instrument="mains",
        high=253.0,
        low=207.0,
        deadband=1.0,
        resolution=0.01,
        noise=0.03,
        plausible=(-1.0, 400.0),
        stimulus=True,
    ),
    SimulatedQuantity(
        name="frequency",
        word="Hz",
        step="Hz",
        instrument="mains",
        high=51.0,
        low=49.0,
        deadband=0.1,
        resolution=0.01,
        noise=0.004,
        plausible=(30.0, 80.0),
        stimulus=True,
    ),
    SimulatedQuantity(
        name="level",
        word="V",
        step="V",
        instrument="tone",
        low=0.95,
        high=1.4,
        deadband=0.02,
        resolution=0.0001,
        noise=0.0002,
        plausible=(-0.1, 5.0),
        stimulus=True,
    ),
    SimulatedQuantity(
        name="tone",
        word="Hz",
        step="Hz",
        instrument="tone",
        resolution=0.01,
        plausible=(0.0, 30000.0),
        stimulus=True,
    ),
)
POWER = SimulatedQuantity(
    name="power",
    word="W",
    step="W",
    instrument="",
    high=110.0,
    low=40.0,
    deadband=2.0,
    on_delay_s=0.5,
    averaging_s=0.1,
    plausible=(-1.0, 500.0),
    follows=("level",),
)
"""A derived channel: the unit's output power from its volts and its load."""
