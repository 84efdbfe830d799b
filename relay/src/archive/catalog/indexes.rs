//! Indexes beside the tables: what keeps a query as short after two years as on the first day.
//!
//! None of them holds anything that the tables don't, so a catalog without them is read as well, only
//! slower: they are made where they are missing, and the version stays.

use rusqlite::Transaction;

use super::{Catalog, CatalogError, seal};

/// Whose a row of `findings` is, by the path of its file; the spool has one owner.
pub(super) const OWNER: &str = "substr(object, 1, instr(object, '/') - 1)";
/// A day: what is shorter is found by its begin.
pub(super) const LONG_EVIDENCE: &str = "(end IS NULL OR end - evidence.begin > 86400000000000)";

const INDEXES: [(&str, &str); 3] = [
    ("evidence_time", "evidence (camera, begin)"),
    (
        "evidence_long",
        "evidence (camera, begin) WHERE (end IS NULL OR end - begin > 86400000000000)",
    ),
    (
        "findings_kind",
        "findings (substr(object, 1, instr(object, '/') - 1), sink, kind, first, last)",
    ),
];

/// Makes those that are missing; whether there were any.
pub(super) fn add(transaction: &Transaction<'_>) -> rusqlite::Result<bool> {
    let mut added = false;
    for (name, on) in INDEXES {
        let sql = "SELECT EXISTS (SELECT 1 FROM sqlite_schema WHERE type = 'index' AND name = ?1)";
        let there: bool = transaction.query_row(sql, [name], |row| row.get(0))?;
        if !there {
            transaction.execute_batch(&format!("CREATE INDEX {name} ON {on}"))?;
            added = true;
        }
    }
    Ok(added)
}

impl Catalog {
    /// Makes the indexes that a catalog of an earlier build lacks.
    pub(super) fn add_indexes(&mut self) -> Result<(), CatalogError> {
        self.in_one(|transaction| match add(transaction)? {
            true => seal::seal_schema(transaction),
            false => Ok(()),
        })
    }
}

#[cfg(test)]
pub(super) mod tests;
