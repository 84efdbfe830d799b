//! A sum over the rows of each table, so that a bit which a disk turns shows.
//!
//! SQLite finds damage to the structure of its file, not to what a row says. So triggers keep, for
//! each table, the exclusive or of a hash of each of its rows: one more or less is one operation.

use rusqlite::functions::FunctionFlags;
use rusqlite::types::ValueRef;
use rusqlite::{Connection, Transaction};

use crate::archive::checksum::Fingerprinting;

/// The tables and their columns.
const SEALED: [(&str, &[&str]); 10] = [
    ("run", &["begin", "alive", "ended"]),
    ("run_camera", &["camera", "run", "site"]),
    (
        "footage",
        &["object", "begin", "end", "camera", "frame", "bytes"],
    ),
    (
        "evidence",
        &[
            "camera", "witness", "begin", "run", "end", "cause", "detail",
        ],
    ),
    ("settled", &["camera", "until"]),
    ("complete", &["yes"]),
    (
        "findings_file",
        &["object", "camera", "first", "last", "bytes", "damaged"],
    ),
    (
        "findings",
        &[
            "object",
            "sink",
            "kind",
            "number",
            "first",
            "last",
            "score_max",
        ],
    ),
    ("object", &["path", "camera", "bytes", "sha256"]),
    ("retired", &["camera", "begin", "end", "fate", "frame"]),
];

/// A row in bytes that no other row has: each value with its type and length.
fn add(taken: &mut Fingerprinting, value: ValueRef<'_>) {
    let mut part = |kind: u8, bytes: &[u8]| {
        taken.update(&[kind]);
        taken.update(&(bytes.len() as u64).to_le_bytes());
        taken.update(bytes);
    };
    match value {
        ValueRef::Null => part(0, &[]),
        ValueRef::Integer(value) => part(1, &value.to_le_bytes()),
        ValueRef::Real(value) => part(2, &value.to_bits().to_le_bytes()),
        ValueRef::Text(bytes) => part(3, bytes),
        ValueRef::Blob(bytes) => part(4, bytes),
    }
}

/// The first 64 bits of the SHA-256.
fn hash(taken: Fingerprinting) -> i64 {
    let sum = taken.finish().sha256;
    let first = sum.as_bytes().first_chunk().copied();
    i64::from_le_bytes(first.unwrap_or_default())
}

/// Makes the functions that the triggers call.
pub(super) fn add_functions(connection: &Connection) -> rusqlite::Result<()> {
    let flags = FunctionFlags::SQLITE_DETERMINISTIC | FunctionFlags::SQLITE_UTF8;
    connection.create_scalar_function("row_hash", -1, flags, |values| {
        let mut taken = Fingerprinting::default();
        (0..values.len()).for_each(|index| add(&mut taken, values.get_raw(index)));
        Ok(hash(taken))
    })?;
    connection.create_scalar_function("exclusive_or", 2, flags, |values| {
        Ok(values.get::<i64>(0)? ^ values.get::<i64>(1)?)
    })
}

/// The tables of the database's own that say what tables there are.
const OWN: (&str, &[&str]) = ("sqlite_schema", &["type", "name", "tbl_name", "sql"]);

/// Sums up all tables, and has the sums kept; to be called again after a change of tables.
pub(super) fn seal(transaction: &Transaction<'_>) -> rusqlite::Result<()> {
    transaction.execute_batch(
        "DROP TABLE IF EXISTS seal; \
         CREATE TABLE seal (of TEXT PRIMARY KEY, value INTEGER NOT NULL) STRICT, WITHOUT ROWID",
    )?;
    let keep = |table: &str, columns: &[&str]| {
        let value = sum(transaction, table, columns)?;
        transaction.execute("INSERT INTO seal VALUES (?1, ?2)", (table, value))
    };
    for (table, columns) in SEALED {
        keep(table, columns)?;
        let row = |of: &str| {
            let columns: Vec<_> = columns.iter().map(|name| format!("{of}.{name}")).collect();
            format!("row_hash({})", columns.join(", "))
        };
        let changed = format!("exclusive_or({}, {})", row("OLD"), row("NEW"));
        for (event, change) in [
            ("INSERT", row("NEW")),
            ("DELETE", row("OLD")),
            ("UPDATE", changed),
        ] {
            let name = format!("seal_{table}_{}", event.to_ascii_lowercase());
            transaction.execute_batch(&format!(
                "DROP TRIGGER IF EXISTS {name}; \
                 CREATE TRIGGER {name} AFTER {event} ON {table} BEGIN \
                 UPDATE seal SET value = exclusive_or(value, {change}) WHERE of = '{table}'; END"
            ))?;
        }
    }
    keep(OWN.0, OWN.1)?;
    Ok(())
}

/// Sums up the schema anew, after a change of indexes alone.
pub(super) fn seal_schema(transaction: &Transaction<'_>) -> rusqlite::Result<()> {
    let value = sum(transaction, OWN.0, OWN.1)?;
    transaction.execute("UPDATE seal SET value = ?2 WHERE of = ?1", (OWN.0, value))?;
    Ok(())
}

/// The tables whose rows are not those that were written.
pub(super) fn broken(connection: &Connection) -> rusqlite::Result<Vec<&'static str>> {
    // One state of the catalog, while a relay writes to it.
    let transaction = connection.unchecked_transaction()?;
    let mut broken = Vec::new();
    for (table, columns) in SEALED.into_iter().chain([OWN]) {
        let kept = transaction
            .prepare("SELECT value FROM seal WHERE of = ?1")?
            .query_map([table], |row| row.get(0))?
            .collect::<Result<Vec<i64>, _>>()?;
        if kept != [sum(&transaction, table, columns)?] {
            broken.push(table);
        }
    }
    transaction.commit()?;
    Ok(broken)
}

fn sum(transaction: &Transaction<'_>, table: &str, columns: &[&str]) -> rusqlite::Result<i64> {
    let sql = format!("SELECT {} FROM {table}", columns.join(", "));
    let mut statement = transaction.prepare(&sql)?;
    let mut rows = statement.query([])?;
    let mut sum = 0;
    while let Some(row) = rows.next()? {
        let mut taken = Fingerprinting::default();
        for index in 0..columns.len() {
            add(&mut taken, row.get_ref(index)?);
        }
        sum ^= hash(taken);
    }
    Ok(sum)
}
