"""
Which phones may write: a code on the box's label, then a cookie; only hashes are kept.

Time limits run on the boot-time clock, which nobody can set back.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from campledger.app.page.places import put_json, take_json

if TYPE_CHECKING:
    from collections.abc import Callable

DIGITS = 8
WRONG_MOST = 5
CLOSED_FOR = 600.0
"""Five wrong codes close pairing for ten minutes. [s] (asked)"""
PHONES_MOST = 20
ROUNDS = 200_000
"""Rounds of PBKDF2-HMAC-SHA256: the file does not give the code away at once. Common
practice, no source."""
KERNEL_BOOT = Path("/proc/sys/kernel/random/boot_id")


def boot_time() -> float:
    """Give seconds since boot, sleep included."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def boot_name() -> str:
    """Give the kernel's name of this boot."""
    try:
        return KERNEL_BOOT.read_text(encoding="ascii").strip()
    except OSError:
        return ""


def _code_hash(code: str, salt: str) -> str:
    made = hashlib.pbkdf2_hmac("sha256", code.encode(), bytes.fromhex(salt), ROUNDS)
    return made.hex()


def token_hash(token: str) -> str:
    """Hash a cookie; it is long and random, so one round is enough."""
    return hashlib.sha256(token.encode()).hexdigest()


@dataclass(kw_only=True)
class Pairing:
    """The file of hashes, and the rules round it."""

    path: Path
    now: Callable[[], float] = boot_time
    boot: str = field(default_factory=boot_name)

    def ready(self) -> bool:
        """Tell whether a code was made."""
        return bool(take_json(self.path).get("code"))

    def new_code(self) -> str:
        """Make a code for the label; phones paired before must pair again."""
        code = f"{secrets.randbelow(10**DIGITS):0{DIGITS}d}"
        salt = secrets.token_hex(16)
        put_json(
            self.path,
            {"code": {"salt": salt, "hash": _code_hash(code, salt)}, "phones": []},
        )
        return code

    def closed_for(self) -> float:
        """Give how long pairing stays closed. [s]"""
        found = take_json(self.path)
        if _count(found) < WRONG_MOST:
            return 0.0
        # After a restart the time since the last wrong code is not known: wait anew.
        same = found.get("wrong_boot") == self.boot
        since = _number(found.get("wrong_at")) if same else 0.0
        return max(0.0, since + CLOSED_FOR - self.now())

    def pair(self, code: str) -> str:
        """Give a new phone's token for the right code, empty for a wrong one."""
        found = take_json(self.path)
        kept = found.get("code")
        if not isinstance(kept, dict) or self.closed_for() > 0.0:
            return ""
        if _count(found) >= WRONG_MOST:
            found["wrong"] = 0
        right = hmac.compare_digest(
            _code_hash(code, str(kept["salt"])), str(kept["hash"])
        )
        if not right:
            found["wrong"] = _count(found) + 1
            found["wrong_at"], found["wrong_boot"] = self.now(), self.boot
            put_json(self.path, found)
            return ""
        token = secrets.token_urlsafe(32)
        found["wrong"] = 0
        found["phones"] = [*_phones(found), token_hash(token)][-PHONES_MOST:]
        put_json(self.path, found)
        return token

    def knows(self, token: str) -> bool:
        """Tell whether a token is of a paired phone."""
        if not token or len(token) > 100:
            return False
        wanted = token_hash(token)
        phones = _phones(take_json(self.path))
        return any(hmac.compare_digest(wanted, known) for known in phones)

    def forget(self, token: str) -> None:
        """Let go of a phone."""
        found = take_json(self.path)
        gone = token_hash(token)
        found["phones"] = [known for known in _phones(found) if known != gone]
        put_json(self.path, found)


def _phones(found: dict[str, object]) -> list[str]:
    phones = found.get("phones")
    return [str(x) for x in phones] if isinstance(phones, list) else []


def _count(found: dict[str, object]) -> int:
    return int(_number(found.get("wrong")))


def _number(value: object) -> float:
    return float(value) if isinstance(value, (int, float)) else 0.0
