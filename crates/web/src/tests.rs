//! Tests of the whole router over a real store in a temporary folder: access, decisions, streams, pages.

mod access;
mod decisions;
mod pages;
mod screens;
mod stalled;
mod stand;
mod stream;
mod timeline;
