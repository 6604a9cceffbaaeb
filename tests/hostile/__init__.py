"""Hostile histories: a truth known second by second, a logger that fails, and what the program says of it.

Independent of what it measures: nothing here imports how the program judges time and water, nor the demo's
simulator. What is known of the program is its outside: `fleet.toml`, CSV rows and link events in, `status --json`
and `outages --json` out. Replay one with `python -m tests.hostile --replay SEED`.
"""
