//! TEMPORARY
use crate::hold::Unit;
use crate::units::{CameraName, CaptureTime};
use std::path::Path;
use std::sync::Arc;
/// T
#[derive(Debug, thiserror::Error)]
#[error("no replay")]
pub struct ReplayError;
/// T
#[derive(Debug)]
pub struct Replay;
impl Replay {
    /// T
    pub fn archive(
        _a: &Path,
        _c: &CameraName,
        _f: Option<CaptureTime>,
        _t: Option<CaptureTime>,
    ) -> Result<Self, ReplayError> {
        Err(ReplayError)
    }
    /// T
    pub fn file(
        _a: &Path,
        _f: Option<CaptureTime>,
        _t: Option<CaptureTime>,
    ) -> Result<Self, ReplayError> {
        Err(ReplayError)
    }
}
impl Iterator for Replay {
    type Item = Result<Arc<Unit>, ReplayError>;
    fn next(&mut self) -> Option<Self::Item> {
        None
    }
}
