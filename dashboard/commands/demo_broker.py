"""The demo's broker as a process of its own, so that it ends with the demo however that ends."""

from __future__ import annotations

import sys

from iotcore import Broker

from dashboard.commands.run import stop_on_signals


def main(words: list[str]) -> int:
    """Serve on that port of loopback, with payloads of that size at most, until told to stop."""
    port, most_bytes = (int(word) for word in words)
    stop = stop_on_signals()
    # bound to loopback: the package's own default is every address of the machine
    with Broker(port=port, listen="127.0.0.1", max_payload_size=most_bytes):
        stop.wait()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
