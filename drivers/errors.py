"""What a device does wrong, each in one clear sentence."""

from __future__ import annotations


class DeviceError(OSError):
    """A device or its wire did not do what was asked; the message is for the person at it."""
