"""
The only part of the page that writes: it checks who asks and what, on its own side.

A small process behind a local socket. It takes one JSON object a connection, from a
process of the same user only, asks the pairing file itself, and opens the store for
one short transaction, in a child that ends at once so that it stays small. The same
way it looks every half minute whether the vehicle moves and whether there was an event.
"""

from __future__ import annotations

import contextlib
import json
import logging
import math
import os
import select
import socket
import struct
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from campledger.app.page.pairing import Pairing, boot_time
from campledger.app.page.places import NOW, PAIRING, SOCKET, put_json
from campledger.errors import CampledgerError, CannotTellError, InputError, StoreError

if TYPE_CHECKING:
    from collections.abc import Callable

log = logging.getLogger(__name__)

LONGEST = 2048
"""Longest message; a write is at most 1 kB, its wrapping included twice over. [byte]"""
NOTE_LONGEST = 300
LOOK_EVERY = 30.0
"""A look at the newest readings so often, if there are new ones. [s]"""
TIMEOUT = 5.0
METER_MOST = 1e4
PROOF_READS = 60.0
"""A meter reading is laid beside so much of the record. [s]"""
PLAUSIBLE_FROM = 1735689600.0
"""2025: an earlier clock was never set. [s]"""
PLAUSIBLE_TO = 4102444800.0
"""2100. [s]"""
APART = 600.0
"""A note of a phone whose clock differs by more carries both times. [s] Job text X1."""

Said = dict[str, object]


@dataclass(frozen=True, kw_only=True)
class Desk:
    """Where it writes: rig, store, and the folder of the page."""

    rig_name: str
    rig: Path
    store: Path
    folder: Path


def _refused(text: str, status: int = 400, **more: object) -> Said:
    return {"status": status, "text": text, **more}


def answer(desk: Desk, raw: bytes) -> Said:
    """Do what a message asks, or say why not."""
    try:
        asked = json.loads(raw.decode("utf-8"))
    except (ValueError, RecursionError):
        return _refused("Not understood.")
    if not isinstance(asked, dict):
        return _refused("Not understood.")
    pairing = Pairing(path=desk.folder / PAIRING)
    do = asked.get("do")
    if do == "pair":
        return _pair(pairing, asked)
    token = asked.get("token")
    if not isinstance(token, str) or not pairing.knows(token):
        return _refused("This phone is not paired.", 403)
    if do == "forget":
        pairing.forget(token)
        return {"status": 200, "text": "Forgotten.", "reload": True}
    if do == "write":
        return _write(desk, asked)
    return _refused("Not understood.")


def _pair(pairing: Pairing, asked: Said) -> Said:
    code = asked.get("code")
    if not pairing.ready():
        return _refused("No code was made on the box yet.", 403)
    if not isinstance(code, str) or len(code) != 8 or not code.isascii():
        return _refused("The code has 8 digits.")
    if not code.isdigit():
        return _refused("The code has 8 digits.")
    wait = pairing.closed_for()
    if wait > 0.0:
        minutes = math.ceil(wait / 60.0)
        return _refused(f"Too many wrong codes: closed for {minutes} min.", 429)
    token = pairing.pair(code)
    if not token:
        return _refused("Not the code on the label.", 403)
    return {"status": 200, "text": "Paired.", "token": token, "reload": True}


def _write(desk: Desk, asked: Said) -> Said:
    kinds = {"note": _note, "time": _time, "proof": _proof}
    kind = kinds.get(str(asked.get("kind")))
    if kind is None:
        return _refused("Not understood.")
    try:
        return kind(desk, asked)
    except (StoreError, CannotTellError) as error:
        log.warning("a write failed: %s", error)
        return _refused(f"Not kept: {error}", 503)
    except CampledgerError as error:
        return _refused(f"Not kept: {error}")


def _phone_time(asked: Said) -> float:
    value = asked.get("now_ms")
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return math.nan
    seconds = float(value) / 1000.0
    return seconds if PLAUSIBLE_FROM <= seconds <= PLAUSIBLE_TO else math.nan


def _note(desk: Desk, asked: Said) -> Said:
    from campledger.store import open_store  # noqa: PLC0415

    given = asked.get("text")
    words = " ".join(given.split()) if isinstance(given, str) else ""
    words = "".join(c for c in words if c.isprintable())
    if not 1 <= len(words) <= NOTE_LONGEST:
        return _refused(f"A note has 1 to {NOTE_LONGEST} characters.")
    clock, phone = time.time(), _phone_time(asked)
    body: dict[str, object] = {"text": words, "by": "phone"}
    when = clock
    if math.isfinite(phone) and abs(phone - clock) > APART:
        body["phone_utc"], body["clock_utc"] = phone, clock
        when = phone if clock < PLAUSIBLE_FROM else clock
    with open_store(desk.store, "write") as store:
        store.add_entry("note", when, body)
    return {"status": 200, "text": "Kept.", "changed": True}


def _time(desk: Desk, asked: Said) -> Said:
    from campledger.app.clockwork import give_time, kernel_boot  # noqa: PLC0415
    from campledger.store import open_store  # noqa: PLC0415

    phone = _phone_time(asked)
    if not math.isfinite(phone):
        return _refused("The phone gave no time between 2025 and 2100.")
    uptime = time.clock_gettime(time.CLOCK_BOOTTIME)
    with open_store(desk.store, "write") as store:
        try:
            give_time(
                store,
                time_utc=phone,
                uptime=uptime,
                kind="phone",
                recorder=desk.rig_name,
                identity=kernel_boot(),
                source="paired phone",
                sure=asked.get("sure") is True,
            )
        except InputError as error:
            why = str(error).split("expected one that fits: ")[-1].split(". Not")[0]
            text = f"It differs from what is known: {why}. Is your phone right?"
            return _refused(text, 409, ask=True)
    return {"status": 200, "text": "Taken; nothing else was read.", "changed": True}


def _proof(desk: Desk, asked: Said) -> Said:
    from campledger.formats.rigfile import read_rig  # noqa: PLC0415
    from campledger.judge.proof_verdicts import Memory, judge_step  # noqa: PLC0415
    from campledger.present.phone.proofs import meter_steps  # noqa: PLC0415
    from campledger.store import open_store  # noqa: PLC0415

    step, channel, typed = asked.get("step"), asked.get("channel"), asked.get("typed")
    if not isinstance(step, int) or not isinstance(channel, str):
        return _refused("Not a step of this rig.")
    try:
        value = float(str(typed).strip().replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or abs(value) > METER_MOST:
        return _refused("The meter reading is a number.")
    rig = read_rig(desk.rig)
    with open_store(desk.store, "write") as store:
        span = store.span()
        if span is None:
            return _refused("Nothing was read yet.")
        record = store.record(span[1] - PROOF_READS, span[1], rig.corrections)
        steps = meter_steps(rig, sorted(record.channels))
        found = [s for s in steps if (s.number, s.channel) == (step, channel)]
        if not found:
            return _refused("Not a step of this rig.")
        readings = {channel: record.channels[channel].value.tolist()}
        out = judge_step(found[0], readings, value, Memory(), rig.corrections)
        body = {
            "step": step,
            "channel": channel,
            "typed": value,
            "logged": out.logged if math.isfinite(out.logged) else None,
            "passed": bool(out.passed),
            "text": out.text,
        }
        store.add_entry("proof", span[1], body, key=channel)
    verdict = "Passed." if out.passed else "Not passed."
    return {"status": 200, "text": f"{verdict} {out.text}", "changed": True}


def serve(
    desk: Desk,
    stop: threading.Event | None = None,
    *,
    apart: bool = False,
    input_fd: int = -1,
) -> None:
    """
    Answer messages until told to stop, or until whoever started it is gone.

    Parameters
    ----------
    desk : Desk
        Where it writes.
    stop : Event, optional
        Tells it to stop.
    apart : bool
        Write and look in children that end at once, so that this process stays small.
    input_fd : int
        Its end means that whoever started us is gone; -1 = nobody did.
    """
    stop = stop or threading.Event()
    path = desk.folder / SOCKET
    path.unlink(missing_ok=True)
    ears: list[int] = [] if input_fd < 0 else [input_fd]
    due, logged = 0.0, 0.0
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
        listener.bind(str(path))
        path.chmod(0o600)
        listener.listen(16)
        while not stop.is_set():
            heard, _, _ = select.select([listener.fileno(), *ears], [], [], 0.5)
            if input_fd in heard and not os.read(input_fd, 64):
                return
            if listener.fileno() in heard:
                wire, _ = listener.accept()
                with wire:
                    wire.settimeout(TIMEOUT)
                    with contextlib.suppress(OSError):
                        _one(desk, wire, apart=apart)
            if apart and time.monotonic() >= due:
                due = time.monotonic() + LOOK_EVERY
                if (now := _logged_at(desk.store)) != logged:
                    logged = now
                    _apart(lambda: _look(desk))


def _logged_at(store: Path) -> float:
    """Give when something was last written to the store."""
    newest = 0.0
    for name in (store, store.with_name(f"{store.name}-wal")):
        with contextlib.suppress(OSError):
            newest = max(newest, name.stat().st_mtime)
    return newest


def _look(desk: Desk) -> None:
    from campledger.app.page.looking import look  # noqa: PLC0415
    from campledger.formats.rigfile import read_rig  # noqa: PLC0415
    from campledger.store import open_store  # noqa: PLC0415

    with open_store(desk.store) as store:
        found = look(store, read_rig(desk.rig))
    put_json(desk.folder / NOW, {**found, "uptime": boot_time()})


def _apart(work: Callable[[], None]) -> None:
    """Do something in a child that ends at once; its trouble ends with it."""
    child = os.fork()
    if child:
        os.waitpid(child, 0)
        return
    code = 1
    try:
        work()
        code = 0
    except CampledgerError as error:
        log.warning("%s", error)
    finally:
        os._exit(code)


def _one(desk: Desk, wire: socket.socket, *, apart: bool) -> None:
    size = struct.calcsize("3i")
    peer = wire.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, size)
    if struct.unpack("3i", peer)[1] != os.geteuid():
        return
    raw = b""
    while not raw.endswith(b"\n"):
        more = wire.recv(LONGEST)
        raw += more
        if not more or len(raw) > LONGEST:
            break
    if not raw.endswith(b"\n") or len(raw) > LONGEST:
        wire.sendall(json.dumps(_refused("Too long.", 413)).encode() + b"\n")
    elif apart and b'"write"' in raw:
        _apart(lambda: _reply(desk, wire, raw))
    else:
        _reply(desk, wire, raw)


def _reply(desk: Desk, wire: socket.socket, raw: bytes) -> None:
    try:
        said = answer(desk, raw)
    except Exception as error:  # noqa: BLE001  # one write must not end the scribe
        log.error("a write met a fault of ours: %s", type(error).__name__)  # noqa: TRY400
        said = _refused("Not kept: a fault of ours.", 500)
    wire.sendall(json.dumps(said).encode() + b"\n")


def main() -> None:
    """Run as a process of its own; the desk comes as JSON."""
    told = json.loads(sys.argv[1])
    desk = Desk(
        rig_name=told["name"],
        rig=Path(told["rig"]),
        store=Path(told["store"]),
        folder=Path(told["folder"]),
    )
    serve(desk, apart=True, input_fd=sys.stdin.fileno())


if __name__ == "__main__":
    logging.basicConfig(
        level=logging.INFO, stream=sys.stderr, format="campledger page: %(message)s"
    )
    main()
