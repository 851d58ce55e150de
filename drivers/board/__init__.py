"""The companion board: a MicroPython program, and the codec that both sides of its cable share."""
