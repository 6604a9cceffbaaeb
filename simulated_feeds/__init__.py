"""Simulated cabins with physics of their own; they publish as real loggers would."""

from simulated_feeds.run import Frames, history_frames, simulate
from simulated_feeds.scenario import fleet_toml
from simulated_feeds.synthetic_fleet import AgingFleet, aging_fleet

__all__ = ["AgingFleet", "Frames", "aging_fleet", "fleet_toml", "history_frames", "simulate"]
