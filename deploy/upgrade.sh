#!/usr/bin/env bash
# Put this version in place of the installed one, as root:  bash deploy/upgrade.sh
# The store is copied first; if the new version does not start, the old one comes back.
. "$(dirname "${BASH_SOURCE[0]}")/common.sh"
. "$here/board.sh"

[ $# = 0 ] || stop "upgrade.sh: got \"$1\", expected no option. Nothing done."
[ "$(id -u)" = 0 ] || stop "upgrade.sh: got user $(id -un), expected root. Nothing done."
[ -x "$root/venv/bin/campledger" ] || stop "$root: got no installation, expected one; use install.sh. Nothing done."

store=/var/lib/campledger/campledger.db
if [ -e "$store" ]; then
    say "Copying the store to $store.before-upgrade ..."
    "$root/venv/bin/campledger" backup "$store.before-upgrade" --store "$store" ||
        stop "The store could not be copied (room?). Nothing upgraded."
fi

# A virtual environment knows its own path, so it is made in its place; what it is made
# of is fetched before the logger stops.
app=$root/app
if [ ! -d "$here/wheels" ]; then
    say "Fetching packages while the logger runs ..."
    "$root/venv/bin/python" -m pip download --quiet --disable-pip-version-check \
        --require-hashes -r "$here/requirements.lock" -d "$root/wheels.next" ||
        { rm -rf "$root/wheels.next"; stop "Packages could not be fetched. Nothing upgraded."; }
fi
has_systemd && systemctl stop campledger-page.service campledger.service
rm -rf "$root/app.old" "$root/venv.old"
mv "$root/venv" "$root/venv.old"
copy_program "$app"
[ -d "$root/wheels.next" ] && mv "$root/wheels.next" "$app/deploy/wheels"

back() {
    rm -rf "$app" "$root/venv"
    mv "$root/app.old" "$app"
    mv "$root/venv.old" "$root/venv"
    here=$app/deploy
    lay_out_units
    start_services no
    stop "The new version did not start; the old one runs again. The store's copy stays."
}

(make_release "$root/venv") || back
"$root/venv/bin/campledger" --version >/dev/null || back
lay_out_units
own_data
start_services no
if has_systemd && [ -e /etc/campledger/rig.toml ]; then
    systemctl is-active --quiet campledger.service || back
fi
rm -rf "$root/app.old" "$root/venv.old"
say "Upgraded: $("$root/venv/bin/campledger" --version)"
