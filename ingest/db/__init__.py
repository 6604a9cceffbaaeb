"""How is it kept: each row exactly once, nothing lost?

`engine` is DuckDB as this project uses it, within a process and between two, `migrations` the tables as numbered
steps, `schema` what a valid row is. `intake` puts rows, link events and what was refused into the store in one
transaction; `flood` thins what one topic has refused, `quarantine` lets the oldest of the refused go.
"""
