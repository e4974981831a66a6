"""
Power cuts of a guest that runs the daemon on ext4.

Images: the block layer records every write and flush; a disk after a cut is all writes
up to the last completed flush and a random half of the later ones (a cache that was
lost or reordered). Cuts: the guest is stopped at a random instant, its disk copied, and
the guest goes on. Each disk is mounted, which replays the file system's journal, and
the store in it is read row by row.
"""

from __future__ import annotations

import json
import random
import shutil
import socket
import struct
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path

from support import daemon_child, vm

MODULES = ("virtio_blk", "ext4", "crc32c_generic")
MAGIC = 0x6A736677736872
"""Marks a log of writes. (Linux, Documentation/admin-guide/device-mapper/log-writes)"""
FLUSH, FUA, DISCARD = 1, 2, 4
ACKNOWLEDGED = 120
"""Windows that a run acknowledges before it ends."""
LONGEST = 600.0


@contextmanager
def mounted(image: Path, where: Path):
    """Mount a disk as it would be after the power came back."""
    subprocess.run(["mount", "-o", "loop", image, where], check=True)
    try:
        yield where
    finally:
        subprocess.run(["umount", where], check=True)


def guest_script(place: Path) -> Path:
    """Write what the guest runs: the daemon, fast, on the disk."""
    script = place / "guest.sh"
    source = Path(daemon_child.__file__)
    script.write_text(
        "export OMP_NUM_THREADS=1 PYTHONDONTWRITEBYTECODE=1\n"
        f"exec {sys.executable} -u {source} /run/disk/s.db --interval 0.1 --window 1"
        " --told\n"
    )
    return script


def make_disk(place: Path, name: str) -> Path:
    """Make an empty ext4 disk."""
    image = place / name
    subprocess.run(["truncate", "-s", "64M", image], check=True)
    subprocess.run(["mkfs.ext4", "-q", image], check=True)
    return image


def look(image: Path, where: Path) -> tuple[int, str]:
    """Count the rows on a disk, and say what is wrong."""
    with mounted(image, where):
        path = where / "s.db"
        if not path.exists():
            return 0, ""
        try:
            uptimes, wrong = daemon_child.check(path)
        except Exception as error:  # noqa: BLE001  # any failure is a bad store
            return 0, f"does not open: {error}"
        return len(uptimes), wrong


def acknowledged(line: str) -> int | None:
    """Read a line of the guest."""
    words = line.split()
    if len(words) == 2 and words[0] == "ACK" and words[1].isdigit():
        return int(words[1])
    return None


def entries(log: Path) -> list[tuple[int, int, int, int]]:
    """Read the log of writes: offset, length, flags and where its data lie."""
    out = []
    with log.open("rb") as file:
        magic, _, count, sector = struct.unpack("<QQQI", file.read(28))
        if magic != MAGIC:
            msg = "reading the log of writes: not one"
            raise ValueError(msg)
        at = sector
        for _ in range(count):
            file.seek(at)
            first, length, flags, _ = struct.unpack("<QQQQ", file.read(32))
            at += sector
            out.append((first * sector, length * sector, flags, at))
            if length and not flags & DISCARD:
                at += length * sector
    return out


def count_entries(log: Path) -> int:
    """Count the entries that the log's head tells."""
    with log.open("rb") as file:
        head = file.read(24)
    return struct.unpack("<Q", head[16:24])[0] if len(head) == 24 else 0


def rebuild(
    base: Path, log: Path, found: list, cut: int, image: Path, rng: random.Random
) -> None:
    """Make the disk as it may be if the power goes after ``cut`` entries."""
    last = max((i for i in range(cut) if found[i][2] & FLUSH), default=-1)
    shutil.copyfile(base, image)
    with log.open("rb") as source, image.open("r+b") as disk:
        for i in range(cut):
            offset, length, flags, at = found[i]
            if not length or flags & DISCARD:
                continue
            if i > last and not flags & FUA and rng.random() < 0.5:
                continue
            source.seek(at)
            disk.seek(offset)
            disk.write(source.read(length))


def images(count: int, seed: int) -> dict[str, object]:
    """Cut one recorded run at many places."""
    rng = random.Random(seed)
    begun = time.monotonic()
    bad: list[str] = []
    rows = 0
    with tempfile.TemporaryDirectory(dir=vm.folder()) as made:
        place = Path(made)
        disk, where = make_disk(place, "disk.img"), place / "mount"
        where.mkdir()
        base, log = place / "base.img", place / "log.img"
        subprocess.run(["cp", "--sparse=always", disk, base], check=True)
        subprocess.run(["truncate", "-s", "2G", log], check=True)
        process = vm.start(
            guest_script(place), MODULES,
            "-blockdev", f"driver=file,filename={disk},node-name=f",
            "-blockdev", f"driver=file,filename={log},node-name=l",
            "-blockdev", "driver=blklogwrites,node-name=w,file=f,log=l,"
            "log-super-update-interval=1",
            "-device", "virtio-blk-pci,drive=w",
        )  # fmt: skip
        told: list[tuple[int, int]] = []
        heard: list[str] = []
        for line in process.stdout:
            number = acknowledged(line)
            if number is None:
                heard.append(line)
                continue
            told.append((number, count_entries(log)))
            if len(told) >= ACKNOWLEDGED or time.monotonic() - begun > LONGEST:
                break
        process.kill()
        process.wait()
        process.stdout.close()
        if not told:
            raise RuntimeError("".join(heard[-20:]))
        found = entries(log)
        for k in range(count):
            cut = rng.randint(told[0][1], len(found))
            rebuild(base, log, found, cut, place / "cut.img", rng)
            there, wrong = look(place / "cut.img", where)
            promised = max((n for n, at in told if at <= cut), default=0)
            if wrong or there < promised:
                bad.append(f"image {k}: {there} rows of {promised}: {wrong}")
            rows = max(rows, there)
    seconds = time.monotonic() - begun
    return {"count": count, "rows": rows, "bad": bad, "seconds": seconds}


class Monitor:
    """The emulator's own end: stop and go on."""

    def __init__(self, path: Path) -> None:
        self.socket = socket.socket(socket.AF_UNIX)
        end = time.monotonic() + 20.0
        while not path.exists() and time.monotonic() < end:
            time.sleep(0.05)
        self.socket.connect(str(path))
        self.file = self.socket.makefile("rw")
        self.file.readline()
        self.say("qmp_capabilities")

    def say(self, command: str) -> None:
        """Send a command and wait for its answer."""
        self.file.write(json.dumps({"execute": command}) + "\n")
        self.file.flush()
        while "return" not in (answer := json.loads(self.file.readline())):
            if "error" in answer:
                raise RuntimeError(str(answer))

    def close(self) -> None:
        """Let go."""
        self.file.close()
        self.socket.close()


def cuts(count: int, seed: int) -> dict[str, object]:
    """Stop a running machine at random instants and look at its disk."""
    import threading

    rng = random.Random(seed)
    begun = time.monotonic()
    bad: list[str] = []
    rows = 0
    with tempfile.TemporaryDirectory(dir=vm.folder()) as made:
        place = Path(made)
        disk, where = make_disk(place, "disk.img"), place / "mount"
        where.mkdir()
        process = vm.start(
            guest_script(place), MODULES,
            "-drive", f"file={disk},if=virtio,format=raw,cache=writethrough",
            "-qmp", f"unix:{place}/monitor,server=on,wait=off",
        )  # fmt: skip
        told: list[int] = []

        def listen() -> None:
            for line in process.stdout:
                number = acknowledged(line)
                if number is not None:
                    told.append(number)

        listener = threading.Thread(target=listen, daemon=True)
        listener.start()
        monitor = Monitor(place / "monitor")
        while len(told) < 3 and time.monotonic() - begun < 180.0:
            time.sleep(0.1)
        for k in range(count):
            time.sleep(rng.uniform(0.2, 2.0))
            promised = told[-1] if told else 0
            monitor.say("stop")
            subprocess.run(
                ["cp", "--sparse=always", disk, place / "cut.img"], check=True
            )
            monitor.say("cont")
            there, wrong = look(place / "cut.img", where)
            if wrong or there < promised or not promised:
                bad.append(f"cut {k}: {there} rows of {promised}: {wrong}")
            rows = max(rows, there)
        monitor.close()
        process.kill()
        process.wait()
        listener.join()
        process.stdout.close()
    seconds = time.monotonic() - begun
    return {"count": count, "rows": rows, "bad": bad, "seconds": seconds}


def run(images_wanted: int, cuts_wanted: int, seed: int):
    """Run both, where asked."""
    if images_wanted:
        yield "crash images from recorded writes", images(images_wanted, seed)
    if cuts_wanted:
        yield "machine cuts", cuts(cuts_wanted, seed)
