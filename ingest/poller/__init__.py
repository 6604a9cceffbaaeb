"""How is a unit heard whose controller has to be asked?

`modbus` asks one controller for its registers; `poller` asks all of them, each at its unit's cadence, and publishes
what they say as their loggers would: so decoding, checks, quarantine and a queue while the collector is away are
those of every message.
"""
