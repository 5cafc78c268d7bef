#!/usr/bin/env bash
# Runs one browser test: browser_test.sh BUILD_FOLDER SCRIPT [arguments of the script]
# Needs node, npm and Debian's chromium (scripts/packages, group test); npm's two packages are
# those of tests/package-lock.json and go to BUILD_FOLDER/node. Exit 77 = skipped, with the reason.
set -euo pipefail
build=$1
script=$2
shift 2
tests=$(cd "$(dirname "$0")/.." && pwd)
skip() { echo "SKIPPED: $*"; exit 77; }

command -v node >/dev/null || skip "node is not here (Debian package nodejs)"
command -v npm >/dev/null || skip "npm is not here (Debian package npm)"
export REBITE_CHROMIUM=${REBITE_CHROMIUM:-/usr/bin/chromium}
[ -x "$REBITE_CHROMIUM" ] || skip "no chromium at $REBITE_CHROMIUM (Debian package chromium)"

export REBITE_NODE=$build/node
mkdir -p "$REBITE_NODE"
exec 9>"$REBITE_NODE/lock"
flock 9   # tests run side by side: one of them installs
if ! cmp -s "$tests/package-lock.json" "$REBITE_NODE/installed-lock.json"; then
  cp "$tests/package.json" "$tests/package-lock.json" "$REBITE_NODE/"
  (cd "$REBITE_NODE" && npm ci --no-audit --no-fund --ignore-scripts --loglevel=error) ||
    skip "npm could not fetch playwright-core and axe-core (no network?)"
  cp "$tests/package-lock.json" "$REBITE_NODE/installed-lock.json"
fi
flock -u 9
exec node "$tests/$script" "$@"
