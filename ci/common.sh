# What the scripts of this folder share. Sourced, not run; the caller has set -euo pipefail.
# shellcheck shell=bash

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
# The scripts that source this file use it.
# shellcheck disable=SC2034
readonly root

say() { printf '%s: %s\n' "ci/$(basename "$0")" "$*"; }

fail() {
  printf '%s: %s\n' "ci/$(basename "$0")" "$*" >&2
  exit 1
}

# The same for what a person has to correct: 3, as everywhere.
bad_input() {
  printf '%s: %s\n' "ci/$(basename "$0")" "$*" >&2
  exit 3
}

# help_of SCRIPT: the comment at the head of a script is its help.
help_of() { awk 'NR == 1 { next } /^#/ { sub(/^# ?/, ""); print; next } { exit }' "$1"; }

wants_help() {
  local word
  for word in "$@"; do
    case $word in -h | --help) return 0 ;; esac
  done
  return 1
}

jobs() { nproc; }

# quietly LOG COMMAND...: runs the command with its output in LOG; shows the output only when the command fails.
quietly() {
  local log=$1 code=0
  shift
  mkdir -p "$(dirname "$log")"
  "$@" >"$log" 2>&1 || code=$?
  if [ "$code" -ne 0 ]; then
    cat "$log" >&2
    printf '%s: failed with code %d: %s\n' "ci/$(basename "$0")" "$code" "$*" >&2
  fi
  return "$code"
}
