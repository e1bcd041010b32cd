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
scratch=$(mktemp -d "${TMPDIR:-/tmp}/pintle-client.XXXXXX")
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

port=$("$python" -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])')
url="http://127.0.0.1:$port"
"$server" --listen "127.0.0.1:$port" --database "$database" --organisation "Gravel crew" >"$scratch/server.log" 2>&1 &
server_pid=$!

# Ready as soon as /readyz answers; given up when the server has ended, or after a minute.
"$python" - "$url/readyz" "$server_pid" <<'PYTHON' || fail "the server did not come up"
import os, sys, time, urllib.error, urllib.request
until = time.monotonic() + 60
while time.monotonic() < until:
    os.kill(int(sys.argv[2]), 0)
    try:
        urllib.request.urlopen(sys.argv[1], timeout=5).close()
        sys.exit(0)
    except (urllib.error.URLError, ConnectionError, TimeoutError):
        time.sleep(0.05)
sys.exit(1)
PYTHON
echo "ok: the server answers"

# `pintle enrol URL CODE` stands in what the server prints when it starts on an empty database.
code=$(sed -n 's/.*pintle enrol [^ ]* \([^ ]*\).*/\1/p' "$scratch/server.log" | head -n 1)
[[ -n $code ]] || fail "the first start printed no code"
"$python" tests/outside/client.py "$url" "$code" >"$scratch/client-a.json" || fail "the first client failed"
holds "the first client synced, repeated a push, read its book and was told 304" 'a["sent"] == 4 and a["received"] == 0'

code=$("$server" code --database "$database" --role crew | sed -n 's/.*pintle enrol [^ ]* \([^ ]*\).*/\1/p')
[[ -n $code ]] || fail "no code for the second client"
"$python" tests/outside/client.py "$url" "$code" >"$scratch/client-b.json" || fail "the second client failed"
holds "the second client received what the first sent" 'b["received"] == a["sent"] == b["sent"]'
holds "each has a mark and a machine of its own" 'a["mark"] != b["mark"] and a["machine"] != b["machine"]'

kill -0 "$server_pid" 2>/dev/null || fail "the server ended"
echo "ok: two clients that know nothing but the protocol's page"
