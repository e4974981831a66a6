"""State of charge, capacity and resistance."""

from campledger.estimate.battery.estimate import estimate_battery

__all__ = ["estimate_battery"]
