"""Where a phone finds the page: address, name of the network, and a code to scan."""

from __future__ import annotations

import re
import shutil
import socket
import subprocess
from contextlib import suppress
from pathlib import Path

ACCESS_POINT = Path("/etc/hostapd/hostapd.conf")
MANAGED = Path("/etc/NetworkManager/system-connections")
_SSID = re.compile(r"^ssid=(.+)$", re.MULTILINE)
ANY = frozenset({"0.0.0.0", "::", ""})  # noqa: S104  # compared, not bound


def split_listen(listen: str) -> tuple[str, int]:
    """Split ``HOST:PORT``; square brackets of an IPv6 address go."""
    host, _, port = listen.rpartition(":")
    return host.strip("[]"), int(port)


def own_addresses() -> list[str]:
    """Give this computer's addresses; nothing is sent."""
    found: list[str] = []
    # Documentation addresses (RFC 5737, RFC 3849): they only choose the interface.
    for family, far in (
        (socket.AF_INET, "192.0.2.1"),
        (socket.AF_INET6, "2001:db8::1"),
    ):
        with suppress(OSError), socket.socket(family, socket.SOCK_DGRAM) as probe:
            probe.connect((far, 9))
            found.append(str(probe.getsockname()[0]))
    with suppress(OSError):
        for entry in socket.getaddrinfo(socket.gethostname(), None):
            address = str(entry[4][0])
            if address not in found and "%" not in address:
                found.append(address)
    return found


def _spelled(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def hosts_of(listen: str) -> frozenset[str]:
    """Give every ``Host`` that may name the page."""
    host, port = split_listen(listen)
    name = socket.gethostname().lower()
    names = {host.lower(), "localhost", "127.0.0.1", "::1"}
    if host in ANY:
        names |= {a.lower() for a in own_addresses()}
    if host in ANY or not host.startswith("127."):
        names |= {name, f"{name}.local"}
    out = {f"{_spelled(n)}:{port}" for n in names if n}
    if port == 80:
        out |= {_spelled(n) for n in names if n}
    return frozenset(out)


def address_of(listen: str) -> str:
    """Give the address to type into a phone."""
    host, port = split_listen(listen)
    if host in ANY:
        reachable = [a for a in own_addresses() if not a.startswith("127.")]
        host = reachable[0] if reachable else "127.0.0.1"
    tail = "" if port == 80 else f":{port}"
    return f"http://{_spelled(host)}{tail}/"


def network_name() -> str:
    """Give the Wi-Fi's name if this computer can tell it, else nothing."""
    with suppress(OSError):
        for path in (ACCESS_POINT, *sorted(MANAGED.glob("*.nmconnection"))):
            if (name := _offered(path)) != "":
                return name
    tool = shutil.which("iwgetid")
    if tool is None:
        return ""
    with suppress(OSError, subprocess.TimeoutExpired):
        said = subprocess.run(  # noqa: S603  # our own words
            [tool, "-r"], capture_output=True, text=True, timeout=5, check=False
        )
        return said.stdout.strip()
    return ""


def _offered(path: Path) -> str:
    """Give the name of a network that this computer itself offers, from its setting."""
    try:
        setting = path.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""
    found = _SSID.search(setting)
    offers = path == ACCESS_POINT or "mode=ap" in setting.split()
    return found[1].strip() if found and offers else ""


def is_loopback(listen: str) -> bool:
    """Tell whether only this computer reaches the page."""
    host, _ = split_listen(listen)
    return host in {"localhost", "::1"} or host.startswith("127.")
