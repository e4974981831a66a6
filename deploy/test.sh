#!/usr/bin/env bash
# The tests. `test.sh quick`: under 3 minutes, no servers. `test.sh`: everything CI runs.
. "$(dirname "${BASH_SOURCE[0]}")/common.sh"
mode=${1:-all}
make_environment "$top/.venv-test" "$here/requirements-test.lock"
export PATH="$top/.venv-test/bin:$PATH"
export OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1
cd "$top"

bash deploy/check.sh

case $mode in
quick)
    python -m pytest -q -m "not server and not slow"
    ;;
all)
    say "Looking whether every locked package has a wheel for 64-bit ARM ..."
    wheels=$(mktemp -d)
    trap 'rm -rf "$wheels"' EXIT
    python -m pip download --quiet --disable-pip-version-check --no-deps \
        --only-binary=:all: --platform manylinux_2_28_aarch64 \
        --platform manylinux2014_aarch64 --python-version 3.11 --implementation cp \
        --require-hashes -r deploy/requirements.lock -d "$wheels" ||
        stop "A locked package has no wheel for 64-bit ARM (or there is no network)."
    bash deploy/system_packages.sh || stop "System packages are missing, see the lines above."
    python -m pytest -q
    ;;
*)
    stop "test.sh: got \"$mode\", expected quick or nothing."
    ;;
esac
