"""A rig file's devices, opened."""
