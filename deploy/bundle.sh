#!/usr/bin/env bash
# Make a folder from which a board installs without network:
#   bash deploy/bundle.sh FOLDER [aarch64|x86_64] [3.11|3.13]
# Then carry FOLDER to the board and run there: bash FOLDER/deploy/install.sh
. "$(dirname "${BASH_SOURCE[0]}")/common.sh"

out=${1:-} machine=${2:-aarch64} version=${3:-3.11}
[ -n "$out" ] || stop "bundle.sh: got no folder, expected one. Nothing done."
[ -e "$out" ] && stop "$out: got something there, expected a new folder. Nothing done."
case $machine in
aarch64 | x86_64) ;;
*) stop "bundle.sh: got \"$machine\", expected aarch64 or x86_64. Nothing done." ;;
esac

part=$out.part
rm -rf "$part"
mkdir -p "$part/deploy/wheels"
for name in src deploy config replay_data pyproject.toml README.md LICENSE; do
    cp -a "$top/$name" "$part/"
done
find "$part" -name __pycache__ -type d -prune -exec rm -rf {} +
mkdir -p "$part/deploy/wheels"
python=$(find_python)
platforms=()
for glibc in 2_17 2_24 2_27 2_28 2_31 2_34 2_36; do
    platforms+=(--platform "manylinux_${glibc}_$machine")
done
"$python" -m pip download --quiet --disable-pip-version-check --require-hashes \
    --only-binary=:all: --no-deps --python-version "$version" --implementation cp \
    "${platforms[@]}" --platform "manylinux2014_$machine" --platform any \
    -r "$here/requirements.lock" -d "$part/deploy/wheels" ||
    { rm -rf "$part"; stop "Packages could not be fetched for $machine, Python $version. Nothing made."; }
mv "$part" "$out"
count=$(find "$out/deploy/wheels" -name '*.whl' | wc -l)
say "$out: $count packages for $machine, Python $version, $(du -sh "$out" | cut -f1)."
say "On the board: bash $(basename "$out")/deploy/install.sh"
