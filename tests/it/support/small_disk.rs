//! A disk that can be filled and freed: a file system in memory with a bound, mounted for one test.
//!
//! Owns the mount. Where mounting is not allowed there is none, and the test that wants one says so.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use tempfile::TempDir;

/// One such disk; unmounted when dropped.
#[derive(Debug)]
pub(crate) struct SmallDisk {
    folder: TempDir,
}

impl SmallDisk {
    /// Mounts one of so many MiB; says why when it cannot.
    pub(crate) fn mount(mib: u32) -> Option<Self> {
        let folder = TempDir::new().expect("a folder for the disk");
        let mut mount = Command::new("mount");
        mount.args(["-t", "tmpfs", "-o", &format!("size={mib}m"), "tmpfs"]).arg(folder.path());
        let done = mount.stderr(Stdio::null()).status();
        if done.is_ok_and(|status| status.success()) {
            return Some(Self { folder });
        }
        println!("skipped: nothing may be mounted here, so no disk of a stated size can be filled");
        None
    }

    /// Where it is.
    pub(crate) fn path(&self) -> &Path {
        self.folder.path()
    }

    /// Fills it to the last byte.
    pub(crate) fn fill(&self) {
        let mut file = std::fs::File::create(self.ballast()).expect("a file to fill the disk with");
        for size in [1 << 20, 4096, 1] {
            let piece = vec![1; size];
            while file.write_all(&piece).is_ok() {}
        }
    }

    /// Frees what [`SmallDisk::fill`] took.
    pub(crate) fn free(&self) {
        std::fs::remove_file(self.ballast()).expect("the ballast was there");
    }

    fn ballast(&self) -> PathBuf {
        self.folder.path().join("ballast")
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        // Lazily: a store that is still open lets go a moment later.
        drop(Command::new("umount").arg("--lazy").arg(self.folder.path()).status());
    }
}
