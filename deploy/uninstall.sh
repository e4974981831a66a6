#!/usr/bin/env bash
# Take the program off the board, as root:  bash deploy/uninstall.sh [--delete-record]
# The record in /var/lib/campledger and the rig file stay, unless --delete-record is said
# and confirmed by typing the word it asks for.
. "$(dirname "${BASH_SOURCE[0]}")/common.sh"
. "$here/board.sh"

delete=no
case ${1:-} in
"") ;;
--delete-record) delete=yes ;;
*) stop "uninstall.sh: got \"$1\", expected --delete-record or nothing. Nothing done." ;;
esac
[ "$(id -u)" = 0 ] || stop "uninstall.sh: got user $(id -un), expected root. Nothing done."

if [ "$delete" = yes ]; then
    printf 'This deletes every reading in /var/lib/campledger. Type "delete" to go on: '
    read -r answer
    [ "$answer" = delete ] || stop "Got \"$answer\", expected delete. Nothing done."
fi
if has_systemd; then
    for name in $units; do
        systemctl disable --quiet --now "$name" 2>/dev/null || true
    done
fi
for name in $units; do rm -f "/etc/systemd/system/$name"; done
rm -f /etc/udev/rules.d/60-campledger.rules \
    /etc/systemd/journald.conf.d/60-campledger.conf "$command_link"
rm -rf "$root"
if has_systemd; then systemctl daemon-reload; fi
if [ "$delete" = yes ]; then
    rm -rf /var/lib/campledger /etc/campledger
    userdel campledger 2>/dev/null || true
    say "The program and its record are gone."
else
    say "The program is gone. Kept: /var/lib/campledger (record), /etc/campledger (rig)."
fi
