//! Accounts of cameras, from the catalog in the spool.

use std::path::Path;

use super::AccountError;
use crate::archive::catalog::{Catalog, CatalogError};
use crate::archive::ledger::{Coverage, Span};
use crate::config::Site;
use crate::units::CameraName;

/// The account of a camera over a window; none where it was never configured while a relay ran.
pub(crate) type Account = Result<Option<Coverage>, AccountError>;

/// Gives accounts from the catalog in the spool.
///
/// # Errors
/// When it can't be opened.
pub(crate) fn accounts(
    spool: &Path,
) -> Result<impl FnMut(&CameraName, Span) -> Account + use<>, AccountError> {
    let path = spool.join("catalog.sqlite");
    let failed = move |error: CatalogError| match error {
        CatalogError::Missing(path) => AccountError::Absent { path },
        error => AccountError::Unreadable {
            path: path.clone(),
            reason: format!("{:#}", anyhow::Error::from(error)),
        },
    };
    let catalog = Catalog::open_to_read(spool).map_err(&failed)?;
    Ok(move |camera: &CameraName, window: Span| catalog.coverage(camera, window).map_err(&failed))
}

/// The account of a camera of which nothing is known.
pub(crate) fn nothing(camera: &CameraName, site: &Site, window: Span) -> Coverage {
    Coverage {
        camera: camera.clone(),
        site: site.name.clone(),
        window,
        wanted: Vec::new(),
        recorded: Vec::new(),
        thinned: Vec::new(),
        expired: Vec::new(),
        gaps: Vec::new(),
    }
}
