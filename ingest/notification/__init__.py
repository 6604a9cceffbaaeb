"""Who is told, and did it arrive?

`message_log` puts messages in line with what they tell of and keeps every attempt, `sending` is the thread that
sends them, `channels` the ways out (names in the registry, addresses in secrets), `sign` the retained message for
the sign in a cabin.
"""
