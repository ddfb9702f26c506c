//! Integration tests of the whole program: a module per subject, one binary.
//!
//! They drive the built `notchwatch` from outside, over MQTT, HTTP and a browser, with stock clients. None of our
//! crates is imported here: what a test cannot see from outside, a user cannot see either.

#[cfg(test)]
mod architecture;
mod benign;
#[cfg(test)]
mod clocks;
#[cfg(test)]
mod commands;
#[cfg(test)]
mod console;
#[cfg(test)]
mod crowd;
#[cfg(test)]
mod damage;
#[cfg(test)]
mod degradation;
#[cfg(test)]
mod demo;
#[cfg(test)]
mod field;
mod fleet;
#[cfg(test)]
mod isolation;
#[cfg(test)]
mod kill;
#[cfg(test)]
mod links;
#[cfg(test)]
mod migrations;
#[cfg(test)]
mod outage;
#[cfg(test)]
mod outside;
#[cfg(test)]
mod pipeline;
#[cfg(test)]
mod postgres_fire;
#[cfg(test)]
mod race;
#[cfg(test)]
mod shuffle;
#[cfg(test)]
mod shutdown;
#[cfg(test)]
mod stream;
#[cfg(test)]
mod support;
#[cfg(test)]
mod texts;
