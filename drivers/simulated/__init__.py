"""The simulated rig: a machine as physics, behind the same protocols as real devices."""
