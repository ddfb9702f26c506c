//! Tests of the whole router over a real store.
