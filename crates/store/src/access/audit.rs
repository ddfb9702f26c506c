//! The audit log. Append only.

use notchwatch_model::Time;

use super::AuditEntry;
use crate::clean::clean;
use crate::db::{Tx, values};
use crate::{Result, Store, int};

impl Store {
    /// Appends to the audit log.
    pub async fn audit(&self, entry: &AuditEntry) -> Result<()> {
        let mut tx = self.shared.db.write().await?;
        audited(&mut tx, entry.at, &entry.by, &entry.what, &entry.on).await?;
        tx.commit().await
    }

    /// Newest audit entries, the newest first.
    pub async fn audit_log(&self, limit: usize) -> Result<Vec<AuditEntry>> {
        let sql = "SELECT at, account, what, subject FROM audit ORDER BY id DESC LIMIT $1";
        let rows = self.fetch(sql, values![int(limit)]).await?;
        rows.iter()
            .map(|row| {
                Ok(AuditEntry {
                    at: row.time("at")?,
                    by: row.text("account")?,
                    what: row.text("what")?,
                    on: row.text("subject")?,
                })
            })
            .collect()
    }
}

/// Appends an entry within a transaction.
pub(crate) async fn audited(tx: &mut Tx, at: Time, by: &str, what: &str, on: &str) -> Result<()> {
    let sql = "INSERT INTO audit (at, account, what, subject) VALUES ($1, $2, $3, $4)";
    tx.execute(sql, values![at, clean(by), clean(what), clean(on)]).await.map(drop)
}
