"""Machines, grounds, limits, zones, reach, hand work."""
