//! Brings a database to the form this program knows, or refuses it.
//!
//! Owns the list of migrations, which are part of the program. Each runs whole or not at all. Refuses a database that
//! is newer, or whose applied migrations are not the ones in the list.

use sha2::{Digest as _, Sha256};

use crate::db::{Column, Db, Tx, values};
use crate::{Error, Result};

struct Migration {
    version: i64,
    name: &'static str,
    sqlite: &'static str,
    postgres: &'static str,
}

/// In order. A released one never changes.
const MIGRATIONS: &[Migration] = &[
    Migration {
        version: 1,
        name: "base",
        sqlite: include_str!("../../../migrations/sqlite/0001_base.sql"),
        postgres: include_str!("../../../migrations/postgres/0001_base.sql"),
    },
    Migration {
        version: 2,
        name: "partitions",
        sqlite: include_str!("../../../migrations/sqlite/0002_partitions.sql"),
        postgres: include_str!("../../../migrations/postgres/0002_partitions.sql"),
    },
    Migration {
        version: 3,
        name: "comms",
        sqlite: include_str!("../../../migrations/sqlite/0003_comms.sql"),
        postgres: include_str!("../../../migrations/postgres/0003_comms.sql"),
    },
    Migration {
        version: 4,
        name: "timeline",
        sqlite: include_str!("../../../migrations/sqlite/0004_timeline.sql"),
        postgres: include_str!("../../../migrations/postgres/0004_timeline.sql"),
    },
    Migration {
        version: 5,
        name: "two_findings",
        sqlite: include_str!("../../../migrations/sqlite/0005_two_findings.sql"),
        postgres: include_str!("../../../migrations/postgres/0005_two_findings.sql"),
    },
    Migration {
        version: 6,
        name: "keep",
        sqlite: include_str!("../../../migrations/sqlite/0006_keep.sql"),
        postgres: include_str!("../../../migrations/postgres/0006_keep.sql"),
    },
    Migration {
        version: 7,
        name: "health",
        sqlite: include_str!("../../../migrations/sqlite/0007_health.sql"),
        postgres: include_str!("../../../migrations/postgres/0007_health.sql"),
    },
    Migration {
        version: 8,
        name: "unjudged",
        sqlite: include_str!("../../../migrations/sqlite/0008_unjudged.sql"),
        postgres: include_str!("../../../migrations/postgres/0008_unjudged.sql"),
    },
    Migration {
        version: 9,
        name: "work_lists",
        sqlite: include_str!("../../../migrations/sqlite/0009_work_lists.sql"),
        postgres: include_str!("../../../migrations/postgres/0009_work_lists.sql"),
    },
    Migration {
        version: 10,
        name: "quarantine_dropped",
        sqlite: include_str!("../../../migrations/sqlite/0010_quarantine_dropped.sql"),
        postgres: include_str!("../../../migrations/postgres/0010_quarantine_dropped.sql"),
    },
    Migration {
        version: 11,
        name: "journal_index",
        sqlite: include_str!("../../../migrations/sqlite/0011_journal_index.sql"),
        postgres: include_str!("../../../migrations/postgres/0011_journal_index.sql"),
    },
    Migration {
        version: 12,
        name: "seeded",
        sqlite: include_str!("../../../migrations/sqlite/0012_seeded.sql"),
        postgres: include_str!("../../../migrations/postgres/0012_seeded.sql"),
    },
    Migration {
        version: 13,
        name: "software",
        sqlite: include_str!("../../../migrations/sqlite/0013_software.sql"),
        postgres: include_str!("../../../migrations/postgres/0013_software.sql"),
    },
    Migration {
        version: 14,
        name: "model_report",
        sqlite: include_str!("../../../migrations/sqlite/0014_model_report.sql"),
        postgres: include_str!("../../../migrations/postgres/0014_model_report.sql"),
    },
    Migration {
        version: 15,
        name: "quarantine_retained",
        sqlite: include_str!("../../../migrations/sqlite/0015_quarantine_retained.sql"),
        postgres: include_str!("../../../migrations/postgres/0015_quarantine_retained.sql"),
    },
];

/// Held while migrating, so that two processes that start at once do not both migrate.
const LOCK: &str = "SELECT pg_advisory_xact_lock(5714067021)";

/// Applies what is missing.
pub(crate) async fn migrate(db: &Db) -> Result<()> {
    for migration in MIGRATIONS {
        let mut tx = db.write().await?;
        if matches!(tx, Tx::Postgres(..)) {
            tx.fetch(LOCK, vec![]).await?;
        }
        let applied = applied(&mut tx).await?;
        check(&applied, matches!(tx, Tx::Sqlite(_)))?;
        if applied.iter().all(|(version, _)| *version != migration.version) {
            apply(&mut tx, migration).await?;
        }
        tx.commit().await?;
    }
    Ok(())
}

async fn apply(tx: &mut Tx, migration: &Migration) -> Result<()> {
    let sql = if matches!(tx, Tx::Sqlite(_)) { migration.sqlite } else { migration.postgres };
    tx.script(sql).await?;
    let row = vec![
        ("version", Column::ints([migration.version])),
        ("name", Column::texts([migration.name.to_owned()])),
        ("checksum", Column::texts([checksum(sql)])),
    ];
    tx.insert("migration", row, "").await?;
    tracing::info!(version = migration.version, name = migration.name, "database migrated");
    Ok(())
}

/// Versions applied with their checksums; none when the database is fresh.
async fn applied(tx: &mut Tx) -> Result<Vec<(i64, String)>> {
    let exists = match tx {
        Tx::Sqlite(_) => "SELECT 1 FROM sqlite_schema WHERE type = 'table' AND name = 'migration'",
        Tx::Postgres(..) => {
            "SELECT 1 FROM pg_tables WHERE schemaname = current_schema() AND tablename = 'migration'"
        }
    };
    if tx.fetch(exists, vec![]).await?.is_empty() {
        return Ok(Vec::new());
    }
    let rows = tx.fetch("SELECT version, checksum FROM migration ORDER BY version", values![]).await?;
    rows.iter().map(|row| Ok((row.int("version")?, row.text("checksum")?))).collect()
}

fn check(applied: &[(i64, String)], sqlite: bool) -> Result<()> {
    let known = MIGRATIONS.last().map_or(0, |m| m.version);
    let newest = applied.last().map_or(0, |(version, _)| *version);
    if newest > known {
        return Err(Error::Newer { found: newest, known });
    }
    for (found, sum) in applied {
        let Some(migration) = MIGRATIONS.iter().find(|m| m.version == *found) else {
            let what = "it was applied and this program does not know it".into();
            return Err(Error::Damaged { place: format!("migration {found}"), what });
        };
        let sql = if sqlite { migration.sqlite } else { migration.postgres };
        if *sum != checksum(sql) {
            return Err(Error::Damaged {
                place: format!("migration {found}"),
                what: "it was applied in another form than this program holds".into(),
            });
        }
    }
    Ok(())
}

/// Line ends do not count: a checkout may turn them.
fn checksum(sql: &str) -> String {
    let mut hash = Sha256::new();
    for line in sql.lines() {
        hash.update(line.trim_end_matches('\r').as_bytes());
        hash.update(b"\n");
    }
    hash.finalize().iter().fold(String::new(), |mut hex, byte| {
        for digit in [byte >> 4, byte & 0xf] {
            hex.extend(char::from_digit(u32::from(digit), 16));
        }
        hex
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn line_ends_do_not_change_a_checksum_and_text_does() {
        let lf = "CREATE TABLE t (\n  a INTEGER\n);\n";
        assert_eq!(checksum(lf), checksum(&lf.replace('\n', "\r\n")));
        assert_eq!(checksum(lf), checksum(lf.trim_end()));
        assert_ne!(checksum(lf), checksum(&lf.replace("INTEGER", "TEXT")));
    }

    #[test]
    fn versions_rise_by_one() {
        for (ix, migration) in MIGRATIONS.iter().enumerate() {
            assert_eq!(migration.version, i64::try_from(ix).unwrap() + 1, "{}", migration.name);
        }
    }

    #[test]
    fn every_table_and_column_of_both_engines_is_commented_and_alike() {
        for migration in MIGRATIONS {
            let columns = |sql: &str| -> Vec<String> {
                let mut names = Vec::new();
                let (mut table, mut before) = (false, "");
                for line in sql.lines() {
                    let added = line.strip_prefix("ALTER TABLE ").and_then(|l| l.split_once(" ADD COLUMN "));
                    let listed =
                        table && line.starts_with("  ") && !line.trim_start().starts_with(['(', 'P', 'U']);
                    let column = added.map(|(_, column)| column).or(listed.then_some(line));
                    table = (table || line.starts_with("CREATE TABLE ")) && !line.starts_with(')');
                    if let Some(column) = column {
                        let above = added.is_some() && before.starts_with("-- ");
                        assert!(above || column.contains("-- "), "no comment: {line}");
                        names.extend(column.split_whitespace().next().map(str::to_owned));
                    }
                    before = line;
                }
                names
            };
            assert_eq!(columns(migration.sqlite), columns(migration.postgres));
        }
    }
}
