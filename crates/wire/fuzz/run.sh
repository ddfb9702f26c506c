#!/bin/sh
# Builds every fuzz target on the stable toolchain and runs each for a bounded time.
# Usage: crates/wire/fuzz/run.sh [SECONDS_PER_TARGET]   (default 20)
# Exit status: 0 when no target crashed, hung or ran out of memory; else 1, with the input kept under artifacts/.
# Needs a C++ compiler: libFuzzer is built from its source.
set -eu
cd "$(dirname "$0")"
seconds=${1:-20}
command -v c++ >/dev/null 2>&1 || { echo "fuzz: a C++ compiler (c++) is needed, for instance the package g++" >&2; exit 1; }
host=$(rustc -vV | sed -n 's/^host: //p')

# Coverage by LLVM's own pass, which stable rustc can run. With --target the flags reach neither build scripts nor
# procedural macros, which could not be linked with them.
export RUSTFLAGS="--cfg fuzzing -Cpasses=sancov-module -Ccodegen-units=1 \
-Cllvm-args=-sanitizer-coverage-level=4 -Cllvm-args=-sanitizer-coverage-inline-8bit-counters \
-Cllvm-args=-sanitizer-coverage-pc-table -Cllvm-args=-sanitizer-coverage-trace-compares"
cargo build --quiet --release --locked --target "$host" --target-dir target

failed=0
for target in senml_json senml_cbor recorded_day csv; do
    mkdir -p "corpus/$target" "artifacts/$target"
    # The grown corpus stands first: new inputs go there, the committed seeds stay as they are.
    if ./target/"$host"/release/$target "corpus/$target" "seeds/$target" -max_total_time="$seconds" -max_len=4096 \
        -timeout=10 -rss_limit_mb=1024 -print_final_stats=1 -verbosity=0 \
        -artifact_prefix="artifacts/$target/" >"artifacts/$target.log" 2>&1; then
        runs=$(sed -n 's/^stat::number_of_executed_units: *//p' "artifacts/$target.log")
        echo "fuzz: $target: $runs runs in $seconds s, no crash"
    else
        tail -n 40 "artifacts/$target.log" >&2
        echo "fuzz: $target FAILED, the input is under crates/wire/fuzz/artifacts/$target/" >&2
        failed=1
    fi
done
exit $failed
