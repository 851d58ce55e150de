"""Inertial sensors on I2C: the chips as tables, one driver round them, samples in SI."""
