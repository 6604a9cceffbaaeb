"""The commands of `tarnlight`, one module a group; each adds itself with `add`."""
