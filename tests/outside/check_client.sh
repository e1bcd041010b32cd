#!/usr/bin/env bash
# Runs tests/outside/client.py against the real server: two devices of one organisation, the second hears the first.
#
# Starts the server on a free port of 127.0.0.1 with an SQLite file of its own and ends it again. PINTLE_TEST_BINARIES names
# the folder of pintle-server, PINTLE_TEST_PYTHON a Python with the package cryptography. Prints a line `ok: …` for each
# check; exit code 1 with what was seen if one fails.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."

server="${PINTLE_TEST_BINARIES:-${CARGO_TARGET_DIR:-target}/debug}/pintle-server"
python="${PINTLE_TEST_PYTHON:-python3}"
scratch=$(mktemp -d -t pintle-client.XXXXXX)
database="sqlite:$scratch/ledger.sqlite?mode=rwc"
server_pid=""
export no_proxy=127.0.0.1

finish() {
    local code=$?
    trap - EXIT
    if [[ -n $server_pid ]]; then
        kill "$server_pid" 2>/dev/null || true
        wait "$server_pid" 2>/dev/null || true
    fi
    rm -rf "$scratch"
    exit "$code"
}
trap finish EXIT
trap 'exit 130' INT
trap 'exit 143' TERM

fail() {
    echo "check_client: $*" >&2
    if [[ -s $scratch/server.log ]]; then
        tail -n 30 "$scratch/server.log" >&2
    fi
    exit 1
}

# Runs Python's `expression` over the summaries of the clients so far: `a` and, once there is one, `b`.
holds() {
    local what=$1 expression=$2
    "$python" -c '
import json, pathlib, sys
a, b = ([json.loads(path.read_text()) for path in sorted(pathlib.Path(sys.argv[1]).glob("client-*.json"))] + [None])[:2]
sys.exit(not eval(sys.argv[2]))' "$scratch" "$expression" || fail "not so: $what; $(cat "$scratch"/client-*.json)"
    echo "ok: $what"
}

[[ -x $server ]] || fail "$server is not built"

"$python" tests/outside/client.py --vectors tests/vectors/protocol.json || fail "the golden vectors do not hold"
echo "ok: the client's links and seals are those of the golden vectors"

"$server" --listen 127.0.0.1:0 --database "$database" --organisation "Gravel crew" >"$scratch/server.log" 2>&1 &
server_pid=$!

# The first start on an empty database prints `pintle enrol URL CODE`; ready as soon as URL/readyz answers. Given up when
# the server has ended, or after a minute.
read -r url code < <("$python" - "$scratch/server.log" "$server_pid" <<'PYTHON'
import os, pathlib, re, sys, time, urllib.error, urllib.request
until = time.monotonic() + 60
while time.monotonic() < until:
    os.kill(int(sys.argv[2]), 0)
    if line := re.search(r"pintle enrol (\S+) (\S+)\n", pathlib.Path(sys.argv[1]).read_text()):
        try:
            urllib.request.urlopen(line[1] + "/readyz", timeout=5).close()
            print(line[1], line[2])
            break
        except (urllib.error.URLError, ConnectionError, TimeoutError):
            pass
    time.sleep(0.05)
PYTHON
) || fail "the server did not come up"
echo "ok: the server answers and has printed a code"

"$python" tests/outside/client.py "$url" "$code" >"$scratch/client-a.json" || fail "the first client failed"
holds "the first client synced, repeated a push, read its book and was told 304" 'a["sent"] > 100 and a["received"] == 0'

code=$("$server" code --database "$database" --role crew | sed -n 's/.*pintle enrol [^ ]* \([^ ]*\).*/\1/p')
[[ -n $code ]] || fail "no code for the second client"
"$python" tests/outside/client.py "$url" "$code" >"$scratch/client-b.json" || fail "the second client failed"
holds "the second client received what the first sent" 'b["received"] == a["sent"] == b["sent"]'
holds "each has a mark and a machine of its own" 'a["mark"] != b["mark"] and a["book"] != b["book"]'

kill -0 "$server_pid" 2>/dev/null || fail "the server ended"
echo "ok: two clients that know nothing but the protocol's page"
