"""The science and the rules of tarnlight: pure functions, no file, socket, clock or global."""
