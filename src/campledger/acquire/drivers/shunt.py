"""
What all shunt monitors have in common: volts and the drop over a shunt together.

The current is worked out from the drop, the chip's own current register is only
compared with it: an uncalibrated chip shows 0 A over a loaded shunt. Signs are the
chip's; leads that are swapped are a ``[[correction]]``, never a sign in here.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, ClassVar

from campledger.acquire.drivers.chip import Chip, setting_fault
from campledger.acquire.drivers.word import NAN, Word, refuse

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from campledger.model.ports import RegisterBus
    from campledger.model.rig import Sensor

AVERAGING = 0.5
"""Shortest averaging where a chip can. [s] Job text C42, simulated there."""
AGREE_SHARE, AGREE_COUNTS = 0.01, 2
"""How near the current register must be. Common practice, no source."""
COUNTS: Sequence[int] = (1, 4, 16, 64, 128, 256, 512, 1024)
"""Conversions that these chips can average. INA226 data sheet SBOS547, config
register."""


def averaging(conversion: float) -> int:
    """
    Choose how many conversions to average.

    Parameters
    ----------
    conversion : float
        One conversion of everything that is measured, > 0. [s]

    Returns
    -------
    index : int
        Into `COUNTS`: the fewest that last `AVERAGING`, else the most.
    """
    for index, count in enumerate(COUNTS):
        if count * conversion >= AVERAGING:
            return index
    return len(COUNTS) - 1


class ShuntMonitor(Chip):
    """
    A chip with one shunt and one voltage.

    ``full_scale`` is the largest drop that it can hold. [V]
    """

    roles: ClassVar[tuple[str, ...]] = ("current", "voltage", "power")
    full_scale: float = NAN

    def __init__(self, sensor: Sensor, bus: RegisterBus) -> None:
        super().__init__(sensor, bus)
        if sensor.shunt is None and {"current", "power"} & set(self.mapped):
            raise setting_fault(sensor, "shunt_mohm", "nothing", "e.g. 0.5")
        self.shunt = sensor.shunt if sensor.shunt is not None else math.inf
        self.drop_max = (sensor.current_max or 0.0) * (sensor.shunt or 0.0)
        if self.drop_max > self.full_scale * (1 + 1e-9):
            most = self.full_scale / self.shunt
            raise setting_fault(
                sensor,
                "max_a",
                f"{sensor.current_max:g} A over {1000 * self.shunt:g} mOhm",
                f"at most {most:.1f} A, where this chip clips; "
                "a smaller shunt or the true max_a",
            )

    def combine(
        self, drop: Word, volts: Word, current_word: int, per_count: float
    ) -> Mapping[str, Word]:
        """
        Make the roles of one conversion.

        Parameters
        ----------
        drop, volts : Word
            Over the shunt and of the bus. [V]
        current_word : int
            The chip's own current, signed. [1]
        per_count : float
            Drop that one count of it stands for. [V]
        """
        expected = drop.value / per_count if not drop.refused else NAN
        allowed = AGREE_COUNTS + AGREE_SHARE * abs(expected)
        if not drop.clipped and abs(current_word - expected) > allowed:
            drop = refuse(
                drop.raw,
                f"current register {current_word}, expected {expected:.0f}; "
                "the calibration is lost",
            )
        current = _over(drop, self.shunt)
        power = Word(
            value=current.value * volts.value,
            raw=(drop.raw << 32) | volts.raw,
            clipped=current.clipped or volts.clipped,
            refused=current.refused or volts.refused,
        )
        return {"current": current, "voltage": volts, "power": power}


def _over(drop: Word, shunt: float) -> Word:
    return Word(
        value=drop.value / shunt,
        raw=drop.raw,
        clipped=drop.clipped,
        refused=drop.refused,
    )
