//! File handles: how many HTTP connections the process may take on without starving ingest and the store.
//!
//! Owns the share of the process's limit that is kept for them. Refuses to raise the limit: that is the supervisor's.

/// Handles kept for everything that is no HTTP connection: the store's files or connections (three files for each of
/// its readers, or a socket), the broker, the log, the listening socket, names being looked up, and the tools that an
/// operator runs within the same service.
const KEPT: usize = 96;
/// HTTP connections taken on however low the limit is: console and API stay usable.
const FEWEST: usize = 8;

/// How many HTTP connections may be open: `most`, or what the limit on open files leaves.
pub(crate) fn connections(most: usize) -> usize {
    let limit = std::fs::read_to_string("/proc/self/limits").ok().and_then(|text| open_files(&text));
    let left = limit.map_or(most, |limit| most.min(limit.saturating_sub(KEPT).max(FEWEST)));
    if left < most {
        tracing::warn!(
            open_files = limit.unwrap_or_default(),
            connections = left,
            "the limit on open files allows fewer HTTP connections than usual: raise it for the service"
        );
    }
    left
}

/// The soft limit on open files in the kernel's own table (`proc_pid_limits(5)`); `None` when it is not there or is
/// unlimited.
fn open_files(limits: &str) -> Option<usize> {
    let line = limits.lines().find_map(|line| line.strip_prefix("Max open files"))?;
    line.split_whitespace().next()?.parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_kernels_table_is_read() {
        let table = "Limit                     Soft Limit           Hard Limit           Units     \n\
                     Max processes             61440                61440                processes \n\
                     Max open files            1024                 524288               files     \n";
        assert_eq!(open_files(table), Some(1024));
        assert_eq!(
            open_files("Max open files            unlimited            unlimited            files"),
            None
        );
        assert_eq!(open_files(""), None);
    }
}
