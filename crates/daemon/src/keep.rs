//! `[keep]`: how long each kind of data is kept.
//!
//! Refuses what would drop data that something else still needs.

use anyhow::bail;
use notchwatch_model::Span;
use notchwatch_store::{QuarantineBounds, Retention};
use serde::Deserialize;

/// `[keep]`. Where days may be 0, that is for good.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct Keep {
    /// Days that messages are kept as received, once sealed into blocks.
    pub(crate) raw_days: u32,
    /// Days of samples; 0 for good.
    pub(crate) sample_days: u32,
    /// Days of half-hour values; 0 for good.
    pub(crate) rollup_days: u32,
    /// Days that closed findings are kept with their events and decisions; 0 for good.
    pub(crate) finding_days: u32,
    /// Days of quarantine; 0 until the next two bounds.
    pub(crate) quarantine_days: u32,
    /// Most rows of quarantine.
    pub(crate) quarantine_rows: u32,
    /// Most mebibytes of messages in quarantine.
    pub(crate) quarantine_mib: u32,
    /// Days of clock ticks.
    pub(crate) tick_days: u32,
    /// Days of snapshots of evaluation, one a day; the newest three of a unit stay.
    pub(crate) snapshot_days: u32,
    /// Days of the history of health grades; 0 for good.
    pub(crate) health_days: u32,
    /// Days of audit; 0 for good.
    pub(crate) audit_days: u32,
}

impl Default for Keep {
    fn default() -> Self {
        Self {
            raw_days: 35,
            sample_days: 0,
            rollup_days: 0,
            finding_days: 0,
            quarantine_days: 90,
            quarantine_rows: 200_000,
            quarantine_mib: 512,
            tick_days: 35,
            snapshot_days: 30,
            health_days: 0,
            audit_days: 0,
        }
    }
}

impl Keep {
    /// Whether nothing is dropped that is needed: late data join samples, and findings follow from them.
    pub(crate) fn check(&self, behind_days: u32) -> anyhow::Result<()> {
        if self.sample_days != 0 && self.sample_days <= behind_days {
            bail!("keep.sample_days: 0 for good, or more than limits.behind_days ({behind_days})");
        }
        if self.finding_days != 0 && (self.sample_days == 0 || self.finding_days < self.sample_days) {
            bail!(
                "keep.finding_days: 0 for good, or not less than keep.sample_days, which has to be set too: \
                 findings of samples that are still there would be found anew"
            );
        }
        for (name, days) in [("tick_days", self.tick_days), ("snapshot_days", self.snapshot_days)] {
            if days == 0 {
                bail!("keep.{name}: 1 or more");
            }
        }
        if self.quarantine_rows == 0 || self.quarantine_mib == 0 {
            bail!("keep.quarantine_rows and keep.quarantine_mib: 1 or more");
        }
        Ok(())
    }

    /// For messages as received.
    pub(crate) fn raw(&self) -> Span {
        Span::from_days(i64::from(self.raw_days))
    }

    /// For everything that goes by age alone.
    pub(crate) fn retention(&self) -> Retention {
        let days = |days: u32| (days != 0).then(|| Span::from_days(i64::from(days)));
        Retention {
            samples: days(self.sample_days),
            rollups: days(self.rollup_days),
            findings: days(self.finding_days),
            refused: days(self.quarantine_days),
            ticks: days(self.tick_days),
            snapshots: days(self.snapshot_days),
            health: days(self.health_days),
            audit: days(self.audit_days),
        }
    }

    /// For quarantine.
    pub(crate) fn bounds(&self) -> QuarantineBounds {
        QuarantineBounds { rows: self.quarantine_rows, bytes: u64::from(self.quarantine_mib) << 20 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_still_needed_is_not_dropped() {
        let usual = Keep::default();
        usual.check(30).unwrap();
        let told = |keep: Keep| keep.check(30).unwrap_err().to_string();
        assert!(told(Keep { sample_days: 30, ..usual.clone() }).contains("limits.behind_days (30)"));
        assert!(told(Keep { finding_days: 400, ..usual.clone() }).contains("keep.sample_days"));
        assert!(told(Keep { finding_days: 90, sample_days: 400, ..usual.clone() }).contains("finding_days"));
        assert!(told(Keep { tick_days: 0, ..usual.clone() }).contains("tick_days"));
        let years = Keep { finding_days: 800, sample_days: 400, ..usual };
        years.check(30).unwrap();
        assert_eq!(years.retention().samples, Some(Span::from_days(400)));
        assert_eq!(years.retention().rollups, None);
    }
}
