//! Tests of the whole chain: properties, healthy series, public data and published numbers. One binary.

#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "helpers of tests fail by panicking and print what they measured"
)]

mod common;
mod coverage;
mod healthy;
mod outside;
mod properties;
mod real_input;
mod seeded;
mod unknown;
