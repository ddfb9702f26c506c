//! Tests of the whole chain: properties, healthy series, public data and published numbers. One binary.

mod common;
mod healthy;
mod outside;
mod properties;
mod real_input;
