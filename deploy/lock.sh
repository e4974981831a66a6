#!/usr/bin/env bash
# Rewrite both lock files (needs uv on PATH and the network). For x86-64 and 64-bit ARM.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
common=(--universal --python-version 3.11 --generate-hashes --no-emit-index-url
    --no-header --no-annotate --quiet)
printf 'setuptools>=77\nwheel\npip\n' > deploy/build.in
uv pip compile "${common[@]}" --allow-unsafe pyproject.toml deploy/build.in -o deploy/requirements.lock
uv pip compile "${common[@]}" --allow-unsafe --extra test pyproject.toml deploy/build.in -o deploy/requirements-test.lock
rm deploy/build.in
