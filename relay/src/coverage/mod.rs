//! What of the wanted footage is in the archive, told to people and to scripts.
//!
//! [`days`] splits the account of each camera into the civil days of its site; [`text`], [`json`]
//! and [`html`] write the result. All of it is pure: accounts in, text out.

pub mod days;
pub mod html;
pub mod json;
pub mod text;

mod accounts;
mod stills;
mod strip;
pub(crate) mod strips;
mod when;
mod words;

#[cfg(test)]
mod sample;
#[cfg(test)]
mod tests;

use std::path::PathBuf;

pub(crate) use accounts::{Account, accounts, nothing};
pub use days::{CameraSheet, Day, Figures, Sheet, SiteAccounts, SiteSheet};
pub use stills::{StillDays, Stills};
pub use when::When;
pub(crate) use words::percent;
pub use words::{length, local, local_long, plain};

/// Why there is no account.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum AccountError {
    /// There is no catalog.
    #[error(
        "there is no catalog at {}: has the relay run with this configuration? It makes one when it \
         starts",
        path.display()
    )]
    Absent {
        /// Where it should be.
        path: PathBuf,
    },
    /// The catalog can't be read.
    #[error(
        "the catalog at {} can't be read ({reason}). If it is damaged, `forebay catalog rebuild` \
         makes it anew from the files",
        path.display()
    )]
    Unreadable {
        /// Where it is.
        path: PathBuf,
        /// What was wrong, in words.
        reason: String,
    },
}
