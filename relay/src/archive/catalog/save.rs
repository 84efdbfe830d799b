//! A catalog whose file was removed while it is open: it can still be read, and so be saved.

use std::path::PathBuf;

use super::{Catalog, CatalogError, Of as _};

impl Catalog {
    /// Whether its file has been removed, and could be written again.
    pub(in crate::archive) fn is_removed(&self) -> bool {
        let folder = self.path.parent();
        matches!(self.path.try_exists(), Ok(false)) && folder.is_some_and(std::path::Path::is_dir)
    }

    /// Writes all that it knows to where it was.
    pub(in crate::archive) fn save(&self) -> Result<(), CatalogError> {
        // Left behind, they would be taken for the new file's.
        for end in ["-wal", "-shm"] {
            let mut name = self.path.clone().into_os_string();
            name.push(end);
            std::fs::remove_file(PathBuf::from(name)).ok();
        }
        let path = self.path.to_string_lossy();
        self.connection
            .execute("VACUUM INTO ?1", [path.as_ref()])
            .of(&self.path)?;
        Ok(())
    }
}
