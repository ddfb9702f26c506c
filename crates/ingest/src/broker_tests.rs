//! The session against a real broker.
