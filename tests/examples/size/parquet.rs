//! Parquet with zstd, written by `pyarrow` in several layouts: `parquet.py` beside this file.

use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;

use crate::feed::Sent;
use crate::{Failure, Kept};

/// Layouts and their bytes; none when the interpreter lacks `pyarrow`.
pub(crate) fn write(folder: &Path, python: &Path, sent: &Sent) -> Result<Vec<Kept>, Failure> {
    let mut lines = String::new();
    for ((unit, channel, time), value) in &sent.samples {
        writeln!(lines, "{unit},{},{},{value:?}", channel.0, time.micros())?;
    }
    let samples = folder.join("samples.csv");
    std::fs::write(&samples, lines)?;
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/examples/size/parquet.py");
    let output = Command::new(python).arg(script).arg(&samples).arg(folder).output()?;
    if !output.status.success() {
        println!("Parquet was not written: {}", String::from_utf8_lossy(&output.stderr).trim());
        return Ok(Vec::new());
    }
    let told = String::from_utf8(output.stdout)?;
    told.lines()
        .map(|line| {
            let (bytes, name) = line.split_once(' ').ok_or("parquet.py tells bytes and a name")?;
            Ok(Kept { name: name.to_owned(), bytes: bytes.parse()? })
        })
        .collect()
}
