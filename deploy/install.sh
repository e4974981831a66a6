#!/usr/bin/env bash
# Install on a Debian-based board, as root:  bash deploy/install.sh [--page] [--stage DIR]
# From a folder made by bundle.sh it needs no network. --page also enables the local page.
# --stage only lays the files out under DIR (no users, no services), to look at them.
. "$(dirname "${BASH_SOURCE[0]}")/common.sh"
. "$here/board.sh"

page=no stage=""
while [ $# -gt 0 ]; do
    case $1 in
    --page) page=yes ;;
    --stage) stage=${2:?"--stage needs a folder"}; shift ;;
    *) stop "install.sh: got \"$1\", expected --page or --stage DIR. Nothing done." ;;
    esac
    shift
done

if [ -n "$stage" ]; then
    lay_out "$stage"
    say "Laid out under $stage; nothing else was done."
    exit 0
fi
[ "$(id -u)" = 0 ] || stop "install.sh: got user $(id -un), expected root. Nothing done."
[ -e "$root/venv" ] && stop "$root: got an installation, expected none; use upgrade.sh. Nothing done."

make_user
lay_out ""
make_release "$root/venv"
own_data
start_services "$page"
say "Installed. Commands: $root/venv/bin/campledger (also as $command_link)."
if [ -e /etc/campledger/rig.toml ]; then
    say "The logger runs; look with: systemctl status campledger"
else
    say "Now describe the vehicle:"
    say "  campledger check --draft-rig > /etc/campledger/rig.toml"
    say "  campledger check --live && systemctl start campledger"
fi
say "Card, clock and access point: see $root/app/deploy/BOARD.md"
