#!/usr/bin/env bash
# The main job on a fresh machine: no hardware, embedded store, results in demo_out/.
. "$(dirname "${BASH_SOURCE[0]}")/common.sh"
make_environment "$top/.venv-demo" "$here/requirements.lock"
exec "$top/.venv-demo/bin/campledger" demo --out "$top/demo_out" "$@"
