"""Who used it: metered loads as measured, unmetered loads told apart from one shunt."""

from campledger.estimate.loads.estimate import LoadsEstimate, estimate_loads

__all__ = ["LoadsEstimate", "estimate_loads"]
