#!/usr/bin/env bash
# System packages that the full tests need (Debian names). Installs them as root where it
# may, else prints the line to type. The product itself needs none of these.
set -euo pipefail
packages="qemu-system-x86 seabios qemu-utils busybox-static cpio kmod xz-utils umockdev
gir1.2-umockdev-1.0 python3-gi i2c-tools socat mbpoll libmodbus5 victoria-metrics influxdb
chromium sqlite3 e2fsprogs fonts-dejavu-core systemd"
missing=""
for name in $packages; do
    dpkg-query -W -f='${Status}' "$name" 2>/dev/null | grep -q 'install ok installed' ||
        missing="$missing $name"
done
[ -z "$missing" ] && exit 0
if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null; then
    echo "Installing system packages for the tests:$missing"
    apt-get update -qq
    # shellcheck disable=SC2086
    DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing >/dev/null
else
    echo "The full tests need these packages; as root, type:" >&2
    echo "  apt-get install --no-install-recommends$missing" >&2
    exit 1
fi
