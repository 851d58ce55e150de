"""Valve outputs: what a command becomes on the wires of two lift valves, and who may drive them."""
