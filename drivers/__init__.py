"""The ground floor: devices and the plain samples that every other floor exchanges."""
