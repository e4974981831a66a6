"""
Open-circuit tables and habits of each chemistry, as data, each with its source.

The tables are the middle of a family: the fit may bend them (``CURVE_SPREAD``), and a
rig file may bring its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from campledger.model.rig import House
    from campledger.model.series import FloatArray


@dataclass(frozen=True, kw_only=True)
class Chemistry:
    """
    What is known of a kind of battery before any reading.

    ``soc`` and ``voltage`` are the open-circuit table of a 12 V battery at 25 Cel;
    ``voltage_spread`` (same length) is one standard deviation of how other batteries
    of the kind differ from it. Pairs are (value, standard deviation).
    """

    name: str
    soc: tuple[float, ...]
    voltage: tuple[float, ...]
    voltage_spread: tuple[float, ...]
    resistance_100: tuple[float, float]
    resistance_per_k: float
    hysteresis: tuple[float, float]
    efficiency_low: tuple[float, float]
    efficiency_full: tuple[float, float]
    soc_gassing: float
    acceptance_time: tuple[float, float]
    current_hidden_100: tuple[float, float]
    capacity_ratio: tuple[float, float]
    capacity_per_k: float
    opening: tuple[float, float]
    current_full_share: float
    well_share: float
    well_time: float


_LEAD_SOC = (0.0, 0.10, 0.20, 0.25, 0.50, 0.75, 0.90, 1.0)
_LFP_SOC = (
    *(0.0, 0.02, 0.05, 0.10, 0.15, 0.20, 0.30, 0.40, 0.50, 0.60),
    *(0.65, 0.70, 0.80, 0.90, 0.95, 0.98, 0.99, 1.0),
)

CHEMISTRIES: Mapping[str, Chemistry] = {
    # Rest voltage: a battery maker's FAQ, Table 6 (five points at 26.7 Cel), carried
    # below 25 % by its own slope. Spread: three published tables differ by 12 points
    # of charge, about 50 mV. All else: common practice, no source.
    "flooded": Chemistry(
        name="flooded",
        soc=_LEAD_SOC,
        voltage=(11.89, 11.958, 12.026, 12.06, 12.24, 12.45, 12.57, 12.65),
        voltage_spread=(0.10, 0.08, 0.07, 0.06, 0.06, 0.06, 0.06, 0.06),
        resistance_100=(0.006, 0.6),
        resistance_per_k=-0.006,
        hysteresis=(0.0, 0.02),
        efficiency_low=(0.97, 0.02),
        efficiency_full=(0.60, 0.20),
        soc_gassing=0.85,
        acceptance_time=(4000.0, 0.5),
        current_hidden_100=(0.012, 0.012),
        capacity_ratio=(0.93, 0.10),
        capacity_per_k=0.006,
        opening=(0.85, 0.15),
        current_full_share=0.02,
        well_share=0.5,
        well_time=7200.0,
    ),
    "agm": Chemistry(
        name="agm",
        soc=_LEAD_SOC,
        # Printed tables give 12.7 to 13.2 V full, 12.6, 12.3 and 12.0 V at quarters and
        # 11.6 to 11.8 V empty (an owner's manual, a reference page, two forums). Laid
        # straight: a cell is the acid's density + 0.84 V (rule, from memory), and the
        # density goes straight with charge. Spread: these tables.
        voltage=(11.75, 11.85, 11.95, 12.00, 12.30, 12.60, 12.78, 12.90),
        voltage_spread=(0.15, 0.12, 0.10, 0.08, 0.07, 0.07, 0.08, 0.10),
        resistance_100=(0.0055, 0.5),
        resistance_per_k=-0.006,
        hysteresis=(0.0, 0.02),
        efficiency_low=(0.985, 0.01),
        efficiency_full=(0.75, 0.20),
        soc_gassing=0.90,
        acceptance_time=(4000.0, 0.5),
        current_hidden_100=(0.006, 0.008),
        capacity_ratio=(0.95, 0.06),
        capacity_per_k=0.006,
        opening=(0.85, 0.15),
        current_full_share=0.02,
        well_share=0.5,
        well_time=7200.0,
    ),
    "gel": Chemistry(
        name="gel",
        soc=_LEAD_SOC,
        # 12.85, 12.65, 12.35, 12.0, 11.8 V at quarters: printed, from memory.
        voltage=(11.80, 11.88, 11.96, 12.00, 12.35, 12.65, 12.78, 12.87),
        voltage_spread=(0.13, 0.10, 0.08, 0.07, 0.06, 0.06, 0.07, 0.09),
        resistance_100=(0.008, 0.5),
        resistance_per_k=-0.006,
        hysteresis=(0.0, 0.02),
        efficiency_low=(0.985, 0.01),
        efficiency_full=(0.75, 0.20),
        soc_gassing=0.90,
        acceptance_time=(5000.0, 0.5),
        current_hidden_100=(0.005, 0.008),
        capacity_ratio=(0.95, 0.06),
        capacity_per_k=0.006,
        opening=(0.85, 0.15),
        current_full_share=0.02,
        well_share=0.5,
        well_time=9000.0,
    ),
    # Four cells in series. Middle of charge and discharge as published for graphite and
    # lithium iron phosphate cells (a slow-rate mean near 3.29 V at half, 3.33 V above
    # the upper step), from memory, rounded. Spread wide at the ends; the place of the
    # steps differs between makes (see the reach of ``curve``).
    "lfp": Chemistry(
        name="lfp",
        soc=_LFP_SOC,
        voltage=(
            *(10.8, 12.15, 12.60, 12.84, 12.94, 13.02, 13.13, 13.16, 13.18, 13.21),
            *(13.25, 13.29, 13.32, 13.33, 13.35, 13.39, 13.45, 13.80),
        ),
        voltage_spread=(
            *(0.50, 0.40, 0.22, 0.12, 0.09, 0.07, 0.05, 0.04, 0.04, 0.05),
            *(0.05, 0.04, 0.03, 0.03, 0.04, 0.06, 0.10, 0.30),
        ),
        resistance_100=(0.0060, 0.5),
        resistance_per_k=-0.008,
        hysteresis=(0.025, 0.015),
        efficiency_low=(0.998, 0.002),
        efficiency_full=(0.998, 0.002),
        soc_gassing=0.98,
        acceptance_time=(600.0, 0.5),
        current_hidden_100=(0.006, 0.006),
        capacity_ratio=(0.985, 0.06),
        capacity_per_k=0.002,
        opening=(0.80, 0.20),
        current_full_share=0.04,
        well_share=0.9,
        well_time=900.0,
    ),
}


def of_house(house: House) -> Chemistry:
    """Give what is known of the house battery's kind."""
    return CHEMISTRIES[house.chemistry]


def open_circuit_table(house: House) -> tuple[FloatArray, FloatArray]:
    """
    Give the open-circuit table: the rig's own, else the chemistry's.

    Parameters
    ----------
    house : House
        The house battery.

    Returns
    -------
    soc : (n,) float64
        Rising from 0 to 1. [1]
    voltage_open_circuit : (n,) float64
        At the battery's terminals. [V]

    References
    ----------
    .. [1] The tables of this module, source beside each.
    """
    if house.open_circuit:
        pairs = np.array(sorted(house.open_circuit), dtype=np.float64)
        return pairs[:, 0], pairs[:, 1]
    kind = of_house(house)
    return np.array(kind.soc), np.array(kind.voltage)
