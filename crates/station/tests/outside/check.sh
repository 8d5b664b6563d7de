#!/bin/sh
# Holds the station's API against the outside: schemathesis makes requests from the OpenAPI document and looks for server errors, the parser of
# prometheus-client reads the metrics. Both come from PyPI into a folder of their own.
#
#   crates/station/tests/outside/check.sh [TIDEWRIGHT [EXAMPLES]]
#
# TIDEWRIGHT is the program (built by `cargo build --release -p tidewright` if it is not given), EXAMPLES how many requests each operation gets (30).
set -eu
root=$(cd "$(dirname "$0")/../../../.." && pwd)
program=${1:-}
examples=${2:-30}
if [ -z "$program" ]; then
    (cd "$root" && cargo build --release --quiet -p tidewright)
    program=${CARGO_TARGET_DIR:-$root/target}/release/tidewright
fi
folder=$(mktemp -d)
station=
trap '[ -z "$station" ] || kill "$station" 2>/dev/null || true; rm -rf "$folder"' EXIT INT TERM

venv=${TIDEWRIGHT_VENV:-$folder/venv}
[ -x "$venv/bin/schemathesis" ] || {
    python3 -m venv "$venv"
    "$venv/bin/pip" install --quiet --disable-pip-version-check 'schemathesis>=4,<5' 'prometheus-client>=0.20,<1'
}

"$program" serve "$root/examples/harbour-lane/system.toml" --data "$folder/data" --port 0 --speed 20 >"$folder/log" 2>&1 &
station=$!
n=0
until [ -s "$folder/data/first-owner-code" ]; do
    n=$((n + 1))
    [ "$n" -lt 300 ] || { cat "$folder/log"; exit 1; }
    sleep 0.2
done
url=$(sed -n 's/.*\(http:\/\/localhost:[0-9]*\).*/\1/p' "$folder/log" | head -1)
code=$(cat "$folder/data/first-owner-code")
password='barnacle wicket nine staircase'
curl -sS -o "$folder/owner" -c "$folder/cookies" -H 'Sec-Fetch-Site: same-origin' -H 'Content-Type: application/json' \
    -d "{\"code\": \"$code\", \"name\": \"Keeper\", \"password\": \"$password\"}" "$url/api/v1/account/first"
cookie=$(awk '$6 == "__Host-tidewright" { print $6 "=" $7 }' "$folder/cookies")
[ -n "$cookie" ] || { echo "no session: $(cat "$folder/owner")"; exit 1; }
sleep 5

echo "metrics, read by prometheus-client:"
curl -sS -H "Cookie: $cookie" "$url/metrics" >"$folder/metrics"
"$venv/bin/python" - "$folder/metrics" <<'PYTHON'
import sys
from prometheus_client.openmetrics.parser import text_string_to_metric_families
families = list(text_string_to_metric_families(open(sys.argv[1]).read()))
samples = sum(len(family.samples) for family in families)
print(f"  {len(families)} families, {samples} samples")
assert len(families) >= 12 and samples > 50
PYTHON

# Without what the document says of log-in: schemathesis would make up a token for each request, and a token that is none counts before the cookie.
curl -sS "$url/api/openapi.json" >"$folder/whole.json"
"$venv/bin/python" - "$folder" <<'PYTHON'
import json, sys
document = json.load(open(sys.argv[1] + "/whole.json"))
document.get("components", {}).pop("securitySchemes", None)
for operations in document["paths"].values():
    for operation in operations.values():
        operation.pop("security", None)
json.dump(document, open(sys.argv[1] + "/openapi.json", "w"))
PYTHON

# schemathesis makes whole sequences of requests too, so what would end the session that everything else needs is left out here and comes last, each
# with a session that it may lose. Filtering much is what a narrow schema means; it is no fault.
run() {
    as=$1 checks=$2
    shift 2
    "$venv/bin/schemathesis" run "$folder/openapi.json" --url "$url" --header "Cookie: $as" --header 'Sec-Fetch-Site: same-origin' \
        --checks "$checks" --suppress-health-check filter_too_much --rate-limit 30/s --request-timeout 30 --no-color "$@"
}
all=not_a_server_error,status_code_conformance,content_type_conformance,response_schema_conformance
run "$cookie" "$all" --exclude-method DELETE --exclude-path /api/v1/account/password --exclude-path /api/v1/events-stream \
    --exclude-path /api/v1/session --exclude-path /api/v1/account/first --exclude-path '/api/v1/accounts/{id}/role' \
    --exclude-path-regex '/api/v1/account/totp.*' --exclude-path-regex '/api/v1/design/(mends|study)' --max-examples "$examples"
# These two answer with a stream of events, which it reads as objects and holds against the schema of a text.
run "$cookie" not_a_server_error,status_code_conformance --phases examples,coverage,fuzzing --include-path-regex '/api/v1/design/(mends|study)' \
    --max-examples "$examples"

# Another owner, who may come to lose the session, for what ends sessions; there no answer but a server error is wrong.
second='limpet causeway seven lanterns'
ask() {
    curl -sS -H "Cookie: $cookie" -H 'Sec-Fetch-Site: same-origin' -H 'Content-Type: application/json' "$@"
}
ask -o "$folder/second" -d "{\"name\": \"Second\", \"password\": \"$second\", \"role\": \"owner\"}" "$url/api/v1/accounts"
sleep 3
ask -o "$folder/session" -c "$folder/second-cookies" -d "{\"name\": \"Second\", \"password\": \"$second\"}" "$url/api/v1/session"
other=$(awk '$6 == "__Host-tidewright" { print $6 "=" $7 }' "$folder/second-cookies")
[ -n "$other" ] || { echo "no second session: $(cat "$folder/second") $(cat "$folder/session")"; exit 1; }
run "$other" not_a_server_error --phases examples,coverage,fuzzing --include-path '/api/v1/accounts/{id}/role' --include-path /api/v1/account/password \
    --include-path-regex '/api/v1/account/totp.*' --include-method DELETE --max-examples 10
run "" not_a_server_error --phases examples,coverage,fuzzing --include-path /api/v1/session --include-path /api/v1/account/first --max-examples 10
grep -i panick "$folder/log" && exit 1
kill "$station"
wait "$station"
station=
echo "no server error; the station ended in order"
