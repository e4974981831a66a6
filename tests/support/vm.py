"""
A small virtual machine: Debian's kernel, the host's files read-only, a disk.

Emulated in software, so that it runs anywhere; the kernel is unpacked first, which
makes it start in seconds. The guest runs one script as root and ends.
"""

from __future__ import annotations

import fcntl
import gzip
import io
import lzma
import os
import shutil
import subprocess
import tempfile
from pathlib import Path

MODULES = ("virtio_pci", "9pnet_virtio", "9p")
PACKAGE = "linux-image-amd64"
INIT = """#!/bin/busybox sh
/bin/busybox --install -s /bin
mount -t proc proc /proc; mount -t sysfs sys /sys; mount -t devtmpfs dev /dev
for m in $(cat /lib/modules/order); do insmod /lib/modules/$m; done
mount -t 9p -o trans=virtio,version=9p2000.L,msize=262144,cache=loose,ro root /host
mount --bind /dev /host/dev; mount -t proc proc /host/proc
mount --bind /sys /host/sys; mount -t tmpfs tmpfs /host/run
if [ -b /dev/vda ]; then
    mkdir -p /host/run/disk
    mount -t ext4 /dev/vda /host/run/disk || echo "no disk"
fi
script=$(sed 's/.*script=\\([^ ]*\\).*/\\1/' /proc/cmdline)
chroot /host /bin/bash $script; echo "ended $?"
umount /host/run/disk 2>/dev/null; poweroff -f
"""


def missing() -> str:
    """Name what this machine lacks for it, or nothing."""
    needed = ("qemu-system-x86_64", "busybox", "depmod", "mkfs.ext4", "apt-get")
    lacking = [name for name in needed if shutil.which(name) is None]
    if os.geteuid() != 0:
        lacking.append("root")
    return ", ".join(lacking)


def folder() -> Path:
    """Give the place where kernel and initial file system are kept."""
    path = Path(tempfile.gettempdir()) / f"campledger-vm-{os.getuid()}"
    path.mkdir(exist_ok=True)
    return path


def kernel() -> tuple[Path, Path, str]:
    """Fetch and unpack the kernel once; gives its image, its tree and its version."""
    place = folder()
    with (place / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (place / "vmlinux").exists():
            _fetch(place)
    version = next((place / "tree/lib/modules").iterdir()).name
    return place / "vmlinux", place / "tree", version


def _fetch(place: Path) -> None:
    said = subprocess.run(
        ["apt-cache", "depends", PACKAGE], capture_output=True, text=True, check=True
    ).stdout
    name = next(
        line.split()[-1] for line in said.splitlines() if "Depends: linux-image" in line
    )
    subprocess.run(["apt-get", "download", "-qq", name], cwd=place, check=True)
    (package,) = place.glob(f"{name}_*.deb")
    tree = place / "tree"
    subprocess.run(["dpkg-deb", "-x", package, tree], check=True)
    package.unlink()
    (version,) = (p.name for p in (tree / "lib/modules").iterdir())
    subprocess.run(["depmod", "-b", tree, version], check=True)
    (packed,) = (tree / "boot").glob("vmlinuz-*")
    (place / "vmlinux.part").write_bytes(_unpacked(packed.read_bytes()))
    (place / "vmlinux.part").rename(place / "vmlinux")


def _unpacked(image: bytes) -> bytes:
    """Find the compressed kernel in its image."""
    for magic, decompressor in (
        (b"\xfd7zXZ\0", lzma.LZMADecompressor),
        (b"\x1f\x8b\x08", None),
    ):
        at = image.find(magic)
        while at >= 0:
            try:
                if decompressor is not None:
                    out = decompressor().decompress(image[at:])
                else:
                    out = gzip.GzipFile(fileobj=io.BytesIO(image[at:])).read()
            except (lzma.LZMAError, OSError, EOFError):
                out = b""
            if out[:4] == b"\x7fELF":
                return out
            at = image.find(magic, at + 1)
    msg = "unpacking the kernel: no image found"
    raise RuntimeError(msg)


def initial(modules: tuple[str, ...]) -> Path:
    """Make the initial file system that loads modules and runs a script."""
    _, tree, version = kernel()
    out = folder() / ("initial-" + "-".join(modules) + ".gz")
    if out.exists():
        return out
    with tempfile.TemporaryDirectory() as made:
        root = Path(made)
        for name in ("bin", "lib/modules", "proc", "sys", "dev", "host", "tmp"):
            (root / name).mkdir(parents=True)
        shutil.copy(shutil.which("busybox") or "", root / "bin/busybox")
        order: list[str] = []
        for module in (*MODULES, *modules):
            said = subprocess.run(
                ["modprobe", "-d", tree, "-S", version, "--show-depends", module],
                capture_output=True,
                text=True,
                check=True,
            ).stdout
            for line in said.splitlines():
                if line.startswith("insmod") and line.split()[1] not in order:
                    order.append(line.split()[1])
        for path in order:
            shutil.copy(path, root / "lib/modules")
        names = "\n".join(Path(p).name for p in order)
        (root / "lib/modules/order").write_text(names + "\n")
        (root / "init").write_text(INIT)
        (root / "init").chmod(0o755)
        packed = subprocess.run(
            ["sh", "-c", "find . | cpio -o -H newc --quiet | gzip -1"],
            cwd=root,
            capture_output=True,
            check=True,
        ).stdout
    out.with_suffix(".part").write_bytes(packed)
    out.with_suffix(".part").rename(out)
    return out


def start(script: Path, modules: tuple[str, ...], *more: str) -> subprocess.Popen[str]:
    """Start a guest that runs a script of the host; its console is the output."""
    image, _, _ = kernel()
    words = [
        "qemu-system-x86_64", "-M", "q35", "-accel", "tcg,tb-size=256", "-cpu", "max",
        "-m", "512", "-smp", "1", "-nographic", "-no-reboot", "-net", "none",
        "-kernel", str(image), "-initrd", str(initial(modules)),
        "-append", f"console=ttyS0 quiet panic=-1 script={script}",
        "-fsdev", "local,id=h,path=/,security_model=none,readonly=on,multidevs=remap",
        "-device", "virtio-9p-pci,fsdev=h,mount_tag=root",
        *more,
    ]  # fmt: skip
    return subprocess.Popen(
        words,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        errors="replace",
    )
