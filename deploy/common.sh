# Shared by the scripts here; sourced, not run.
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
top=$(dirname "$here")

say() { printf '%s\n' "$*"; }
stop() { printf '%s\n' "$*" >&2; exit 1; }

find_python() {
    local name
    for name in "${PYTHON:-}" python3.13 python3.12 python3.11 python3; do
        [ -n "$name" ] || continue
        command -v "$name" >/dev/null 2>&1 || continue
        if "$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            printf '%s' "$name"
            return
        fi
    done
    stop "Python: got none of 3.11 or newer, expected one. Install python3 (3.11+) and run again."
}

# make_environment FOLDER LOCKFILE: a virtual environment holding exactly the lock file.
make_environment() {
    local folder=$1 lock=$2 python stamp
    python=$(find_python)
    stamp=$(cat "$lock" "$top/pyproject.toml" | sha256sum | cut -d' ' -f1)
    if [ "$(cat "$folder/.stamp" 2>/dev/null)" != "$stamp" ]; then
        say "Making the environment in ${folder#"$top"/} (once, a minute or two) ..."
        "$python" -m venv --clear "$folder" 2>/dev/null ||
            stop "Python: $python has no venv module. On Debian: apt-get install python3-venv."
        local links=()
        [ -d "$here/wheels" ] && links=(--no-index --find-links "$here/wheels")
        "$folder/bin/python" -m pip install --quiet --disable-pip-version-check \
            "${links[@]}" --require-hashes -r "$lock" ||
            stop "Packages: the lock file could not be installed (no network?). See README, Installing."
        "$folder/bin/python" -m pip install --quiet --disable-pip-version-check \
            --no-deps --no-build-isolation --no-index -e "$top" ||
            stop "campledger itself could not be installed into ${folder}."
        printf '%s' "$stamp" > "$folder/.stamp"
    fi
}
