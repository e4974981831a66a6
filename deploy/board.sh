# What install, upgrade and uninstall share; sourced after common.sh.
root=/opt/campledger
command_link=/usr/local/bin/campledger
units="campledger.service campledger-page.service"

# lay_out PREFIX: program files, units and rules under a prefix (empty = the real places).
lay_out() {
    local to=$1
    install -d "$to$root" "$to/etc/campledger" "$to/etc/systemd/system" \
        "$to/etc/udev/rules.d" "$to/etc/systemd/journald.conf.d" "$to/usr/local/bin"
    copy_program "$to$root/app"
    lay_out_units "$to"
    ln -sfn "$root/venv/bin/campledger" "$to$command_link"
}

# lay_out_units [PREFIX]: units, rules and limits.
lay_out_units() {
    local to=${1:-} name
    for name in $units; do
        install -m 644 "$here/systemd/$name" "$to/etc/systemd/system/$name"
    done
    install -m 644 "$here/udev/60-campledger.rules" "$to/etc/udev/rules.d/"
    install -m 644 "$here/systemd/60-campledger-journald.conf" \
        "$to/etc/systemd/journald.conf.d/60-campledger.conf"
}

# copy_program FOLDER: a fresh copy, put in place at once.
copy_program() {
    local folder=$1 part=$1.new name
    rm -rf "$part"
    install -d "$part"
    for name in src deploy config replay_data pyproject.toml README.md LICENSE; do
        [ -e "$top/$name" ] && cp -a "$top/$name" "$part/"
    done
    find "$part" -name __pycache__ -type d -prune -exec rm -rf {} +
    rm -rf "$folder.old"
    [ -e "$folder" ] && mv "$folder" "$folder.old"
    mv "$part" "$folder"
}

# make_release FOLDER: the virtual environment of the program that was laid out.
make_release() {
    local folder=$1
    here=$root/app/deploy top=$root/app make_environment "$folder" "$root/app/deploy/requirements.lock"
}

make_user() {
    local group
    getent group campledger >/dev/null || groupadd --system campledger
    id campledger >/dev/null 2>&1 || useradd --system --gid campledger --no-create-home \
        --home-dir /var/lib/campledger --shell /usr/sbin/nologin campledger
    for group in i2c dialout; do
        getent group "$group" >/dev/null || groupadd --system "$group"
        usermod -a -G "$group" campledger
    done
}

own_data() {
    install -d -o campledger -g campledger -m 750 /var/lib/campledger
    chgrp campledger /etc/campledger
    chmod 750 /etc/campledger
    if [ -e /etc/campledger/rig.toml ]; then
        chgrp campledger /etc/campledger/rig.toml
        chmod 640 /etc/campledger/rig.toml
    fi
}

has_systemd() { [ -d /run/systemd/system ]; }

# start_services PAGE: enable and start; the page only if it was asked for.
start_services() {
    has_systemd || { say "No service manager runs here: nothing started."; return; }
    systemctl daemon-reload
    udevadm control --reload 2>/dev/null && udevadm trigger --subsystem-match=i2c-dev || true
    systemctl enable --quiet campledger.service
    systemctl restart campledger.service
    if [ "$1" = yes ]; then
        systemctl enable --quiet --now campledger-page.service
    elif systemctl is-enabled --quiet campledger-page.service 2>/dev/null; then
        systemctl restart campledger-page.service
    fi
}
