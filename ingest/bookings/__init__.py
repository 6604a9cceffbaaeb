"""When are the cabins taken? `calendar` reads bookings from an iCalendar feed per cabin (RFC 5545)."""
