"""When are the cabins taken? From an iCalendar feed of bookings per cabin (RFC 5545).

`addresses`: where a calendar may lie; `fetch`: its bytes; `calendar`: what they say. Those run in `reader`, a
process that `readings` ends where a feed takes too long. `schedule`: the collector has them read by the clock.
`kept`: the bookings in the store, which is all that pages and commands see.
"""
