//! Integration tests of the whole program: a module per subject, one binary.
//!
//! They drive the built `notchwatch` from outside, over MQTT, HTTP and a browser, with stock clients. None of our
//! crates is imported here: what a test cannot see from outside, a user cannot see either.

#[cfg(test)]
mod architecture;
#[cfg(test)]
mod support;
