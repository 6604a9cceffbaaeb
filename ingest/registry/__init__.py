"""What is enrolled, and from when?

`tables` reads and writes `fleet.toml` and the registry's tables, `edits` says what a change would do to the past
before it is made.
"""
