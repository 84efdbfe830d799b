//! What the catalog is told, and how it writes it down.

use rusqlite::Transaction;
use rusqlite::types::ToSql;

use super::{Name, Recorded};
use crate::archive::checksum::Fingerprint;
use crate::archive::findings::Tallies;
use crate::archive::ledger::{Evidence, Retired, Witness};
use crate::units::{CameraName, CaptureTime, SiteName};

/// The tables of what files hold.
const HOLDING: [&str; 3] = ["footage", "findings_file", "findings"];

/// A run as one camera's journal tells it.
#[derive(Debug, Clone)]
pub(in crate::archive) struct RunRecord {
    pub(in crate::archive) begin: CaptureTime,
    pub(in crate::archive) alive: CaptureTime,
    pub(in crate::archive) ended: bool,
    /// Of the camera; none where the run did not know it.
    pub(in crate::archive) site: Option<SiteName>,
}

/// Something that the catalog is to remember. Each can be applied again.
#[derive(Debug, Clone, PartialEq)]
pub enum Change {
    /// A run lives, or has ended in good order.
    Run {
        /// When it began: its key.
        begin: CaptureTime,
        /// When it was last known to live.
        alive: CaptureTime,
        /// Ended in good order.
        ended: bool,
    },
    /// A camera is in the configuration of a run.
    Camera {
        /// The begin of the run.
        run: CaptureTime,
        /// The camera.
        camera: CameraName,
        /// Its site.
        site: SiteName,
    },
    /// What a durable file holds.
    Footage {
        /// Path below the archive, or `spool/` and the name there.
        object: String,
        /// Whose.
        camera: CameraName,
        /// Its content.
        recorded: Recorded,
        /// Its length.
        bytes: u64,
    },
    /// What a durable file of findings holds.
    Findings {
        /// As for footage.
        object: String,
        /// Whose.
        camera: CameraName,
        /// Its content.
        tallies: Tallies,
        /// Its length.
        bytes: u64,
    },
    /// A manifest lists a file, or is one.
    Object {
        /// Path below the archive.
        object: String,
        /// Whose.
        camera: CameraName,
        /// What it is known by.
        fingerprint: Fingerprint,
        /// Not by its writer: what that one says counts for more.
        late: bool,
    },
    /// A file was taken away on purpose: nothing that it held counts any more.
    Gone {
        /// Path below the archive.
        object: String,
    },
    /// A file has got another path, that of the archive instead of that of the spool.
    Moved {
        /// The old one.
        from: String,
        /// The new one.
        to: String,
    },
    /// Evidence, new or better known.
    Evidence {
        /// The begin of the run that was told.
        run: CaptureTime,
        /// What was told.
        evidence: Evidence,
    },
    /// Evidence that was none.
    Withdrawn {
        /// Whose footage.
        camera: CameraName,
        /// Who had said so.
        witness: Witness,
        /// From when.
        begin: CaptureTime,
    },
    /// Files go, or have gone.
    Retired(Retired),
    /// Nothing before this is going to change.
    Settled {
        /// Whose footage.
        camera: CameraName,
        /// Up to when.
        until: CaptureTime,
    },
    /// Everything that the archive's folders held has been read once, manifests too.
    Complete,
}

/// The word for a witness in catalog and journal.
pub(in crate::archive) fn witness_word(witness: &Witness) -> String {
    match witness {
        Witness::Intake => "intake".to_owned(),
        Witness::Archive => "archive".to_owned(),
        Witness::Plan => "plan".to_owned(),
        Witness::Sink(sink) => format!("sink:{sink}"),
    }
}

/// Reads what [`witness_word`] gives.
pub(in crate::archive) fn witness_of(word: &str) -> Option<Witness> {
    match word {
        "intake" => Some(Witness::Intake),
        "archive" => Some(Witness::Archive),
        "plan" => Some(Witness::Plan),
        _ => Some(Witness::Sink(Name::new(word.strip_prefix("sink:")?).ok()?)),
    }
}

pub(super) fn write(transaction: &Transaction<'_>, change: &Change) -> rusqlite::Result<()> {
    let run = |sql: &str, parameters: &[&dyn ToSql]| {
        #[cfg(test)]
        super::indexes::tests::note(transaction, sql);
        transaction.prepare(sql)?.execute(parameters)?;
        Ok(())
    };
    match change {
        Change::Run {
            begin,
            alive,
            ended,
        } => run(
            "INSERT INTO run VALUES (?1, ?2, ?3) ON CONFLICT DO UPDATE \
             SET alive = max(alive, excluded.alive), ended = max(ended, excluded.ended)",
            &[begin, alive, ended],
        ),
        Change::Camera {
            run: of,
            camera,
            site,
        } => run(
            "INSERT OR REPLACE INTO run_camera (run, camera, site) VALUES (?1, ?2, ?3)",
            &[of, camera, site],
        ),
        Change::Footage {
            object,
            camera,
            recorded,
            bytes,
        } => {
            run("DELETE FROM footage WHERE object = ?1", &[object])?;
            let bytes = i64::try_from(*bytes).unwrap_or(i64::MAX);
            recorded.spans.iter().try_for_each(|span| {
                run(
                    "INSERT INTO footage (object, begin, end, camera, frame, bytes) \
                     VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                    &[
                        object,
                        &span.begin,
                        &span.end,
                        camera,
                        &recorded.frame_nanos,
                        &bytes,
                    ],
                )
            })
        }
        Change::Findings {
            object,
            camera,
            tallies,
            bytes,
        } => {
            run("DELETE FROM findings WHERE object = ?1", &[object])?;
            let times = || tallies.kinds.values();
            run(
                "INSERT OR REPLACE INTO findings_file \
                 (object, camera, first, last, bytes, damaged) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                &[
                    object,
                    camera,
                    &times().map(|tally| tally.first).min(),
                    &times().map(|tally| tally.last).max(),
                    &i64::try_from(*bytes).unwrap_or(i64::MAX),
                    &i64::try_from(tallies.damaged).unwrap_or(i64::MAX),
                ],
            )?;
            tallies.kinds.iter().try_for_each(|((sink, kind), tally)| {
                run(
                    "INSERT INTO findings (object, sink, kind, number, first, last, score_max) \
                     VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
                    &[
                        object,
                        sink,
                        kind,
                        &i64::try_from(tally.number).unwrap_or(i64::MAX),
                        &tally.first,
                        &tally.last,
                        &tally.score_max,
                    ],
                )
            })
        }
        Change::Object {
            object,
            camera,
            fingerprint: Fingerprint { bytes, sha256 },
            late,
        } => run(
            match late {
                false => {
                    "INSERT OR REPLACE INTO object (path, camera, bytes, sha256) \
                     VALUES (?1, ?2, ?3, ?4)"
                }
                true => {
                    "INSERT OR IGNORE INTO object (path, camera, bytes, sha256) \
                     VALUES (?1, ?2, ?3, ?4)"
                }
            },
            &[
                object,
                camera,
                &i64::try_from(*bytes).unwrap_or(i64::MAX),
                sha256,
            ],
        ),
        Change::Gone { object } => {
            run("DELETE FROM object WHERE path = ?1", &[object])?;
            for table in HOLDING {
                run(&format!("DELETE FROM {table} WHERE object = ?1"), &[object])?;
            }
            Ok(())
        }
        Change::Moved { from, to } => {
            for table in HOLDING {
                let sql = format!("UPDATE OR REPLACE {table} SET object = ?2 WHERE object = ?1");
                run(&sql, &[from, to])?;
            }
            Ok(())
        }
        Change::Evidence { run: of, evidence } => run(
            "INSERT OR REPLACE INTO evidence (camera, witness, begin, run, end, cause, detail) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
            &[
                &evidence.camera,
                &witness_word(&evidence.witness),
                &evidence.begin,
                of,
                &evidence.end,
                &evidence.cause.as_str(),
                &evidence.detail,
            ],
        ),
        Change::Withdrawn {
            camera,
            witness,
            begin,
        } => run(
            "DELETE FROM evidence WHERE camera = ?1 AND witness = ?2 AND begin = ?3",
            &[camera, &witness_word(witness), begin],
        ),
        Change::Retired(retired) => {
            for file in &retired.files {
                let object = format!("{}/{file}", retired.folder);
                for table in ["footage", "findings_file", "findings"] {
                    run(
                        &format!("DELETE FROM {table} WHERE object = ?1"),
                        &[&object],
                    )?;
                }
            }
            retired.footage.iter().try_for_each(|held| {
                run(
                    "INSERT OR REPLACE INTO retired (camera, begin, end, fate, frame) \
                     VALUES (?1, ?2, ?3, ?4, ?5)",
                    &[
                        &retired.camera,
                        &held.span.begin,
                        &held.span.end,
                        &retired.fate.as_str(),
                        &held.frame_nanos,
                    ],
                )
            })
        }
        Change::Settled { camera, until } => run(
            "INSERT INTO settled VALUES (?1, ?2) \
             ON CONFLICT DO UPDATE SET until = max(until, excluded.until)",
            &[camera, until],
        ),
        Change::Complete => run("INSERT OR IGNORE INTO complete VALUES (1), (2)", &[]),
    }
}
