"""
1-wire thermometers as the kernel's driver shows them: a small text file each.

The kernel does the timing and the conversion (up to 0.75 s); this only reads.
"""

from __future__ import annotations

from pathlib import Path

from campledger.errors import BusError

ROOT = Path("/sys/bus/w1/devices")


class OneWireBus:
    """All 1-wire sensors of this computer."""

    def __init__(self, root: Path = ROOT) -> None:
        self.name = "w1"
        self._root = root
        if not root.is_dir():
            msg = (
                f"bus w1: got no {root}, expected the kernel's 1-wire folder; switch "
                "1-wire on (kernel modules w1-gpio and w1-therm)"
            )
            raise BusError(msg, temporary=False)

    def close(self) -> None:
        """Nothing is held."""

    def read_text(self, address: str) -> str:
        """
        Read the file of a sensor.

        Raises
        ------
        BusError
            It is not there, or gives nothing.
        """
        path = self._root / address / "w1_slave"
        try:
            return path.read_text(encoding="ascii", errors="replace")
        except FileNotFoundError as error:
            msg = f"bus w1 sensor {address}: not on the wire; check its plug"
            raise BusError(msg) from error
        except PermissionError as error:
            msg = f"bus w1 sensor {address}: got no right to read {path}"
            raise BusError(msg, temporary=False) from error
        except OSError as error:
            msg = f"bus w1 sensor {address}: no answer ({error.strerror}); check it"
            raise BusError(msg) from error

    def scan(self) -> tuple[str, ...]:
        """Name the sensors on the wire."""
        return tuple(sorted(p.parent.name for p in self._root.glob("*/w1_slave")))
