//! The index of the archive: runs of the relay, what each file holds, what was told of the rest.
//!
//! SQLite in the spool, which is local: the archive may be on a network file system, where its
//! locks don't hold. All that it knows can be read again from files and journals, so a damaged one
//! is moved out of the way, and a new one begun. Losing its last second to a power cut is no harm
//! either, hence no flush with each change.

mod accounts;
mod amount;
mod change;
mod indexes;
mod objects;
mod retired;
mod save;
mod seal;
mod trail;

use std::collections::HashSet;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::types::{FromSql, FromSqlError, FromSqlResult, ToSql, ToSqlOutput, ValueRef};
use rusqlite::{Connection, ErrorCode, OpenFlags, OptionalExtension, Row, Transaction, params};

pub use change::Change;
use change::write;
pub(super) use change::{RunRecord, witness_of, witness_word};
use objects::SCHEMA_OBJECTS;
use retired::SCHEMA_RETIRED;
pub use trail::{Side, Trace};

use super::ledger::footage::Recorded;
use crate::units::{CameraName, CaptureTime, Name, SiteName};

/// Its name in the spool.
pub const FILE: &str = "catalog.sqlite";
/// `Fore`: what `PRAGMA application_id` of the catalog says.
const APPLICATION: i32 = 0x466f_7265;
const VERSION: i32 = 3;
/// The version that had no findings, and the one that knew neither checksums nor what had gone.
const VERSION_FOOTAGE: i32 = 1;
const VERSION_FINDINGS: i32 = 2;
const BUSY: Duration = Duration::from_secs(5);
/// No span of a file is longer (the reader of files sees to that): bounds what a search looks at.
const SPAN_MAX: i64 = 49 * 3600 * 1_000_000_000;
/// A start reads no more than this to find damage; what is larger is left to the scrub, and to
/// whatever meets the damage.
const CHECKED_BYTES_MAX: i64 = 64 << 20;
/// The write-ahead log is cut back to this once all of it is in the catalog.
const LOG_BYTES_MAX: i64 = 16 << 20;

const SCHEMA: &str = "
CREATE TABLE run (
    begin INTEGER PRIMARY KEY,
    alive INTEGER NOT NULL,
    ended INTEGER NOT NULL
) STRICT;
CREATE TABLE run_camera (
    camera TEXT NOT NULL,
    run INTEGER NOT NULL,
    site TEXT NOT NULL,
    PRIMARY KEY (camera, run)
) STRICT, WITHOUT ROWID;
CREATE TABLE footage (
    object TEXT NOT NULL,
    begin INTEGER NOT NULL,
    end INTEGER NOT NULL,
    camera TEXT NOT NULL,
    frame INTEGER NOT NULL,
    bytes INTEGER NOT NULL,
    PRIMARY KEY (object, begin)
) STRICT, WITHOUT ROWID;
CREATE INDEX footage_time ON footage (camera, begin, end, frame);
CREATE TABLE evidence (
    camera TEXT NOT NULL,
    witness TEXT NOT NULL,
    begin INTEGER NOT NULL,
    run INTEGER NOT NULL,
    end INTEGER,
    cause TEXT NOT NULL,
    detail TEXT NOT NULL,
    PRIMARY KEY (camera, witness, begin)
) STRICT, WITHOUT ROWID;
CREATE TABLE settled (
    camera TEXT PRIMARY KEY,
    until INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE complete (yes INTEGER PRIMARY KEY) STRICT;
";

/// What version 2 has more: an index of the files of findings.
const SCHEMA_FINDINGS: &str = "
CREATE TABLE findings_file (
    object TEXT PRIMARY KEY,
    camera TEXT NOT NULL,
    first INTEGER,
    last INTEGER,
    bytes INTEGER NOT NULL,
    damaged INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX findings_file_time ON findings_file (camera, first, last);
CREATE TABLE findings (
    object TEXT NOT NULL,
    sink TEXT NOT NULL,
    kind TEXT NOT NULL,
    number INTEGER NOT NULL,
    first INTEGER NOT NULL,
    last INTEGER NOT NULL,
    score_max REAL NOT NULL,
    PRIMARY KEY (object, sink, kind)
) STRICT, WITHOUT ROWID;
";

/// Why the catalog can't be used.
#[derive(Debug, thiserror::Error)]
pub enum CatalogError {
    /// There is none.
    #[error("there is no catalog {}: it is made by `forebay run` and `forebay catalog rebuild`", .0.display())]
    Missing(PathBuf),
    /// It is no catalog, or of another version.
    #[error("{} is no catalog of this version", .0.display())]
    Foreign(PathBuf),
    /// A damaged one can't be moved out of the way.
    #[error("can't rename {}", path.display())]
    Rename {
        /// Of the catalog.
        path: PathBuf,
        /// The system's words.
        source: std::io::Error,
    },
    /// The database's words.
    #[error("the catalog {} fails", path.display())]
    Sqlite {
        /// Of the catalog.
        path: PathBuf,
        /// The words.
        source: rusqlite::Error,
    },
}

impl CatalogError {
    /// Whether the file itself is at fault: then a new one helps.
    #[must_use]
    pub fn is_damage(&self) -> bool {
        match self {
            Self::Foreign(_) => true,
            Self::Sqlite { source, .. } => matches!(
                source.sqlite_error_code(),
                Some(ErrorCode::NotADatabase | ErrorCode::DatabaseCorrupt)
            ),
            Self::Missing(_) | Self::Rename { .. } => false,
        }
    }
}

/// What was found when the catalog was opened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Found {
    /// A catalog.
    Whole,
    /// Nothing: it is new.
    Nothing,
    /// Something else, which lies here now: it is new.
    Damaged(PathBuf),
}

impl ToSql for CaptureTime {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(self.unix_nanos().into())
    }
}

impl FromSql for CaptureTime {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        value.as_i64().map(Self::from_unix_nanos)
    }
}

impl ToSql for Name {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(self.as_str().into())
    }
}

impl FromSql for Name {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        Self::new(value.as_str()?).map_err(FromSqlError::other)
    }
}

/// An open catalog.
#[derive(Debug)]
pub struct Catalog {
    connection: Connection,
    path: PathBuf,
}

impl Catalog {
    /// Opens (makes) the catalog of a spool. What is damaged or no catalog is renamed.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn open(spool: &Path) -> Result<(Self, Found), CatalogError> {
        Self::open_checked(spool, CHECKED_BYTES_MAX)
    }

    /// The same, and reads all of it, as it has been found to be damaged.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn open_doubted(spool: &Path) -> Result<(Self, Found), CatalogError> {
        Self::open_checked(spool, i64::MAX)
    }

    fn open_checked(spool: &Path, checked_bytes: i64) -> Result<(Self, Found), CatalogError> {
        let path = spool.join(FILE);
        let there = path.metadata().is_ok_and(|metadata| metadata.len() > 0);
        match Self::open_at(&path, checked_bytes) {
            Ok(catalog) if there => Ok((catalog, Found::Whole)),
            Ok(catalog) => Ok((catalog, Found::Nothing)),
            Err(error) if error.is_damage() => {
                let away = put_aside(&path)?;
                Ok((Self::open_at(&path, 0)?, Found::Damaged(away)))
            }
            Err(error) => Err(error),
        }
    }

    /// Opens the catalog of a spool to read, also while a relay runs.
    ///
    /// # Errors
    /// When there is none, or it can't be read.
    pub fn open_to_read(spool: &Path) -> Result<Self, CatalogError> {
        let path = spool.join(FILE);
        if !path.exists() {
            return Err(CatalogError::Missing(path));
        }
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = Connection::open_with_flags(&path, flags).of(&path)?;
        connection.busy_timeout(BUSY).of(&path)?;
        let catalog = Self { connection, path };
        if catalog.pragma("application_id")? != APPLICATION
            || catalog.pragma("user_version")? != VERSION
        {
            return Err(CatalogError::Foreign(catalog.path));
        }
        Ok(catalog)
    }

    /// A new one that ends with this process.
    pub(super) fn in_memory() -> Result<Self, CatalogError> {
        Self::open_at(Path::new(":memory:"), 0)
    }

    /// A new one that nobody uses before it is whole: nothing of it is flushed by the way.
    pub(super) fn open_to_fill(path: &Path) -> Result<Self, CatalogError> {
        let catalog = Self::open_at(path, 0)?;
        for (name, value) in [("synchronous", 0), ("wal_autocheckpoint", 16_384)] {
            let set = catalog.connection.pragma_update(None, name, value);
            set.of(path)?;
        }
        Ok(catalog)
    }

    /// Opens (makes) a catalog, and looks for damage where it is no longer than that.
    fn open_at(path: &Path, checked_bytes: i64) -> Result<Self, CatalogError> {
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
            | OpenFlags::SQLITE_OPEN_CREATE
            | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = Connection::open_with_flags(path, flags).of(path)?;
        connection.busy_timeout(BUSY).of(path)?;
        let mut catalog = Self {
            connection,
            path: path.to_owned(),
        };
        let tables: i64 = catalog.one("SELECT count(*) FROM sqlite_schema")?;
        if tables > 0 {
            let ids = (
                catalog.pragma("application_id")?,
                catalog.pragma("user_version")?,
            );
            let known = ids.0 == APPLICATION && (VERSION_FOOTAGE..=VERSION).contains(&ids.1);
            if !known || !catalog.seems_whole(checked_bytes)? {
                return Err(CatalogError::Foreign(catalog.path));
            }
            catalog.prepare().of(path)?;
            if ids.1 <= VERSION_FOOTAGE {
                catalog.add_findings()?;
            }
            if ids.1 <= VERSION_FINDINGS {
                catalog.add_objects()?;
            }
            catalog.add_indexes()?;
        } else {
            catalog.prepare().of(path)?;
        }
        let mode: String = catalog.one("PRAGMA journal_mode = WAL")?;
        if mode != "wal" {
            tracing::debug!(mode, "the catalog's file system knows no write-ahead log");
        }
        let settings = [
            ("synchronous", 1),
            ("wal_autocheckpoint", 256),
            ("journal_size_limit", LOG_BYTES_MAX),
        ];
        for (name, value) in settings {
            catalog
                .connection
                .pragma_update(None, name, value)
                .of(path)?;
        }
        if tables == 0 {
            catalog.in_one(|transaction| {
                transaction.execute_batch(SCHEMA)?;
                transaction.execute_batch(SCHEMA_FINDINGS)?;
                transaction.execute_batch(SCHEMA_OBJECTS)?;
                transaction.execute_batch(SCHEMA_RETIRED)?;
                indexes::add(transaction)?;
                seal::seal(transaction)?;
                transaction.pragma_update(None, "application_id", APPLICATION)?;
                transaction.pragma_update(None, "user_version", VERSION)
            })?;
        }
        Ok(catalog)
    }

    /// Makes a catalog of version 1 one of version 2. It has yet to learn what the archive has
    /// of findings, so it is not complete.
    fn add_findings(&mut self) -> Result<(), CatalogError> {
        self.in_one(|transaction| {
            transaction.execute_batch(SCHEMA_FINDINGS)?;
            transaction.execute_batch("DELETE FROM complete")?;
            transaction.pragma_update(None, "user_version", VERSION_FINDINGS)
        })
    }

    /// What every connection that writes must have.
    fn prepare(&self) -> rusqlite::Result<()> {
        seal::add_functions(&self.connection)?;
        // What takes the place of a row removes that by a trigger, too.
        self.connection
            .pragma_update(None, "recursive_triggers", true)
    }

    /// Whether its structure is sound, as far as that can be told by reading no more than this.
    fn seems_whole(&self, bytes_max: i64) -> Result<bool, CatalogError> {
        let pages: i64 = self.one("PRAGMA page_count")?;
        let page_bytes: i64 = self.one("PRAGMA page_size")?;
        if pages.saturating_mul(page_bytes) > bytes_max {
            return Ok(true);
        }
        let told: String = self.one("PRAGMA quick_check(1)")?;
        Ok(told == "ok")
    }

    fn pragma(&self, name: &str) -> Result<i32, CatalogError> {
        let value = self
            .connection
            .pragma_query_value(None, name, |row| row.get(0));
        value.of(&self.path)
    }

    fn one<T: FromSql>(&self, sql: &str) -> Result<T, CatalogError> {
        let value = self.connection.query_row(sql, [], |row| row.get(0));
        value.of(&self.path)
    }

    /// The first row, if there is any.
    fn first<T>(
        &self,
        sql: &str,
        parameters: impl rusqlite::Params,
        read: impl FnOnce(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Option<T>, CatalogError> {
        #[cfg(test)]
        indexes::tests::note(&self.connection, sql);
        let statement = self.connection.prepare(sql);
        let row = statement.and_then(|mut statement| statement.query_row(parameters, read));
        row.optional().of(&self.path)
    }

    fn in_one(
        &mut self,
        work: impl FnOnce(&Transaction<'_>) -> rusqlite::Result<()>,
    ) -> Result<(), CatalogError> {
        let worked = self.connection.transaction().and_then(|transaction| {
            work(&transaction)?;
            transaction.commit()
        });
        worked.of(&self.path)
    }

    /// Remembers all of it, or nothing.
    ///
    /// # Errors
    /// The database's.
    pub fn apply(&mut self, changes: &[Change]) -> Result<(), CatalogError> {
        self.in_one(|transaction| changes.iter().try_for_each(|c| write(transaction, c)))
    }

    fn rows<T>(
        &self,
        sql: &str,
        parameters: impl rusqlite::Params,
        read: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, CatalogError> {
        #[cfg(test)]
        indexes::tests::note(&self.connection, sql);
        let rows = self
            .connection
            .prepare(sql)
            .and_then(|mut statement| statement.query_map(parameters, read)?.collect());
        rows.of(&self.path)
    }

    /// The cameras that were ever configured, each with its latest site.
    ///
    /// # Errors
    /// The database's.
    pub fn cameras(&self) -> Result<Vec<(CameraName, SiteName)>, CatalogError> {
        let sql = "SELECT camera, site, max(run) FROM run_camera GROUP BY camera ORDER BY camera";
        self.rows(sql, [], |row| Ok((row.get(0)?, row.get(1)?)))
    }

    /// When a camera was first configured.
    ///
    /// # Errors
    /// The database's.
    pub fn first_run(&self, camera: &CameraName) -> Result<Option<CaptureTime>, CatalogError> {
        let sql = "SELECT min(run) FROM run_camera WHERE camera = ?1";
        let first = self.first(sql, [camera], |row| row.get(0))?;
        Ok(first.flatten())
    }

    /// Up to when a camera's account is settled.
    ///
    /// # Errors
    /// The database's.
    pub fn settled(&self, camera: &CameraName) -> Result<Option<CaptureTime>, CatalogError> {
        let sql = "SELECT until FROM settled WHERE camera = ?1";
        self.first(sql, [camera], |row| row.get(0))
    }

    /// The last runs, the latest first, with the site of the camera where they knew it.
    pub(super) fn last_runs(
        &self,
        camera: &CameraName,
        number: usize,
    ) -> Result<Vec<RunRecord>, CatalogError> {
        let sql = "SELECT begin, alive, ended, site FROM run \
                   LEFT JOIN run_camera ON run = begin AND camera = ?1 \
                   ORDER BY begin DESC LIMIT ?2";
        let number = i64::try_from(number).unwrap_or(i64::MAX);
        self.rows(sql, params![camera, number], |row| {
            Ok(RunRecord {
                begin: row.get(0)?,
                alive: row.get(1)?,
                ended: row.get(2)?,
                site: row.get(3)?,
            })
        })
    }

    /// Where the newest footage of a camera ends.
    pub(super) fn footage_end(
        &self,
        camera: &CameraName,
    ) -> Result<Option<CaptureTime>, CatalogError> {
        let sql = "SELECT end FROM footage WHERE camera = ?1 ORDER BY begin DESC LIMIT 1";
        self.first(sql, [camera], |row| row.get(0))
    }

    /// Whether the archive's folders have been read whole since the catalog was begun.
    pub(super) fn is_complete(&self) -> Result<bool, CatalogError> {
        let rows: i64 = self.one("SELECT count(*) FROM complete WHERE yes = 1")?;
        Ok(rows > 0)
    }

    /// Whether a file is known.
    pub(super) fn knows(&self, object: &str) -> Result<bool, CatalogError> {
        let sql = "SELECT 1 FROM footage WHERE object = ?1 \
                   UNION ALL SELECT 1 FROM findings_file WHERE object = ?1 LIMIT 1";
        Ok(self.first(sql, [object], |_| Ok(()))?.is_some())
    }

    /// The files of a folder of which it is known what they hold: `gate/footage/2026-05-04`, or
    /// `spool`.
    pub(super) fn known_in(&self, folder: &str) -> Result<HashSet<String>, CatalogError> {
        let sql = "SELECT object FROM footage WHERE object > ?1 AND object < ?2 \
                   UNION ALL SELECT object FROM findings_file WHERE object > ?1 AND object < ?2";
        // `0` comes next behind `/`.
        let range = [format!("{folder}/"), format!("{folder}0")];
        let objects = self.rows(sql, range, |row| row.get(0))?;
        Ok(objects.into_iter().collect())
    }
}

fn word<T>(row: &Row<'_>, index: usize, read: fn(&str) -> Option<T>) -> rusqlite::Result<T> {
    let text = row.get_ref(index)?.as_str()?;
    read(text).ok_or(FromSqlError::InvalidType.into())
}

/// Renames what is no catalog, with what belongs to it; gives the new name.
fn put_aside(path: &Path) -> Result<PathBuf, CatalogError> {
    let stamp = CaptureTime::now().file_stem();
    let beside = |path: &Path, suffix: &str| {
        let mut name = path.as_os_str().to_owned();
        name.push(suffix);
        PathBuf::from(name)
    };
    let away = beside(path, &format!(".damaged-{stamp}"));
    for suffix in ["-wal", "-shm", ""] {
        match std::fs::rename(beside(path, suffix), beside(&away, suffix)) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                let path = beside(path, suffix);
                return Err(CatalogError::Rename {
                    path,
                    source: error,
                });
            }
            _ => {}
        }
    }
    Ok(away)
}

/// Adds the path to an error of the database.
trait Of<T> {
    fn of(self, path: &Path) -> Result<T, CatalogError>;
}

impl<T> Of<T> for rusqlite::Result<T> {
    fn of(self, path: &Path) -> Result<T, CatalogError> {
        self.map_err(|source| CatalogError::Sqlite {
            path: path.to_owned(),
            source,
        })
    }
}

#[cfg(test)]
mod tests;
