"""Simulated cabins with physics of their own; they publish as real loggers would."""

from simulated_feeds.aging import AgingFleet, aging_fleet
from simulated_feeds.run import Frames, follow_up, history_frames, simulate
from simulated_feeds.scenario import fleet_toml

__all__ = ["AgingFleet", "Frames", "aging_fleet", "fleet_toml", "follow_up", "history_frames", "simulate"]
