"""Simulated cabins with physics of their own; they publish as real loggers would."""
