//! The public data sets, where they are.
//!
//! Their folder comes from `NOTCHWATCH_DATA`. Nothing of them is kept in this repository.

use std::path::PathBuf;

use super::setting;

/// The folder of a public data set; `None`, said plainly on standard output, when it is not there.
pub(crate) fn folder(set: &str) -> Option<PathBuf> {
    let found =
        setting("NOTCHWATCH_DATA").map(|all| PathBuf::from(all).join(set)).filter(|path| path.is_dir());
    if found.is_none() {
        println!("NOT RUN: needs the data set {set}, in the folder that NOTCHWATCH_DATA names");
    }
    found
}
