#!/usr/bin/env bash
# Format, lint, types, layers, spelling. Uses the tools on PATH (test.sh sets it).
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
ruff format --check --quiet .
ruff check --quiet .
mypy
lint-imports
codespell README.md DEVELOPERS.md CHANGELOG.md src config deploy
