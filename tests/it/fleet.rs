//! Whole fleets without broker or store: what the chain makes of what units send.

pub(crate) mod chain;
mod envelope;

pub(crate) mod benign;
