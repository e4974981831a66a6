"""State of charge, capacity and resistance."""

from campledger.estimate.battery.estimate import estimate_battery
from campledger.estimate.battery.live import LiveBattery
from campledger.estimate.battery.simulate import (
    Limits,
    Simulated,
    scaled,
    simulate,
    typical,
)

__all__ = [
    "Limits",
    "LiveBattery",
    "Simulated",
    "estimate_battery",
    "scaled",
    "simulate",
    "typical",
]
