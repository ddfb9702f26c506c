//! The published boards: every public set under `NOTCHWATCH_DATA` and two generated ones through the chain, published
//! and cross-validated figures beside ours.
//!
//! `cargo run --release -p notchwatch-tests --example boards -- [SET ...] [PAGE.md]` prints the table of the sets named, else of
//! all, and writes it to the page named. Sets that are absent are named. Nothing here decides a setting: the chain has one, for all sets.

#![expect(clippy::print_stdout, reason = "printing is what it is for")]

use std::io;
use std::path::{Path, PathBuf};

mod calibration;
mod figure;
mod injected;
mod machines;
mod nab;
mod noise;
mod page;
mod run;
mod series;
mod skab;
mod tcpd;

type Maker = fn(&Path) -> io::Result<figure::Board>;

/// Folder of each set, and what makes its board.
const SETS: [(&str, Maker); 8] = [
    ("nab", nab::board),
    ("tcpd", tcpd::board),
    ("skab", skab::board),
    ("cmapss", machines::engines),
    ("hydraulic", machines::hydraulic),
    ("bearing", machines::bearing),
    (GENERATED[0], injected::board),
    (GENERATED[1], calibration::board),
];

/// Sets that are generated.
const GENERATED: [&str; 2] = ["injected", "calibration"];

fn main() -> io::Result<()> {
    let Some(data) = std::env::var_os("NOTCHWATCH_DATA").map(PathBuf::from) else {
        println!(
            "NOTCHWATCH_DATA names no folder: nothing was run. It holds the public sets, a folder each:"
        );
        for (set, _) in SETS {
            println!("  {set}");
        }
        return Ok(());
    };
    let (pages, only): (Vec<String>, Vec<String>) =
        std::env::args().skip(1).partition(|a| Path::new(a).extension().is_some_and(|e| e == "md"));
    let mut boards = Vec::new();
    for (set, make) in SETS {
        if !only.is_empty() && !only.iter().any(|o| o == set) {
            continue;
        }
        if GENERATED.contains(&set) || data.join(set).is_dir() {
            boards.push(make(&data)?);
        } else {
            println!("NOT RUN: {set} is not under NOTCHWATCH_DATA");
        }
    }
    let text = page::page(&boards);
    println!("{text}");
    pages.iter().try_for_each(|path| std::fs::write(path, &text))
}
